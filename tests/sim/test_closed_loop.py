"""The loop over time: runtimes agree to the bit, batch and single run are one, CSV comes back."""

import csv

import numpy as np
import pytest

from sim.errors import InputError
from sim.joint import spread
from sim.model import schedule, sensor
from sim.run import closed_loop
from sim.run.closed_loop import Fleet, simulate
from sim.run.scenarios import LEAD_S, Scenario, step

SHORT = step(0.4, 1.3, 0.004, 0.3, 0.1)


def busy():
    """Everything that can happen, in one short life."""
    scene = Scenario("busy", 0.5, 1.6, object_Nm_rad=8.0, self_test=True)
    scene.at(0.6, schedule.TARGET, 1.2).at(0.62, schedule.OTHERS, 0.5).at(0.65, schedule.LATE, 3.0)
    scene.at(0.75, schedule.LOAD, 0.004).at(0.8, schedule.OBJECT, 1.0, 8.0, 0.01)
    scene.at(0.85, schedule.GRIP, 1.1).at(1.0, schedule.HOLD).at(1.05, schedule.NO_OBJECT)
    for k in range(5):
        scene.at(1.1 + 0.02 * k, schedule.STREAM, 1.0 - 0.01 * k, -0.5, 0.02)
    return scene.at(1.3, schedule.SENSOR, float(sensor.OPEN)).at(1.45, schedule.REQUEST, 4.0)


def cases(joint):
    known = joint.scenarios()
    names = ("flexor_cut", "sensor_held", "supply_dip", "wires_swapped", "arming", "grip")
    return {"short": SHORT, "busy": busy(), **{name: known[name] for name in names}}


NAMES = ("short", "busy", "flexor_cut", "sensor_held", "supply_dip", "wires_swapped", "arming")


def assert_same(one, other):
    np.testing.assert_array_equal(one.rows, other.rows)
    assert one.metrics == other.metrics


@pytest.mark.parametrize("name", NAMES)
def test_compiled_and_python_give_the_same_bits(joint, name):
    scene = cases(joint)[name]
    runs = [simulate(joint, scene, seed=4, runtime=one) for one in ("compiled", "python")]
    assert_same(*runs)
    assert np.abs(runs[0]["allowed_V"]).max() > 0.5


@pytest.mark.parametrize("seed", range(10))
def test_compiled_and_python_give_the_same_bits_on_any_part(joint, seed):
    entries = spread.spread_of(joint.file)
    parts, warmth = spread.draw_parts(joint.part, entries, 1, seed)
    runs = [
        simulate(joint, SHORT, parts[0], warmth[0], seed + 1, one) for one in ("compiled", "python")
    ]
    assert_same(*runs)


@pytest.mark.parametrize(
    "changes",
    [
        {"drive.kind": "pulse"},
        {"drive.kind": "pulse", "drive.amplifier": "stretching"},
        {"drive.kind": "builtin"},
        {"cable.kind": "spring_return", "cable.spring_stiffness": "200 N/m"},
        {"cable.kind": "direct"},
        {"joint.travel": "continuous", "joint.range": None, "sensor.wipers": 2},
        {"sensor.reversed": True, "drive.current_sensor": True},
    ],
)
def test_compiled_and_python_give_the_same_bits_for_every_kind_of_joint(made, changes):
    joint = made(changes)
    low = joint.scenarios()["step"].start_rad
    scene = step(low, low + 0.5, 0.004, 0.3, 0.1)
    runs = [simulate(joint, scene, runtime=one) for one in ("compiled", "python")]
    assert_same(*runs)
    assert np.ptp(runs[0]["joint_rad"]) > 0.1


def fleet_of(joint, count=6, seed=3, workers=None):
    entries = spread.spread_of(joint.file)
    parts, warmth = spread.draw_parts(joint.part, entries, count, seed)
    return Fleet(parts, warmth, joint.settings.tick_s, joint.delay_s, seed, workers)


def test_a_batch_is_the_single_runs_of_its_parts(joint, monkeypatch):
    """With the same substep and the same noise."""
    monkeypatch.setattr(closed_loop, "COARSE_S", closed_loop.FINE_S)
    fleet = fleet_of(joint)
    fleet.words = np.array([(k + 1) * 2654435761 % 2**32 for k in range(len(fleet))])
    batch = fleet.run(joint.settings, SHORT, every=1)
    table = batch.table()
    for k, part in enumerate(fleet.objects):
        trace = simulate(joint, SHORT, part, fleet.warmth_C[k], k + 1)
        np.testing.assert_array_equal(batch.traces[k], trace.rows)
        settled = trace.metrics.settling_2pct_s
        assert table["settling_2pct_s"][k] == pytest.approx(settled or np.nan, nan_ok=True)
        for name in ("overshoot_rad", "hunting_rad", "drive_noise_V", "peak_tension_N"):
            assert table[name][k] == getattr(trace.metrics, name)


