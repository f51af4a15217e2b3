"""A recorded drive played into a simulated joint."""

import numpy as np
import pytest

from sim.errors import InputError
from sim.identify.axis.axis_fit import Stretch
from sim.identify.axis.log import Log
from sim.identify.play import play
from sim.run.closed_loop import load_joint, simulate
from sim.run.scenarios import DEG, Scenario
from tests.properties.conftest import joint_with


def log_of(trace, unit="V", motion="rad"):
    """The run as a log: what is allowed in a tick acts a tick later, for so long the controller computes."""
    volts = np.concatenate([[0.0], trace["allowed_V"][:-1]])
    return Log(
        "x.csv",
        [Stretch(trace.tick_s, volts, trace["joint_rad"])],
        trace["time_s"],
        False,
        unit,
        motion,
    )


@pytest.fixture(scope="module")
def joint():
    return joint_with({})


@pytest.fixture(scope="module")
def run(joint):
    return simulate(joint, joint.scenarios()["step"])


def test_the_joint_s_own_drive_gives_its_own_course(joint, run):
    """Open loop over a step of 60 deg: what differs is the supply's sag between two readings."""
    course = play(joint, log_of(run), [joint.part], [25.0])[0]
    assert np.ptp(run["joint_rad"]) > np.deg2rad(50.0)
    assert np.abs(course - run["joint_rad"]).max() < np.deg2rad(2.0)


def test_another_part_does_something_else(joint, run):
    from controller.records import copy
    from sim.joint.part import Part

    other = Part()
    copy(joint.part, other)
    other.motor.emf_V_s *= 1.3
    own, changed = play(joint, log_of(run), [joint.part, other], [25.0, 25.0])
    assert np.abs(own - changed).max() > np.deg2rad(5.0)


@pytest.mark.parametrize(("unit", "motion"), [("N", "rad"), ("V", "m"), ("A", "rad")])
def test_a_log_of_another_kind_is_refused(joint, run, unit, motion):
    with pytest.raises(InputError, match="must be a voltage"):
        play(joint, log_of(run, unit, motion), [joint.part], [25.0])


def test_the_command_lays_the_two_over_each_other(inside, tmp_path, run):
    assert inside("new", "finger.toml").returncode == 0
    log = log_of(run)
    table = np.column_stack([log.time_s, log.drive, np.rad2deg(log.motion)])
    np.savetxt(tmp_path / "moved.csv", table, delimiter=",", header="t,u,q", comments="")
    done = inside(
        "simulate",
        "finger.toml",
        "--drive",
        "moved.csv",
        "--columns",
        "time=t[s],drive=u[V],angle=q[deg]",
        "--json",
    )
    found = done.json
    assert found["apart_rad"] < np.deg2rad(2.0)
    assert found["inside_share"] > 0.9
    assert (tmp_path / found["figure"]).exists()


def test_a_weight_on_a_string_pulls_the_same_at_every_height(tmp_path):
    """The starter file of a winch: m g r at the pulley, low and high (lifting it takes so much and friction)."""
    from host.starters import starter

    path = tmp_path / "winch.toml"
    path.write_text(starter("winch"), encoding="utf-8")
    winch = load_joint(path)
    for angle in ("20 deg", "200 deg"):
        rad = float(angle.split()[0]) * DEG
        trace = simulate(winch, Scenario("rest", rad, 0.5))
        pull = trace["extensor_N"][-1]
        assert pull == pytest.approx(0.2 * 9.80665, rel=0.05)
    step = simulate(winch, winch.scenarios()["step"])
    assert step.metrics.fault == "none"
    assert step["joint_rad"][-1] - step["joint_rad"][0] > 55.0 * DEG
