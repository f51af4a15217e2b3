import math
from itertools import product

import pytest

from controller.joint import heat, limits
from controller.joint.settings.settings import CONTINUOUS, Settings
from controller.joint.state import Allowed, Sensed

H = 0.002
SPEEDS = (-30.0, -8.0, -0.5, 0.0, 0.5, 8.0, 30.0)


class Gate:
    """Stage 6 alone, at one angle and speed."""

    def __init__(self, angle=0.0, speed=0.0, supply=5.0, amps=0.5):
        self.settings = Settings()
        self.settings.limits.slew_V_s = 0.0
        self.st, self.sensed = Allowed(), Sensed()
        self.sensed.angle_rad, self.sensed.speed_rad_s = angle, speed
        self.supply, self.amps = supply, amps

    def allow(self, u):
        s = self.settings.limits
        emf = limits.back_emf(s, self.st, self.sensed, 0.0)
        return limits.allow(
            self.settings, self.st, u, self.sensed, self.supply, emf, self.amps, s.speed_rad_s, H
        )


def bent(**changes):
    gate = Gate()
    for name, value in changes.items():
        setattr(gate.settings.limits, name, value)
    return gate


def warm(gate, celsius):
    gate.st.winding_C = celsius
    return gate


@pytest.mark.parametrize(
    ("gate", "u", "bit"),
    [
        (Gate(angle=9.999), 3.0, limits.TRAVEL),
        (Gate(angle=-9.999), -3.0, limits.TRAVEL),
        (Gate(angle=9.999, speed=3.0), 0.0, limits.TRAVEL),
        (Gate(speed=14.0), 5.0, limits.SPEED),
        (Gate(speed=-14.0), -5.0, limits.SPEED),
        (Gate(speed=22.0), 0.0, limits.SPEED),
        (Gate(amps=0.1), 3.0, limits.FORCE),
        (Gate(amps=0.1), -3.0, limits.FORCE),
        (bent(slew_V_s=100.0), 1.0, limits.SLEW),
        (bent(slew_V_s=100.0), -1.0, limits.SLEW),
        (Gate(supply=2.0), 3.0, limits.SUPPLY),
        (Gate(supply=2.0), -3.0, limits.SUPPLY),
        (bent(full_duty=0.5), 3.0, limits.SUPPLY),
        (warm(Gate(), 90.0), 0.1, limits.HEAT),
    ],
)
def test_a_limit_that_binds_sets_its_bit_and_no_other(gate, u, bit):
    found = gate.allow(u)
    assert gate.st.bits == bit
    assert bit == limits.HEAT or found != u


def test_a_demand_within_all_limits_passes_unchanged():
    gate = Gate()
    for u in (0.5, -0.5, 3.0, 0.0):
        assert gate.allow(u) == u
        assert gate.st.bits == 0


@pytest.mark.parametrize(
    ("speed", "supply", "amps"), list(product(SPEEDS, (0.0, 0.5, 5.0, -1.0), (0.0, 0.05, 0.6)))
)
def test_zero_is_always_inside_the_window_and_the_window_inside_the_supply(speed, supply, amps):
    gate = Gate(speed=speed, supply=supply, amps=amps)
    for u in (-9.0, -0.3, 0.0, 0.3, 9.0):
        found = gate.allow(u)
        assert gate.st.low_V <= 0.0 <= gate.st.high_V
        assert gate.st.low_V <= found <= gate.st.high_V
        assert -max(supply, 0.0) <= found <= max(supply, 0.0)


@pytest.mark.parametrize("speed", SPEEDS)
def test_driving_current_is_limited_and_braking_is_never_weakened(speed):
    gate = Gate(speed=speed, supply=50.0, amps=0.3)
    s = gate.settings.limits
    gate.allow(0.0)
    emf = s.back_emf_V_s * speed
    drive = gate.st.high_V if speed >= 0.0 else gate.st.low_V
    brake = gate.st.low_V if speed >= 0.0 else gate.st.high_V
    assert abs((drive - emf) / s.resistance_ohm) == pytest.approx(0.3)
    assert abs((brake - emf) / s.resistance_ohm) >= 0.3 - 1e-12


@pytest.mark.parametrize("u", [math.nan, math.inf, -math.inf, 1.1e6])
@pytest.mark.parametrize("speed", [0.0, 4.0, -4.0])
def test_a_demand_that_is_no_number_or_infinite_becomes_zero(u, speed):
    gate, other = Gate(speed=speed), Gate(speed=speed)
    for one in (gate, other):
        one.settings.limits.slew_V_s = 100.0
        one.st.last_V = 0.1
    assert gate.allow(u) == other.allow(0.0)
    assert gate.st.bits == other.st.bits


@pytest.mark.parametrize(("celsius", "share"), [(85.0, 1.0), (97.5, 0.5), (110.0, 0.0), (150, 0.0)])
def test_a_warm_winding_lowers_the_force_limit(celsius, share):
    gate = warm(Gate(amps=0.3), celsius)
    gate.allow(5.0)
    reach = gate.settings.limits.resistance_ohm * 0.3 * share
    assert (gate.st.high_V, gate.st.low_V) == (pytest.approx(reach), pytest.approx(-reach))
    assert bool(gate.st.bits & limits.HEAT) == (share < 1.0)


