"""Each fault: seen at its threshold, not seen just below it."""

import math

import pytest

from controller.joint import faults, watch
from controller.joint.settings.settings import CONTINUOUS, Settings
from controller.joint.state import Evidence, Readings, State

H = 0.002


class Guard:
    """Fault watch alone: state and readings are put in by hand."""

    def __init__(self):
        self.settings, self.state, self.readings = Settings(), State(), Readings()

    def standing(self, ticks=1):
        found = faults.NONE
        for _ in range(ticks):
            found = watch.standing_fault(self.settings, self.state, self.readings)
        return found


@pytest.fixture
def guard():
    return Guard()


@pytest.mark.parametrize(("rail", "fault"), [(1, faults.WIPER_RAIL), (0, faults.SENSOR_JUMP)])
def test_implausible_readings_trip_at_their_number(guard, rail, fault):
    sensed = guard.state.sensed
    sensed.rail = rail
    sensed.odd_ticks = guard.settings.sensor.bad_ticks - 1
    assert guard.standing() == faults.NONE
    sensed.odd_ticks += 1
    assert guard.standing() == fault


@pytest.mark.parametrize(
    ("limit", "same", "held"), [(50, 49, False), (50, 50, True), (0, 9999, False)]
)
def test_a_held_reading_trips_at_its_number_and_never_when_off(guard, limit, same, held):
    guard.settings.sensor.held_ticks = limit
    guard.state.sensed.same_ticks = same
    assert guard.standing() == (faults.SENSOR_HELD if held else faults.NONE)


@pytest.mark.parametrize(("blind", "fault"), [(0.25, faults.NONE), (0.2501, faults.BLIND)])
def test_blind_travel_trips_beyond_its_time(guard, blind, fault):
    guard.state.sensed.blind_s = blind
    assert guard.standing() == fault


@pytest.mark.parametrize("side", [1, -1])
def test_over_travel_trips_after_its_ticks_in_a_row(guard, side):
    w = guard.settings.watch
    guard.state.sensed.angle_rad = side * (10.0 + w.over_travel_rad + 1e-6)
    assert guard.standing(w.over_travel_ticks - 1) == faults.NONE
    assert guard.standing() == faults.OVER_TRAVEL
    guard.state.sensed.angle_rad = side * (10.0 + w.over_travel_rad - 1e-6)
    assert guard.standing(10) == faults.NONE


@pytest.mark.parametrize("side", [1, -1])
def test_over_speed_trips_after_its_ticks_in_a_row(guard, side):
    w = guard.settings.watch
    guard.state.sensed.speed_rad_s = side * (w.over_speed_rad_s + 1e-6)
    assert guard.standing(w.over_speed_ticks - 1) == faults.NONE
    guard.state.sensed.speed_rad_s = side * w.over_speed_rad_s
    assert guard.standing() == faults.NONE
    guard.state.sensed.speed_rad_s = side * (w.over_speed_rad_s + 1e-6)
    assert guard.standing(w.over_speed_ticks) == faults.OVER_SPEED


def test_a_speed_that_is_no_number_is_over_speed(guard):
    guard.state.sensed.speed_rad_s = math.nan
    assert guard.standing(guard.settings.watch.over_speed_ticks) == faults.OVER_SPEED


@pytest.mark.parametrize("supply", [3.499, 0.0, math.nan])
def test_a_low_supply_trips_after_its_ticks_in_a_row(guard, supply):
    limits = guard.settings.limits
    limits.supply_low_V = 3.5
    guard.readings.supply_V = supply
    assert guard.standing(limits.supply_ticks - 1) == faults.NONE
    assert guard.standing() == faults.SUPPLY_LOW
    guard.readings.supply_V = 3.5
    assert guard.standing(100) == faults.NONE


@pytest.mark.parametrize(("celsius", "fault"), [(109.99, faults.NONE), (110.0, faults.TOO_HOT)])
def test_a_hot_winding_trips_at_its_temperature(guard, celsius, fault):
    guard.state.allowed.winding_C = celsius
    assert guard.standing() == fault


