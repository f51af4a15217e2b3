"""STOP, controlled stop and release."""

import numpy as np
import pytest

from controller.joint import faults, supervisor
from controller.joint.modes import (
    ARM,
    CHECKING,
    CONTROLLED_STOP,
    DRIVE_OFF,
    OFF,
    POWERED,
    RELEASE,
    SECOND,
    STOP,
    STOPPING,
    TRIPPED,
)
from controller.joint.settings.settings import Settings
from controller.joint.state import State
from sim.model import schedule
from sim.run.closed_loop import simulate
from sim.run.scenarios import Scenario


def moving(bench, ticks=15):
    """A powered joint in a move, its drive on, with no plant to move it."""
    w = bench.settings.watch
    w.still_s = w.slow_s = 0.0
    bench.target(3.0)
    assert bench.tick(ticks) != 0.0
    return bench


def checking(bench):
    bench.settings.stopping.check_V = 2.0
    bench.ask(ARM)
    assert bench.tick(20) != 0.0


def releasing(bench):
    bench.ask(ARM)
    moving(bench, 40)
    assert bench.ask(RELEASE) == STOPPING
    assert bench.tick(5) != 0.0


def easing(bench):
    bench.ask(ARM)
    moving(bench)
    bench.ask(CONTROLLED_STOP)
    assert bench.tick() != 0.0


def off(bench):
    bench.tick(3)


def armed(bench):
    bench.ask(ARM)
    moving(bench)


def tripped(bench):
    bench.ask(STOP)


@pytest.mark.parametrize("kind", [0, 1])
@pytest.mark.parametrize(
    "bring", [off, checking, armed, easing, releasing, tripped], ids=lambda f: f.__name__
)
def test_stop_takes_the_drive_away_in_the_same_tick_in_every_mode(bench, bring, kind):
    bench.settings.drive.kind = kind
    bring(bench)
    bench.command.request = STOP
    bench.command.kind, bench.command.target_rad = 1, 3.0  # a setpoint in the same tick
    assert bench.tick() == 0.0
    assert bench.report.mode == TRIPPED
    assert (bench.report.drive, bench.report.allowed_V) == (0.0, 0.0)
    assert bench.state.output.value == 0.0
    assert bench.command.refused == 1
    for _ in range(50):
        assert bench.tick() == 0.0


def stopping_times(bench):
    """Ticks spent stopping, by phase (0 controlled stop, 1 release)."""
    times = [0, 0]
    while bench.report.mode == STOPPING:
        times[bench.state.mode.phase] += 1
        bench.tick()
        assert sum(times) < 5000
    return times


@pytest.mark.parametrize("deadline", [0.0, 0.02, 0.1])
def test_a_controlled_stop_ends_by_its_deadline(bench, deadline):
    """The profile needs 3 s to stop, the deadline comes first."""
    bench.settings.profile.acceleration_rad_s2 = 1.0
    bench.settings.stopping.deadline_s = deadline
    bench.ask(ARM)
    moving(bench, 300)
    bench.ask(CONTROLLED_STOP)
    ticks = stopping_times(bench)[0]
    assert ticks * bench.settings.tick_s == pytest.approx(deadline, abs=1.5 * bench.settings.tick_s)
    assert bench.report.drive == 0.0


def test_a_controlled_stop_brings_the_setpoint_to_rest_within_limits(bench):
    bench.ask(ARM)
    moving(bench, 60)
    speed = [bench.report.setpoint_rad_s]
    bench.ask(CONTROLLED_STOP)
    while bench.report.mode == STOPPING:
        speed.append(bench.report.setpoint_rad_s)
        bench.tick()
    most = bench.settings.profile.acceleration_rad_s2 * bench.settings.tick_s
    assert speed[0] > 1.0
    assert speed[-1] == pytest.approx(0.0, abs=1.5 * most)
    assert np.abs(np.diff(speed)).max() <= most * (1 + 1e-9)
    assert len(speed) * bench.settings.tick_s < bench.settings.stopping.deadline_s


