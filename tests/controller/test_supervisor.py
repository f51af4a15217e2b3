"""Every transition of the mode diagram; stops and the self-test stand beside."""

import pytest

from controller.joint import faults
from controller.joint.modes import (
    ARM,
    CHECKING,
    CLEAR,
    CONTROLLED_STOP,
    DRIVE_OFF,
    OFF,
    POWERED,
    RELEASE,
    STOP,
    STOPPING,
    TRIPPED,
)
from controller.joint.supervisor import last_gate

MODES = (OFF, CHECKING, POWERED, STOPPING, TRIPPED)


def bring(bench, mode):
    """Bring a fresh bench into a mode the way a person would."""
    if mode == CHECKING:
        bench.settings.stopping.check_V = 2.0
    if mode in (CHECKING, POWERED, STOPPING):
        bench.ask(ARM)
    if mode == STOPPING:
        bench.target(3.0)
        bench.tick(15)
        bench.ask(CONTROLLED_STOP)
    if mode == TRIPPED:
        bench.ask(STOP)
    assert bench.report.mode == mode
    return bench


def hot(bench):
    bench.state.allowed.winding_C = 500.0


def lost(bench):
    bench.readings.outside_fault = faults.STANDSTILL


@pytest.mark.parametrize(
    ("mode", "request_", "after"),
    [
        (OFF, ARM, POWERED),
        (OFF, DRIVE_OFF, OFF),
        (OFF, CLEAR, OFF),
        (OFF, CONTROLLED_STOP, OFF),
        (CHECKING, ARM, CHECKING),
        (CHECKING, DRIVE_OFF, OFF),
        (CHECKING, RELEASE, CHECKING),
        (CHECKING, CONTROLLED_STOP, OFF),
        (CHECKING, CLEAR, CHECKING),
        (POWERED, ARM, POWERED),
        (POWERED, CLEAR, POWERED),
        (POWERED, DRIVE_OFF, OFF),
        (POWERED, CONTROLLED_STOP, OFF),  # it stands still: the controlled stop is over at once
        (STOPPING, ARM, STOPPING),
        (STOPPING, CLEAR, STOPPING),
        (STOPPING, CONTROLLED_STOP, STOPPING),
        (STOPPING, RELEASE, STOPPING),
        (STOPPING, DRIVE_OFF, OFF),
        (TRIPPED, ARM, TRIPPED),
        (TRIPPED, DRIVE_OFF, TRIPPED),
        (TRIPPED, RELEASE, TRIPPED),
        (TRIPPED, CONTROLLED_STOP, TRIPPED),
        (TRIPPED, CLEAR, OFF),
        *[(mode, STOP, TRIPPED) for mode in MODES],
        *[(mode, 7, mode) for mode in MODES],  # no such request
    ],
)
def test_a_request_leads_where_the_diagram_says(bench, mode, request_, after):
    bring(bench, mode)
    assert bench.ask(request_) == after
    assert bench.command.request == 0


def test_arming_with_a_self_test_goes_through_checking(bench):
    bench.settings.stopping.check_V = 2.0
    assert bench.ask(ARM) == CHECKING


@pytest.mark.parametrize("spoil", [hot, lost])
def test_arming_with_a_fault_standing_trips(bench, spoil):
    spoil(bench)
    assert bench.ask(ARM) == TRIPPED


@pytest.mark.parametrize("mode", [CHECKING, POWERED, STOPPING])
def test_a_fault_of_category_0_trips_every_driven_mode_in_the_same_tick(bench, mode):
    lost(bring(bench, mode))
    assert bench.tick() == 0.0
    assert (bench.report.mode, bench.report.fault) == (TRIPPED, faults.STANDSTILL)


@pytest.mark.parametrize("mode", [CHECKING, POWERED, STOPPING])
@pytest.mark.parametrize(("age", "trips"), [(0.08, False), (0.0801, True), (float("nan"), True)])
def test_a_silent_link_trips_every_driven_mode(bench, mode, age, trips):
    bring(bench, mode).readings.link_age_s = age
    bench.tick()
    assert (bench.report.fault == faults.LINK_SILENT) == trips
    assert (bench.report.mode == TRIPPED) == trips


