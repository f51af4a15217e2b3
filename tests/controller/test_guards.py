"""Small guards of the supervisor, the watch and the loop, each by itself."""

import pytest

from controller.joint import faults, modes, pid, supervisor, watch
from controller.joint.modes import (
    ARM,
    CLEAR,
    CONTROLLED_STOP,
    DRIVE_OFF,
    OFF,
    POWERED,
    RELEASE,
    STOPPING,
    TRIPPED,
)
from controller.joint.settings.settings import Gains, Settings
from controller.joint.state import Evidence, Loop, Mode


def gripping(bench):
    bench.ask(ARM)
    bench.target(2.2, grip=1)
    assert bench.state.mode.grip == 1
    return bench


@pytest.mark.parametrize("request_", [DRIVE_OFF, modes.STOP])
def test_a_grip_ends_with_the_drive(bench, request_):
    gripping(bench).ask(request_)
    assert bench.state.mode.grip == 0


def test_a_grip_ends_with_a_disarm_in_the_middle_of_a_stop(bench):
    gripping(bench).ask(CONTROLLED_STOP)
    assert (bench.report.mode, bench.state.mode.grip) == (STOPPING, 1)
    bench.ask(DRIVE_OFF)
    assert (bench.report.mode, bench.state.mode.grip) == (OFF, 0)


# --- which way it pushed last


@pytest.mark.parametrize(
    ("known", "push", "found"),
    [
        (0.0, 0.05, 0.0), (0.0, 0.09, 0.0), (0.0, 0.11, 1.0), (0.0, -0.11, -1.0),
        (1.0, 0.2, 1.0), (1.0, -0.11, 1.0), (1.0, -0.49, 1.0), (1.0, -0.51, -1.0),
        (-1.0, 0.49, -1.0), (-1.0, 0.51, 1.0), (-1.0, -0.11, -1.0),
    ],
)  # fmt: skip
def test_a_weak_push_decides_only_where_nothing_is_known(known, push, found):
    """In shares of what friction takes: 0.1 where nothing is known, 0.5 to turn it round."""
    settings, mode = Settings(), Mode()
    mode.push_sign = known
    supervisor.remember_push(settings, mode, push * settings.limits.friction_V)
    assert mode.push_sign == found


# --- what stands, and what latches


def test_there_is_no_release_while_a_cause_stands(bench):
    bench.ask(ARM)
    bench.state.mode.push_sign = 1.0
    bench.settings.sensor.bad_ticks = 1000
    bench.state.allowed.winding_C = 200.0
    bench.command.request = RELEASE
    bench.tick()
    assert bench.report.fault in (faults.NONE, faults.TOO_HOT)
    assert bench.state.mode.phase != modes.SECOND


def test_the_first_fault_of_a_stop_is_the_one_that_latches(bench):
    bench.ask(ARM)
    m, settings = bench.state.mode, bench.settings
    supervisor.answer_fault(settings, m, faults.FOLLOWING, 2.0)
    assert (m.mode, m.next_fault) == (STOPPING, faults.FOLLOWING)
    supervisor.answer_fault(settings, m, faults.TOO_HOT, 2.0)
    assert m.next_fault == faults.FOLLOWING
    supervisor.end_stop(m)
    assert (m.mode, m.fault) == (TRIPPED, faults.FOLLOWING)


def test_a_later_trip_does_not_overwrite_the_first():
    m = Mode()
    supervisor.trip(m, faults.REVERSED)
    supervisor.trip(m, faults.STOP_PRESSED)
    assert m.fault == faults.REVERSED


def test_clear_forgets_a_fault_that_was_to_come(bench):
    bench.ask(modes.STOP)
    bench.state.mode.next_fault = faults.FOLLOWING
    bench.ask(CLEAR)
    assert (bench.state.mode.fault, bench.state.mode.next_fault) == (faults.NONE, faults.NONE)


def test_arming_forgets_a_fault_that_was_to_come(bench):
    bench.tick()
    bench.state.mode.next_fault = faults.FOLLOWING
    bench.ask(ARM)
    assert bench.state.mode.next_fault == faults.NONE
    bench.ask(CONTROLLED_STOP)
    while bench.report.mode == STOPPING:
        bench.tick()
    assert bench.report.mode == OFF, "a sound stop latches nothing"


# --- evidence of motion


def test_slack_is_taken_up_once_a_reversal_not_at_every_push():
    settings, e = Settings(), Evidence()
    w = settings.watch
    w.lost_rad, w.friction_V = 0.1, 1.0
    watch.expect(w, e, 2.0, 0.0, 0.002)
    assert e.slack_rad == 0.1
    e.slack_rad = 0.0
    watch.expect(w, e, 0.5, 0.0, 0.002)  # no push beyond friction
    watch.expect(w, e, 2.0, 0.0, 0.002)  # again the same way
    assert e.slack_rad == 0.0
    watch.expect(w, e, -2.0, 0.0, 0.002)  # the other way
    assert e.slack_rad == 0.1


def test_a_tick_longer_than_the_tracking_time_takes_the_integral_no_further_than_there():
    """share = h / Tt, at most 1: more would throw it to the other side."""
    g, loop = Gains(), Loop()
    g.ki, g.tracking_s = 1e-9, 0.01
    loop.integral_V = loop.demand_V = 3.0
    pid.settle(g, loop, 1.0, 0.05)
    assert loop.integral_V == pytest.approx(1.0)


def test_powered_is_what_the_tests_above_mean(powered):
    assert powered.report.mode == POWERED