def test_the_voltage_changes_no_faster_than_the_slew_limit():
    gate = bent(slew_V_s=500.0)
    last = 0.0
    for u in (3.0, 3.0, 3.0, 3.0, -3.0, -3.0, 0.2, 0.2, 3.0, -1.0):
        found = gate.allow(u)
        assert abs(found - last) <= 1.0 + 1e-12
        expected = min(max(u, last - 1.0), last + 1.0)
        assert found == pytest.approx(expected)
        gate.st.last_V = last = found


def test_force_wins_over_slew():
    """A window that closes around zero is obeyed at once, whatever the slew limit."""
    gate = bent(slew_V_s=1.0)
    gate.st.last_V = 4.0
    gate.amps = 0.0
    assert gate.allow(4.0) == 0.0


@pytest.mark.parametrize("side", [1, -1])
def test_the_speed_towards_a_soft_end_shrinks_to_nothing(side):
    pushes = []
    for room in (2.0, 0.3, 0.1, 0.03, 0.01, 0.003, 0.001, 0.0, -0.01):
        gate = Gate(angle=side * (10.0 - room), supply=50.0, amps=20.0)
        pushes.append(gate.allow(side * 40.0) * side)
        cap = limits.speed_cap(gate.settings.limits, room, 10.0)
        assert cap == pytest.approx(min(math.sqrt(2.0 * 100.0 * max(room, 0.0)), 10.0))
    assert pushes == sorted(pushes, reverse=True)
    assert pushes[-2:] == [0.0, 0.0]
    assert pushes[0] > 4.0


@pytest.mark.parametrize("side", [1, -1])
def test_beyond_a_soft_end_the_way_back_is_free_and_moving_out_is_braked(side):
    gate = Gate(angle=side * 10.05)
    assert gate.allow(-side * 2.0) == -side * 2.0
    gate.sensed.speed_rad_s = side * 1.0
    assert gate.allow(side * 3.0) * side < 0.0


def test_continuous_travel_has_no_soft_ends():
    gate = Gate(angle=25.0)
    gate.settings.sensor.travel = CONTINUOUS
    assert gate.allow(2.0) == 2.0


def account(gate, applied, emf, measured=0.0, ticks=1):
    for _ in range(ticks):
        limits.account(gate.settings, gate.st, applied, emf, measured, H)


def test_current_is_estimated_from_voltage_back_emf_and_temperature():
    gate = warm(Gate(), 60.0)
    account(gate, 3.0, 1.0)
    h = gate.settings.heat
    ohm = heat.resistance(h.resistance_25_ohm, 60.0) + h.driver_ohm
    assert gate.st.current_A == pytest.approx(2.0 / ohm)
    assert gate.st.last_V == 3.0


def test_a_fitted_current_sensor_replaces_the_estimate():
    gate = bent(current_fitted=1)
    account(gate, 3.0, 1.0, 0.123)
    assert gate.st.current_A == 0.123
    s = gate.settings.limits
    by_speed = s.back_emf_V_s * gate.sensed.speed_rad_s
    near = (3.0 - by_speed) / s.resistance_ohm + 0.01
    assert limits.back_emf(s, gate.st, gate.sensed, near) == pytest.approx(
        3.0 - s.resistance_ohm * near
    )
    # a sensor that says something else is believed by a tenth of the force window
    reach = 0.1 * s.resistance_ohm * s.current_A
    for amps, side in ((0.0, 1.0), (1.5, -1.0)):
        found = limits.back_emf(s, gate.st, gate.sensed, amps)
        assert found == pytest.approx(by_speed + side * reach)


def test_heat_over_many_ticks_is_that_of_the_two_nodes_step_by_step():
    gate, fine = Gate(), Allowed()
    account(gate, 4.0, 0.0, ticks=10000)
    h = gate.settings.heat
    for _ in range(10000):
        ohm = heat.resistance(h.resistance_25_ohm, fine.winding_C)
        heat.warm_up(h, fine, ohm * (4.0 / (ohm + h.driver_ohm)) ** 2, H)
    assert fine.winding_C > 60.0
    assert gate.st.winding_C == pytest.approx(fine.winding_C, abs=0.1)
    assert gate.st.case_C == pytest.approx(fine.case_C, abs=0.1)


def test_without_a_heat_model_temperatures_stand():
    gate = Gate()
    gate.settings.heat.resistance_25_ohm = 0.0
    account(gate, 3.0, 1.0, ticks=100)
    assert gate.st.current_A == pytest.approx(2.0 / gate.settings.limits.resistance_ohm)
    assert (gate.st.winding_C, gate.st.case_C) == (25.0, 25.0)


@pytest.mark.parametrize("grip", [0, 1])
def test_a_grip_is_weak_and_slow(powered, grip):
    """Through the whole tick: window and bit of the current limit in force."""
    powered.settings.watch.still_s = powered.settings.watch.slow_s = 0.0
    assert powered.target(3.0, grip=grip) == 0
    powered.tick(60)
    s = powered.settings.limits
    amps = s.grip_current_A if grip else s.current_A
    assert powered.state.allowed.high_V == pytest.approx(s.resistance_ohm * amps)
    assert bool(powered.report.limits & limits.WEAK) == bool(grip)
    most = s.grip_speed_rad_s if grip else powered.settings.profile.speed_rad_s
    assert 0.3 * most < powered.report.setpoint_rad_s <= most * (1 + 1e-12)