@pytest.mark.parametrize("way", [1, -1])
def test_a_release_runs_against_the_last_push(bench, way):
    bench.ask(ARM)
    w = bench.settings.watch
    w.still_s = w.slow_s = 0.0
    bench.target(2.0 + way)
    bench.tick(40)
    assert bench.report.allowed_V * way > w.friction_V
    bench.ask(RELEASE)
    seen = []
    while bench.report.mode == STOPPING:
        seen.append(bench.report.allowed_V * way)
        bench.tick()
    assert max(seen[1:]) < 0.0


@pytest.mark.parametrize("limit_s", [0.02, 0.08])
def test_a_release_is_bounded_in_time_and_force(bench, limit_s):
    bench.settings.stopping.release_s = limit_s
    bench.settings.stopping.release_V = 50.0
    bench.settings.limits.check_current_A = 0.2
    bench.ask(ARM)
    moving(bench, 40)
    bench.ask(RELEASE)
    ticks = 0
    while bench.report.mode == STOPPING:
        reach = 0.2 * bench.settings.limits.resistance_ohm
        assert abs(bench.report.allowed_V) <= reach + 1e-12
        ticks += 1
        bench.tick()
    assert ticks * bench.settings.tick_s == pytest.approx(limit_s, abs=1.5 * bench.settings.tick_s)


def test_a_release_is_bounded_in_angle(bench):
    bench.ask(ARM)
    moving(bench, 40)
    s = bench.settings.stopping
    s.release_s, s.release_rad = 5.0, 0.1
    bench.ask(RELEASE)
    for back in (0.03, 0.06, 0.095):
        bench.place(2.0 - back)
        bench.tick()
        assert bench.report.mode == STOPPING
    bench.place(2.0 - 0.101)
    assert bench.tick() == 0.0
    assert bench.report.mode != STOPPING


def test_without_a_release_voltage_a_release_is_just_off(powered):
    powered.settings.stopping.release_V = 0.0
    moving(powered, 40)
    powered.command.request = RELEASE
    assert powered.tick() == 0.0
    assert powered.report.mode != STOPPING


def pressing(nominal, start, self_test, request):
    """Grip an object, then ask: time series of the run, and the tick of the request."""
    scene = Scenario("press", start, 3.0, object_Nm_rad=30.0, self_test=self_test)
    scene.at(0.0, schedule.OBJECT, start + 0.25, 30.0, 0.0).at(1.2, schedule.GRIP, start + 0.5)
    scene.at(2.4, schedule.REQUEST, float(request))
    return simulate(nominal, scene), round(2.4 / nominal.settings.tick_s)


def test_a_blocked_move_ends_in_a_release_that_lets_go(nominal):
    scene = Scenario("blocked", 0.35, 1.6, object_Nm_rad=30.0)
    scene.at(0.0, schedule.OBJECT, 0.9, 30.0, 0.0).at(0.12, schedule.TARGET, 1.3)
    trace = simulate(nominal, scene)
    stopping = np.nonzero(trace["mode"] == STOPPING)[0]
    assert trace.metrics.fault == "blocked"
    assert trace["fault"][-1] == faults.BLOCKED
    assert trace["tip_N"][stopping[0] - 1] > 3.0
    assert (trace["allowed_V"][stopping[1:]] < 0.0).all()
    assert trace["tip_N"][-1] == 0.0


@pytest.mark.parametrize(
    ("start", "self_test"),
    [
        (0.35, False),
        (1.0, True),
        (0.35, True),
    ],
)
def test_a_release_from_a_grip_lets_go(nominal, start, self_test):
    trace, at = pressing(nominal, start, self_test, RELEASE)
    assert trace["mode"][at - 1] == POWERED
    assert trace["tip_N"][at - 1] > 1.0
    stopping = trace["mode"][at:] == STOPPING
    assert stopping.any()
    assert (trace["allowed_V"][at:][stopping] <= 0.0).all()
    assert trace["tip_N"][-1] == 0.0