@pytest.mark.parametrize("workers", [2, 3, 8])
def test_the_number_of_workers_changes_no_bit(joint, workers):
    one = fleet_of(joint, 11, workers=1).run(joint.settings, SHORT, 5)
    many = fleet_of(joint, 11, workers=workers).run(joint.settings, SHORT, 5)
    for name in ("scores", "plants", "traces"):
        assert getattr(one, name).tobytes() == getattr(many, name).tobytes()
    assert len({row["end_rad"] for row in one.scores}) == 11


def test_a_fleet_can_be_run_again_and_another_seed_is_another_noise(joint):
    fleet = fleet_of(joint)
    first, again = (fleet.run(joint.settings, SHORT).scores.tobytes() for _ in range(2))
    assert first == again
    assert fleet_of(joint, seed=4).run(joint.settings, SHORT).scores.tobytes() != first


def test_each_part_may_have_settings_of_its_own(joint):
    from sim.run import kernels

    fleet = fleet_of(joint, 2)
    fleet.parts[1], fleet.words[1] = fleet.parts[0], fleet.words[0]
    fleet.objects[1], fleet.warmth_C[1] = fleet.objects[0], fleet.warmth_C[0]
    settings = np.repeat(kernels.as_array([joint.settings]), 2)
    settings["gains"]["kp"][1] *= 0.5
    slow = fleet.run_array(settings, SHORT).scores["out_ticks"]
    assert slow[0] < slow[1]


def test_a_pulse_fleet_meets_the_frame_at_different_phases(made):
    joint = made({"drive.kind": "pulse"})
    fleet = fleet_of(joint, 30)
    assert set(fleet.shifts) >= {0, 5}
    assert fleet.shifts.max() <= 10
    assert fleet_of(made({}), 30).shifts.max() == 0


def test_the_same_seed_gives_the_same_run(joint):
    one, again, other = (simulate(joint, SHORT, seed=seed) for seed in (5, 5, 6))
    assert_same(one, again)
    assert (one.rows != other.rows).any()


def test_a_run_changes_neither_part_nor_settings(joint):
    before = (repr(vars(joint.part.cable)), joint.settings.stopping.check_V)
    simulate(joint, cases(joint)["flexor_cut"])
    assert (repr(vars(joint.part.cable)), joint.settings.stopping.check_V) == before


def test_a_finer_substep_ends_at_the_same_place(joint, monkeypatch):
    ends = []
    for longest in (1e-4, 5e-5, 1.25e-5):
        monkeypatch.setattr(closed_loop, "FINE_S", longest)
        trace = simulate(joint, SHORT)
        ends.append(trace["joint_rad"][round((LEAD_S + 0.1) / trace.tick_s)])
    assert abs(ends[1] - ends[2]) < 2e-3
    assert abs(ends[0] - ends[2]) < 4e-3


def test_a_trace_written_as_csv_comes_back_to_the_bit(joint, tmp_path):
    trace = simulate(joint, SHORT)
    path = tmp_path / "run.csv"
    trace.write_csv(path)
    with path.open(newline="") as source:
        header, *rows = csv.reader(source)
    assert tuple(header) == closed_loop.TRACE_COLUMNS
    np.testing.assert_array_equal(np.array(rows, float), np.array(trace.rows.tolist()))
    assert [one.name for one in tmp_path.iterdir()] == ["run.csv"]


def test_time_and_the_columns_of_a_trace(joint):
    trace = simulate(joint, SHORT)
    np.testing.assert_allclose(trace["time_s"], np.arange(len(trace.rows)) * 0.002)
    assert trace["joint_rad"][0] == SHORT.start_rad
    assert trace.rows.shape == (SHORT.ticks(0.002),)
    with pytest.raises(ValueError, match="no_such_column"):
        trace["no_such_column"]


def test_a_part_too_stiff_for_the_substep_is_refused(joint):
    scene = Scenario("hard", 0.5, 0.1, object_Nm_rad=1e9)
    with pytest.raises(InputError, match="soften cable, stop or object"):
        simulate(joint, scene)


def test_a_fleet_too_stiff_for_the_substep_is_refused_the_same_way(joint):
    scene = Scenario("hard", 0.5, 0.1, object_Nm_rad=1e9)
    with pytest.raises(InputError, match="soften cable, stop or object"):
        fleet_of(joint, 1).run(joint.settings, scene)