def test_late_ticks_trip_beyond_their_number(guard):
    most = guard.settings.watch.late_ticks
    guard.readings.steps = 2
    assert guard.standing(most) == faults.NONE
    assert guard.standing() == faults.LATE_TICKS


def test_sixteen_ticks_in_time_make_up_for_a_late_one(guard):
    for _ in range(10 * guard.settings.watch.late_ticks):
        guard.readings.steps = 2
        assert guard.standing() == faults.NONE
        guard.readings.steps = 1
        assert guard.standing(16) == faults.NONE
    assert guard.state.evidence.late_sixteenths == 0


def test_one_very_late_tick_counts_every_tick_missed(guard):
    guard.readings.steps = guard.settings.watch.late_ticks + 2
    assert guard.standing() == faults.LATE_TICKS


@pytest.mark.parametrize(
    "fault", [faults.SETTINGS_DIFFER, faults.WATCHDOG_RESET, faults.STANDSTILL]
)
def test_a_fault_found_outside_is_passed_on_before_all_others(guard, fault):
    guard.readings.outside_fault = fault
    guard.state.allowed.winding_C = 200.0
    guard.state.sensed.odd_ticks = 99
    assert guard.standing() == fault


@pytest.mark.parametrize(
    ("where", "field", "spoil"),
    [
        ("watch", "over_travel_rad", lambda g: setattr(g.state.sensed, "angle_rad", 99.0)),
        ("watch", "over_speed_rad_s", lambda g: setattr(g.state.sensed, "speed_rad_s", 999.0)),
        ("watch", "late_ticks", lambda g: setattr(g.readings, "steps", 500)),
        ("limits", "supply_low_V", lambda g: setattr(g.readings, "supply_V", 0.0)),
        ("heat", "resistance_25_ohm", lambda g: setattr(g.state.allowed, "winding_C", 500.0)),
        ("sensor", "held_ticks", lambda g: setattr(g.state.sensed, "same_ticks", 10**6)),
    ],
)
def test_zero_turns_a_watch_off(guard, where, field, spoil):
    setattr(getattr(guard.settings, where), field, 0)
    spoil(guard)
    assert guard.standing(50) == faults.NONE


def test_continuous_travel_is_never_over(guard):
    guard.settings.sensor.travel = CONTINUOUS
    guard.state.sensed.angle_rad = 24.0
    assert guard.standing(50) == faults.NONE


@pytest.mark.parametrize(
    ("field", "setting", "fault"),
    [
        ("wrong_rad", "wrong_rad", faults.REVERSED),
        ("still_s", "still_s", faults.NO_MOTION),
        ("slow_s", "slow_s", faults.BLOCKED),
    ],
)
def test_evidence_of_motion_trips_beyond_its_threshold(field, setting, fault):
    w, e = Settings().watch, Evidence()
    setattr(e, field, getattr(w, setting))
    assert watch.motion_fault(w, e, 0) == faults.NONE
    setattr(e, field, getattr(w, setting) * 1.0001)
    assert watch.motion_fault(w, e, 0) == fault
    assert watch.motion_fault(w, e, 1) == (fault if fault == faults.REVERSED else faults.NONE)
    setattr(w, setting, 0.0)
    assert watch.motion_fault(w, e, 0) == faults.NONE


@pytest.mark.parametrize(
    ("error", "trips"), [(0.2, False), (-0.2, False), (0.21, True), (-9.0, True)]
)
def test_a_following_error_trips_when_it_lasts(error, trips):
    w, e = Settings().watch, Evidence()
    w.following_rad = 0.2
    found = [watch.following_fault(w, e, error, H) for _ in range(400)]
    if not trips:
        assert set(found) == {faults.NONE}
        return
    first = found.index(faults.FOLLOWING)
    assert first * H == pytest.approx(w.following_s, abs=2 * H)
    assert watch.following_fault(w, e, 0.0, H) == faults.NONE
    assert watch.following_fault(w, e, error, H) == faults.NONE