@pytest.mark.parametrize(
    ("mode", "out"),
    [(OFF, 0.0), (CHECKING, 3.0), (POWERED, 3.0), (STOPPING, 3.0), (TRIPPED, 0.0)],
)
def test_the_last_gate_is_shut_in_every_mode_without_drive(bench, mode, out):
    bench.state.mode.mode = mode
    assert last_gate(bench.state.mode, 3.0) == out
    assert last_gate(bench.state.mode, float("nan")) == 0.0 or out != 0.0


def test_a_silent_link_is_no_fault_of_a_joint_that_is_off(bench):
    bench.readings.link_age_s = 99.0
    bench.tick(5)
    assert (bench.report.mode, bench.report.fault) == (OFF, faults.NONE)


def test_a_fault_of_category_1_stops_a_moving_joint_and_then_trips(powered):
    powered.target(3.0)
    powered.tick(15)
    hot(powered)
    powered.tick()
    assert (powered.report.mode, powered.report.fault) == (STOPPING, faults.NONE)
    powered.tick(200)
    assert (powered.report.mode, powered.report.fault) == (TRIPPED, faults.TOO_HOT)


def test_a_fault_of_category_1_trips_the_self_test_at_once(bench):
    hot(bring(bench, CHECKING))
    bench.tick()
    assert (bench.report.mode, bench.report.fault) == (TRIPPED, faults.TOO_HOT)


def test_a_category_0_fault_during_a_controlled_stop_ends_it_at_once(powered):
    powered.target(3.0)
    powered.tick(15)
    hot(powered)
    powered.tick()
    lost(powered)
    assert powered.tick() == 0.0
    assert (powered.report.mode, powered.report.fault) == (TRIPPED, faults.STANDSTILL)


@pytest.mark.parametrize("request_", [ARM, DRIVE_OFF, RELEASE, CONTROLLED_STOP, STOP])
def test_a_trip_latches_and_its_first_cause_stays(bench, request_):
    lost(bring(bench, POWERED))
    bench.tick()
    bench.readings.outside_fault = faults.WATCHDOG_RESET
    bench.tick(20)
    bench.readings.outside_fault = faults.NONE
    for _ in range(20):
        assert bench.ask(request_) == TRIPPED
        assert (bench.report.fault, bench.report.drive) == (faults.STANDSTILL, 0.0)


def test_clear_needs_the_cause_gone_and_never_arms(bench):
    lost(bring(bench, POWERED))
    bench.tick()
    assert bench.ask(CLEAR) == TRIPPED
    bench.readings.outside_fault = faults.NONE
    bench.tick(5)
    assert bench.report.mode == TRIPPED
    assert bench.ask(CLEAR) == OFF
    bench.tick(50)
    assert (bench.report.mode, bench.report.fault, bench.report.drive) == (OFF, 0, 0.0)
    assert bench.ask(ARM) == POWERED


def test_a_fault_of_category_1_latches_although_the_host_disarms_during_its_stop(powered):
    powered.target(3.0)
    powered.tick(15)
    hot(powered)
    powered.tick()
    powered.state.allowed.winding_C = 25.0
    powered.ask(DRIVE_OFF)
    assert (powered.report.mode, powered.report.fault) == (TRIPPED, faults.TOO_HOT)


def test_after_a_following_error_a_cleared_joint_can_be_armed_again(powered):
    w = powered.settings.watch
    w.still_s = w.slow_s = 0.0
    w.following_rad, w.following_s = 0.05, 0.05
    powered.target(6.0)
    powered.tick(400)
    assert (powered.report.mode, powered.report.fault) == (TRIPPED, faults.FOLLOWING)
    assert powered.ask(CLEAR) == OFF
    assert powered.ask(ARM) == POWERED


@pytest.mark.parametrize("mode", [OFF, CHECKING, STOPPING, TRIPPED])
def test_setpoints_are_refused_in_every_mode_but_powered(bench, mode):
    bring(bench, mode)
    want = bench.state.motion.target_rad
    assert bench.target(2.5) == 1
    assert bench.command.kind == 0
    assert bench.state.motion.target_rad == want


def test_arming_begins_at_the_measured_angle_with_nothing_left_over(bench):
    bring(bench, POWERED).target(3.0)
    bench.settings.gains.ki = 50.0
    bench.tick(15)
    bench.ask(DRIVE_OFF)
    bench.place(1.9)
    bench.ask(ARM)
    assert bench.report.setpoint_rad == bench.report.angle_rad == pytest.approx(1.9)
    assert (bench.report.demand_V, bench.report.drive) == (0.0, 0.0)
    bench.tick(20)
    assert abs(bench.report.drive) == 0.0
