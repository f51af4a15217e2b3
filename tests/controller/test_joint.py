"""The whole tick: snapshot, report, order of the stages, numbers that are none."""

import math

import numpy as np
import pytest

from controller.joint.angles import TURN_RAD
from controller.joint.modes import ARM, DRIVE_OFF, POWERED, STOPPING, TRIPPED
from controller.joint.settings.settings import CONTINUOUS, Settings
from controller.joint.state import Command, Readings, Report, State
from controller.joint.tick import joint_tick
from controller.records import copy, fields, get, leaves


class Toy:
    """A joint that turns at a speed proportional to the voltage, with quantised angle."""

    def __init__(self, settings):
        self.settings = settings
        self.state, self.command = State(), Command()
        self.readings, self.report = Readings(), Report()
        self.angle = 1.5
        self.rng = np.random.default_rng(7)

    def tick(self):
        self.readings.counts = round(self.angle / self.settings.sensor.rad_per_count)
        out = joint_tick(self.settings, self.state, self.command, self.readings, self.report)
        self.angle += self.report.allowed_V * self.settings.tick_s * 1.5
        return out

    def play(self, k):
        """Requests and setpoints of a busy life, at tick ``k``."""
        if k % 97 == 5:
            self.command.request = ARM
        if k % 41 == 7:
            self.command.kind, self.command.target_rad = 1, 0.5 + (k % 7) * 0.4
            self.command.grip = (k // 41) % 2
        if k % 53 == 11:
            self.command.kind, self.command.target_rad = 2, self.angle + 0.01
            self.command.target_rad_s, self.command.span_s = 0.5, 0.02
        if k % 211 == 100:
            self.command.kind = 3
        if k % 307 == 200:
            self.command.request = DRIVE_OFF
        self.readings.steps = 3 if k % 61 == 30 else 1


def busy_settings():
    s = Settings()
    s.gains.ki, s.gains.rest_in_rad, s.gains.rest_out_rad = 40.0, 0.003, 0.004
    s.profile.plan_ticks = 4
    s.watch.still_s = s.watch.slow_s = s.watch.wrong_rad = 0.0
    return s


@pytest.mark.parametrize("at", [1, 6, 9, 13, 50, 333, 700])
def test_a_copy_of_the_state_goes_on_bit_equal(at):
    """Taken between ticks, put into fresh records: in mid-plan, in mid-stream, anywhere."""
    one = Toy(busy_settings())
    for k in range(at):
        one.play(k)
        one.tick()
    other = Toy(busy_settings())
    for name in ("state", "command", "readings"):
        copy(getattr(one, name), getattr(other, name))
    other.angle = one.angle
    moved = 0
    for k in range(at, at + 400):
        for toy in (one, other):
            toy.play(k)
        assert one.tick() == other.tick()
        for name, _ in leaves(State):
            assert get(one.state, name) == get(other.state, name), (k, name)
        moved += one.report.allowed_V != 0.0
    assert moved > 100


def test_the_report_is_filled_from_this_tick(powered):
    powered.settings.watch.still_s = powered.settings.watch.slow_s = 0.0
    powered.target(3.0)
    powered.tick(20)
    r, st = powered.report, powered.state
    assert (r.angle_rad, r.setpoint_rad) == (st.sensed.angle_rad, st.motion.setpoint_rad)
    assert (r.speed_rad_s, r.setpoint_rad_s) == (st.sensed.speed_rad_s, st.motion.setpoint_rad_s)
    assert (r.demand_V, r.allowed_V) == (st.loop.demand_V, st.allowed.last_V)
    assert r.drive == st.output.value == pytest.approx(r.allowed_V / 5.0)
    assert (r.current_A, r.winding_C) == (st.allowed.current_A, st.allowed.winding_C)
    assert (r.mode, r.fault, r.turn) == (POWERED, 0, 0)
    assert r.limits == st.allowed.bits
    assert r.setpoint_rad > 2.0
    assert r.current_A > 0.0


def test_every_field_of_the_report_is_written():
    """Records spoiled beforehand show none of it afterwards."""
    toy = Toy(busy_settings())
    for name, _ in fields(Report):
        setattr(toy.report, name, -77)
    toy.tick()
    assert all(getattr(toy.report, name) != -77 for name, _ in fields(Report))


def test_the_drive_answers_the_reading_of_the_same_tick(powered):
    """No tick is lost between sensing and drive."""
    before = powered.report.drive
    powered.place(1.95)
    assert powered.tick() > before


def test_a_joint_that_is_off_is_sensed_and_has_no_drive(bench):
    for angle in (2.0, 2.1, 2.2):
        bench.place(angle)
        assert bench.tick() == 0.0
        assert bench.report.angle_rad == pytest.approx(angle)
    assert (bench.report.demand_V, bench.report.limits) == (0.0, 0)


@pytest.mark.parametrize("turns", [1, -1])
def test_whole_turns_are_folded_away_without_a_kick(bench, turns):
    """A joint that is turned on and on keeps small angles; its setpoint moves along."""
    s = bench.settings
    s.sensor.travel = CONTINUOUS
    s.sensor.rad_per_count = TURN_RAD / 4096
    s.limits.speed_rad_s = s.profile.speed_rad_s = 40.0
    s.gains.ki = 10.0
    s.heat.resistance_25_ohm = 0.0  # it turns faster here than its voltage explains
    s.watch.still_s = s.watch.slow_s = s.watch.wrong_rad = s.watch.over_speed_rad_s = 0.0
    bench.readings.counts = 0
    bench.ask(ARM)
    bench.command.way, bench.command.turn = 1, 9 * turns
    assert bench.target(1.0) == 0
    demands, totals = [], []
    for k in range(2500):
        angle = bench.report.setpoint_rad + TURN_RAD * bench.report.turn - 0.01 * turns
        bench.readings.counts = round(angle / TURN_RAD * 4096) % 4096
        bench.tick()
        demands.append(bench.report.demand_V)
        totals.append(bench.report.setpoint_rad + TURN_RAD * bench.report.turn)
        assert abs(bench.report.angle_rad) <= 4.0 * TURN_RAD + 0.1
        assert bench.report.mode == POWERED, k
    assert bench.report.turn == 8 * turns
    assert totals[-1] == pytest.approx(1.0 + 9 * turns * TURN_RAD, abs=1e-9)
    assert np.abs(np.diff(totals)).max() <= 40.0 * s.tick_s * (1 + 1e-9)
    assert np.abs(np.diff(demands)).max() < 1.5


NO_NUMBERS = [math.nan, math.inf, -math.inf]


@pytest.mark.parametrize("value", NO_NUMBERS)
@pytest.mark.parametrize("field", ["target_rad", "target_rad_s", "span_s"])
def test_a_command_that_is_no_number_leaves_no_trace(powered, field, value):
    powered.command.kind = 2
    powered.command.target_rad, powered.command.span_s = 2.0, 0.02
    setattr(powered.command, field, value)
    powered.tick(50)
    assert powered.command.refused == 1
    for name, _ in leaves(State):
        value = get(powered.state, name)
        assert all(math.isfinite(x) for x in (value if isinstance(value, list) else [value]))


@pytest.mark.parametrize(
    "supply",
    [
        math.inf,
        -math.inf,
        0.0,
        -5.0,
        math.nan,
    ],
)
def test_a_supply_reading_that_is_none_never_reaches_the_drive(powered, supply):
    powered.target(3.0)
    powered.tick(10)
    powered.readings.supply_V = supply
    for _ in range(20):
        out = powered.tick()
        assert -1.0 <= out <= 1.0


@pytest.mark.parametrize(
    "amps",
    NO_NUMBERS,
)
def test_a_current_reading_that_is_none_poisons_nothing(powered, amps):
    powered.settings.limits.current_fitted = 1
    powered.target(3.0)
    powered.tick(10)
    powered.readings.current_A = amps
    powered.tick()
    powered.readings.current_A = 0.1
    powered.tick(60)
    assert math.isfinite(powered.report.winding_C)
    assert math.isfinite(powered.report.drive)
    assert powered.report.mode in (POWERED, STOPPING, TRIPPED)
