"""The metrics of a run against a second computation from its trace, in plain NumPy."""

import numpy as np
import pytest

from sim.model import schedule
from sim.run import metrics
from sim.run.closed_loop import simulate
from sim.run.metrics import crossings_Hz
from sim.run.scenarios import DEG, LEAD_S, Scenario, step

SCENES = {
    "up": step(0.4, 1.3, 0.004, 0.6, 3.0),
    "down": step(1.3, 0.4, 0.004, 0.6, 3.0),
    "small": step(0.8, 0.8 + DEG, 0.004, 0.5, 2.0),
    "never": step(0.4, 1.3, 0.004, 0.05, 0.05),
    "narrow": step(0.4, 1.3, 1e-5, 0.6, 1.0),
}


def measure_row(scene):
    return next(row for row in scene.rows if row[1] == schedule.MEASURE)


def tail_start(scene):
    return next(row[0] for row in scene.rows if row[1] == schedule.TAIL)


def last_outside(away, band, tick_s):
    """First time after which it stays inside; None where it is outside at the end."""
    outside = np.nonzero(np.abs(away) > band)[0]
    if len(outside) == 0:
        return 0.0
    return None if outside[-1] == len(away) - 1 else (outside[-1] + 1) * tick_s


@pytest.fixture(scope="module", params=SCENES)
def run(request, joint):
    scene = SCENES[request.param]
    return scene, simulate(joint, scene, seed=3)


def test_settling_is_the_last_time_outside_the_band(run):
    scene, trace = run
    _, _, target, band, fine = measure_row(scene)
    away = trace["joint_rad"][round(LEAD_S / trace.tick_s) :] - target
    assert trace.metrics.settling_2pct_s == pytest.approx(last_outside(away, band, trace.tick_s))
    assert trace.metrics.settling_count_s == pytest.approx(last_outside(away, fine, trace.tick_s))
    if scene is SCENES["never"]:
        assert trace.metrics.settling_2pct_s is None
    if scene is SCENES["up"]:
        assert 0.1 < trace.metrics.settling_2pct_s < 0.5


def test_overshoot_is_the_furthest_beyond_in_the_direction_of_the_step(run):
    scene, trace = run
    target = measure_row(scene)[2]
    way = np.sign(target - scene.start_rad)
    beyond = (trace["joint_rad"][round(LEAD_S / trace.tick_s) :] - target) * way
    assert trace.metrics.overshoot_rad == pytest.approx(max(beyond.max(), 0.0), abs=1e-12)


def test_steady_error_and_hunting_are_those_of_the_tail(run):
    scene, trace = run
    tail = trace["joint_rad"][round(tail_start(scene) / trace.tick_s) :]
    target = measure_row(scene)[2]
    assert trace.metrics.steady_error_rad == pytest.approx(abs((tail - target).mean()), abs=1e-12)
    assert trace.metrics.hunting_rad == pytest.approx(0.5 * np.ptp(tail), abs=1e-12)


def test_restlessness_reversals_and_tracking_are_those_of_the_drive(run):
    scene, trace = run
    first = round(LEAD_S / trace.tick_s)
    u = trace["allowed_V"]
    change = np.diff(u)[round(tail_start(scene) / trace.tick_s) - 1 :]
    assert trace.metrics.drive_noise_V == pytest.approx(np.sqrt((change**2).mean()), abs=1e-12)
    signs = np.sign(u[first:])
    signs = signs[signs != 0]
    assert trace.metrics.reversals == np.count_nonzero(np.diff(signs))
    apart = (trace["setpoint_rad"] - trace["joint_rad"])[first:]
    assert trace.metrics.tracking_rad == pytest.approx(np.sqrt((apart**2).mean()), abs=1e-12)


def test_peaks_bits_and_the_end_are_those_of_the_trace(run):
    scene, trace = run
    m = trace.metrics
    assert m.peak_current_A == pytest.approx(np.abs(trace["current_A"]).max())
    assert m.hottest_C == pytest.approx(trace["winding_C"].max())
    bits = trace["limits"].astype(int)
    for k, name in enumerate(metrics.LIMIT_NAMES):
        assert m.limit_ticks[name] == np.count_nonzero((bits >> k) & 1), name
    assert scene is not SCENES["up"] or m.limit_ticks["supply"] > 0
    assert m.mode == metrics.MODE_NAMES[int(trace["mode"][-1])] == "powered"
    # Rows of the trace stand at the ticks, peaks are taken at every substep.
    assert m.peak_tension_N >= max(trace["flexor_N"].max(), trace["extensor_N"].max())
    assert m.peak_tension_N == pytest.approx(
        max(trace["flexor_N"].max(), trace["extensor_N"].max()), rel=0.05
    )


def test_energy_is_that_of_voltage_and_current(run):
    """Duty of the tick before (computing delay) times 5 V, current between the rows."""
    _, trace = run
    duty = np.roll(trace["allowed_V"] / trace["bus_V"], 1)[:-1]
    current = 0.5 * (trace["current_A"][1:] + trace["current_A"][:-1])
    energy = (5.0 * duty * current).sum() * trace.tick_s
    # Within a tick the current bends: the mean of its ends misses some.
    assert trace.metrics.energy_J == pytest.approx(energy, rel=0.07)


def test_a_fault_is_named_with_the_time_of_its_trip(joint):
    trace = simulate(joint, joint.scenarios()["link_silent"])
    first = np.nonzero(trace["fault"])[0][0]
    assert trace.metrics.fault == "link silent"
    assert trace.metrics.fault_s == pytest.approx(first * trace.tick_s)
    assert trace.metrics.mode == "tripped"


def test_without_a_measured_command_there_is_no_settling(joint):
    scene = Scenario("idle", 0.5, 0.3)
    found = simulate(joint, scene).metrics
    assert (found.settling_2pct_s, found.settling_count_s, found.hunting_Hz) == (None, None, None)
    assert found.fault_s is None
    assert found.as_dict()["mode"] == "powered"


@pytest.mark.parametrize("hertz", [0.3, 1.0, 7.0])
def test_the_frequency_of_a_tail_counts_its_swings(hertz):
    t = np.arange(0.0, 10.0, 0.002)
    noise = np.random.default_rng(1).normal(0.0, 0.02, len(t))
    found = crossings_Hz(0.3 + np.sin(2.0 * np.pi * hertz * t + 0.4) + noise, 0.002)
    assert found == pytest.approx(hertz, abs=0.1)


@pytest.mark.parametrize("tail", [np.full(100, 0.75), np.array([0.1, 0.2])])
def test_a_tail_that_stands_has_no_frequency(tail):
    assert crossings_Hz(tail, 0.002) is None


def test_settling_of_a_batch_is_nan_where_it_never_came():
    found = metrics.settling(np.array([0, 10, 100]), np.array([100, 100, 100]), 0.01)
    np.testing.assert_allclose(found, [0.0, 0.1, np.nan])


def test_the_lowest_and_highest_angle_are_those_of_the_run(made):
    from sim.run.closed_loop import Fleet

    joint = made({"joint.range": ["-80 deg", "-10 deg"]})
    fleet = Fleet([joint.part], [25.0], joint.settings.tick_s, joint.delay_s, 1)
    found = fleet.run(joint.settings, joint.scenarios()["small_step"], 1)
    angles = found.traces[0]["joint_rad"]
    assert found.scores["high_rad"][0] == pytest.approx(angles.max(), abs=1e-3)
    assert found.scores["low_rad"][0] == pytest.approx(angles.min(), abs=1e-3)