def test_switching_off_alone_does_not_let_go(nominal):
    """Why a release exists: gear friction keeps pressing."""
    trace, at = pressing(nominal, 0.35, False, STOP)
    assert trace["mode"][-1] == TRIPPED
    # a fifth of the grip here; 17 to 74 % over parts and objects (own study)
    assert trace["tip_N"][-1] > 0.15 * trace["tip_N"][at - 1] > 0.0
    assert CHECKING not in trace["mode"]


# --- one release a stop, no harder than the move that it ends


def pushed(bench):
    """A powered joint that has pushed for a while, its way known."""
    bench.ask(ARM)
    moving(bench, 40)
    assert bench.state.mode.push_sign == 1.0
    return bench


def rest_of_release(bench):
    for _ in range(200):
        bench.tick()
        if bench.report.mode != STOPPING:
            return
    raise AssertionError("it never ended")


def test_a_joint_is_released_once_a_stop(bench):
    pushed(bench).ask(DRIVE_OFF)
    assert bench.ask(RELEASE) == STOPPING
    rest_of_release(bench)
    assert bench.state.mode.push_sign == 0.0
    assert bench.ask(RELEASE) == OFF
    assert bench.tick(5) == 0.0


def test_a_joint_that_was_never_driven_is_not_released(bench):
    bench.tick(5)
    assert bench.ask(RELEASE) == OFF
    assert bench.tick(5) == 0.0


def test_the_way_of_an_earlier_run_is_forgotten_at_arming(bench):
    pushed(bench).ask(DRIVE_OFF)
    bench.ask(ARM)
    assert bench.state.mode.push_sign == 0.0


def test_a_release_that_moves_against_the_drive_trips(bench):
    """With swapped wires it would run into the stop."""
    pushed(bench).ask(DRIVE_OFF)
    bench.settings.stopping.release_s = 5.0
    bench.settings.stopping.release_V = 2.3  # beyond what the watch grants to friction
    bench.ask(RELEASE)
    angle = 2.0
    for _ in range(400):
        angle += 0.004
        bench.place(angle)
        bench.tick()
        if bench.report.mode != STOPPING:
            break
    assert (bench.report.mode, bench.report.fault) == (TRIPPED, faults.REVERSED)
    assert angle - 2.0 < 0.3


@pytest.mark.parametrize("grip", [0, 1])
def test_a_controlled_stop_keeps_the_limit_of_the_move_that_it_ends(bench, grip):
    """The self-test's current is no licence to press harder at the end."""
    s = bench.settings
    s.limits.current_A, s.limits.grip_current_A, s.limits.check_current_A = 0.1, 0.05, 5.0
    bench.ask(ARM)
    moving(bench, 30)
    if grip:
        bench.target(3.0, grip=1)
        bench.tick(30)
    bench.state.loop.integral_V = 4.0  # it presses with all that it may
    bench.ask(CONTROLLED_STOP)
    amps = s.limits.grip_current_A if grip else s.limits.current_A
    seen = 0
    while bench.report.mode == STOPPING:
        assert bench.report.allowed_V <= s.limits.resistance_ohm * amps + 1e-9
        seen += bench.report.allowed_V > 0.0
        bench.tick()
    assert seen > 0


@pytest.mark.parametrize("fault", [faults.BLOCKED, faults.NO_MOTION])
def test_a_joint_that_pressed_on_something_lets_go_as_it_stops(fault):
    """Either fault may stand for a finger that holds somebody: the stop begins with the release."""
    settings, state = Settings(), State()
    state.mode.mode = POWERED
    supervisor.answer_fault(settings, state.mode, fault, 0.5)
    assert (state.mode.mode, state.mode.phase) == (STOPPING, SECOND)
