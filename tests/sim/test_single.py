"""The controller in single precision: nothing leaks to double, and it ends where double ends."""

import numpy as np
import pytest

from controller.joint.settings.settings import Settings
from controller.joint.state import State
from controller.records import INTEGER, PART, fields
from sim.run import single_precision
from sim.run.closed_loop import simulate
from sim.run.scenarios import Scenario, step

SHORT = step(0.4, 1.3, 0.004, 0.4, 0.2)


def real_values(record_class, record, prefix=""):
    """Every real number of a record, with its dotted name and whether it is in a table."""
    for name, field in fields(record_class):
        value = getattr(record, name)
        if field.kind == PART:
            yield from real_values(field.of, value, f"{prefix}{name}.")
        elif field.kind != INTEGER:
            in_table = isinstance(value, list)
            for one in value if in_table else [value]:
                yield prefix + name, one, in_table


def busy():
    from sim.model import schedule

    scene = Scenario("busy", 0.5, 1.3, self_test=True)
    scene.at(0.6, schedule.TARGET, 1.2).at(0.75, schedule.LOAD, 0.004).at(0.8, schedule.HOLD)
    for k in range(6):
        scene.at(0.9 + 0.02 * k, schedule.STREAM, 1.0 - 0.01 * k, -0.5, 0.02)
    return scene.at(1.05, schedule.GRIP, 0.6).at(1.15, schedule.LATE, 3.0)


@pytest.fixture
def watched(monkeypatch):
    """What was not single precision after a tick, in settings and state: fields, tables."""
    joint = single_precision._controller()
    tick = joint.joint_tick
    seen = {"ticks": 0, "fields": set(), "tables": set(), "lost": set(), "moved": False}

    def checked(settings, state, command, readings, report):
        tick(settings, state, command, readings, report)
        seen["ticks"] += 1
        seen["moved"] |= bool(report.allowed_V != 0.0)
        for record_class, record in ((Settings, settings), (State, state)):
            for name, value, in_table in real_values(record_class, record):
                if type(value) is not np.float32:
                    seen["tables" if in_table else "fields"].add(name)
                    if float(np.float32(value)) != value:
                        seen["lost"].add(name)

    monkeypatch.setattr(joint, "joint_tick", checked)
    return seen


KINDS = [
    {},
    {"drive.kind": "pulse", "control.plan_ticks": 5},
    {"joint.travel": "continuous", "joint.range": None, "sensor.wipers": 2},
    {"drive.current_sensor": True, "limits.speed": "2 rad/s"},
]


@pytest.mark.parametrize("changes", KINDS)
def test_every_real_number_stays_single_precision(made, changes, watched):
    joint = made(changes)
    simulate(joint, busy(), runtime="single_python")
    assert watched["ticks"] > 600
    assert watched["moved"]
    assert watched["fields"] == set()
    assert watched["lost"] == set()


def test_every_number_of_a_table_stays_single_precision_too(joint, watched):
    simulate(joint, busy(), runtime="single_python")
    assert watched["tables"] == set()


@pytest.mark.parametrize("changes", [{}, {"drive.kind": "pulse"}, {"control.rate": "1000 Hz"}])
def test_a_step_in_single_precision_ends_where_double_ends(made, changes):
    joint = made(changes)
    double, one = (simulate(joint, SHORT, runtime=name) for name in ("compiled", "single"))
    assert one.metrics.fault == "none"
    assert one.metrics.settling_2pct_s == pytest.approx(double.metrics.settling_2pct_s, abs=0.02)
    np.testing.assert_allclose(one["setpoint_rad"], double["setpoint_rad"], atol=2e-5)
    # Noise reads the same counts until a last bit tips a decision; then paths part a little.
    assert np.abs(one["joint_rad"] - double["joint_rad"]).max() < 0.02
    assert (one.rows != double.rows).any()


def test_faults_are_seen_at_the_same_tick_or_the_next(joint):
    for name in ("wiper_open", "supply_dip", "link_silent", "arming_swapped"):
        scene = joint.scenarios()[name]
        double, one = (simulate(joint, scene, runtime=kind) for kind in ("compiled", "single"))
        assert one.metrics.fault == double.metrics.fault
        assert one.metrics.fault_s == pytest.approx(double.metrics.fault_s, abs=0.0021)


def test_a_record_in_single_precision_rounds_whatever_is_put_in():
    settings = single_precision.single(Settings())
    settings.gains.kp = 0.1
    assert type(settings.gains.kp) is np.float32
    assert float(settings.gains.kp) == float(np.float32(0.1)) != 0.1
    settings.sensor.wipers = 2
    assert type(settings.sensor.wipers) is int
