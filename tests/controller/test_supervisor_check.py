"""The arming self-test, by hand and on the simulated joint."""

import numpy as np
import pytest

from controller.joint import faults, supervisor
from controller.joint.modes import ARM, CHECKING, OFF, POWERED, SECOND, TRIPPED
from controller.joint.settings.settings import Settings
from sim.model import schedule, sensor
from sim.run.closed_loop import simulate
from sim.run.scenarios import Scenario


@pytest.fixture
def checking(bench):
    bench.settings.limits.travel_low_rad, bench.settings.limits.travel_high_rad = 0.0, 8.0
    bench.settings.stopping.check_V = 2.0
    bench.ask(ARM)
    assert bench.report.mode == CHECKING
    return bench


def push(bench, ticks):
    """Voltages of the coming ticks, while the joint stands still."""
    seen = []
    for _ in range(ticks):
        bench.tick()
        seen.append(bench.report.allowed_V)
    return np.array(seen)


def test_both_strokes_the_right_way_arm_the_joint(checking):
    first = push(checking, 50)
    assert (np.diff(first) >= -1e-12).all()
    assert first[-1] > 0.0
    checking.place(2.0 + 0.036)
    checking.tick()
    assert checking.report.mode == CHECKING
    back = push(checking, 50)
    assert back[-1] < 0.0
    checking.place(2.0)
    checking.tick()
    assert (checking.report.mode, checking.report.fault) == (POWERED, faults.NONE)
    assert checking.report.setpoint_rad == checking.report.angle_rad


@pytest.mark.parametrize(("angle", "sign"), [(0.5, 1.0), (3.5, -1.0)])
def test_the_first_stroke_leads_away_from_the_nearer_end(bench, angle, sign):
    bench.settings.limits.travel_low_rad, bench.settings.limits.travel_high_rad = 0.0, 4.0
    bench.settings.stopping.check_V = 2.0
    bench.place(angle)
    bench.ask(ARM)
    assert push(bench, 30)[-1] * sign > 0.0


def test_no_motion_fails_the_test_at_its_time(checking):
    ticks = 0
    while checking.report.mode == CHECKING:
        checking.tick()
        ticks += 1
    assert (checking.report.mode, checking.report.fault) == (TRIPPED, faults.CHECK_FAILED)
    wanted = checking.settings.stopping.check_s
    assert ticks * checking.settings.tick_s == pytest.approx(wanted, abs=2.5e-3)


@pytest.mark.parametrize(("ticks", "trips"), [(25, False), (80, True)])
def test_motion_the_wrong_way_is_reversed_once_the_push_is_strong_enough(checking, ticks, trips):
    """Below a quarter of the voltage a movement is somebody's hand, not the motor."""
    push(checking, ticks)
    checking.place(2.0 - 0.036)
    assert (checking.tick() == 0.0) == trips
    assert checking.report.fault == (faults.REVERSED if trips else faults.NONE)


def test_the_push_of_the_test_keeps_to_its_own_current_limit(checking):
    checking.settings.limits.check_current_A = 0.05
    reach = 0.05 * checking.settings.limits.resistance_ohm
    assert np.abs(push(checking, 150)).max() == pytest.approx(reach)


def arm(nominal, *rows, start=0.35):
    scene = Scenario("arming", start, 1.5, self_test=True)
    for row in rows:
        scene.at(*row)
    return simulate(nominal, scene)


@pytest.mark.parametrize("start", [0.0, 0.35, 1.0, 1.7])
def test_a_sound_joint_passes(nominal, start):
    trace = arm(nominal, start=start)
    assert (trace.metrics.mode, trace.metrics.fault) == ("powered", "none")
    assert np.abs(trace["joint_rad"] - start).max() < 0.15
    assert set(trace["mode"]) == {OFF, CHECKING, POWERED}


@pytest.mark.parametrize("start", [0.35, 1.4])
def test_a_swapped_motor_is_reversed(nominal, start):
    trace = arm(nominal, (0.0, schedule.WIRED_WRONG, 1.0), start=start)
    assert trace["fault"][-1] == faults.REVERSED
    assert np.abs(trace["joint_rad"] - start).max() < 0.15


@pytest.mark.parametrize(
    ("rows", "expected"),
    [
        ([(0.0, schedule.MOTOR_OPEN, 1.0)], {faults.CHECK_FAILED}),
        ([(0.0, schedule.CUT, 0.0), (0.0, schedule.CUT, 1.0)], {faults.CHECK_FAILED}),
        ([(0.0, schedule.CUT, 1.0)], {faults.CHECK_FAILED}),
        # The cut cable's partner pulls the joint back while the drum winds the loose end.
        ([(0.0, schedule.CUT, 0.0)], {faults.CHECK_FAILED, faults.REVERSED}),
        (
            [(0.005, schedule.SENSOR, float(sensor.HELD))],
            {faults.SENSOR_HELD, faults.CHECK_FAILED},
        ),
    ],
    ids=["motor open", "both cables cut", "extensor cut", "flexor cut", "sensor held"],
)
def test_what_does_not_move_the_joint_fails_the_test(nominal, rows, expected):
    trace = arm(nominal, *rows)
    assert trace["mode"][-1] == TRIPPED
    assert int(trace["fault"][-1]) in expected
    assert (trace["mode"] != POWERED).all()


def test_the_named_scenarios_say_the_same(nominal):
    known = nominal.scenarios()
    assert simulate(nominal, known["arming"]).metrics.fault == "none"
    assert simulate(nominal, known["arming_swapped"])["fault"][-1] == faults.REVERSED


@pytest.mark.parametrize("angle", [-1.0, 5.0])
def test_the_stroke_is_a_direction_and_no_strength(angle):
    assert abs(supervisor.first_stroke(Settings().limits, angle)) == 1.0


def test_motion_the_right_way_counts_from_the_first_weak_push_on(checking):
    """A joint of little friction is there before a quarter of the push is reached."""
    s, m = checking.settings.stopping, checking.state.mode
    for k in range(1, 5):
        supervisor.check(s, m, 2.0 + 0.3 * k * s.check_rad, 0.002)
        assert abs(m.open_V) < 0.25 * s.check_V
    assert m.phase == SECOND
