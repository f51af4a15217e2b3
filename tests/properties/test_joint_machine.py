"""One joint's tick under anything: settings in range, any reading, any command.

Only numbers leave it, nothing is raised, the window holds, the first powered tick has no
drive, a refused command leaves no trace, and a state put back continues bit-equal.
"""

import math
import struct
from collections import Counter

import hypothesis
import pytest
from hypothesis import strategies as st

from controller.joint.modes import ARM, CHECKING, CLEAR, OFF, POWERED, TRIPPED
from controller.joint.settings.contradictions import contradiction
from controller.joint.settings.settings import PULSE, Settings
from controller.joint.state import Command, Readings, Report, State
from controller.joint.tick import joint_tick
from controller.records import TABLE, copy, get, leaves, put
from sim.challenge.attack import profile
from tests.properties.conftest import KINDS
from tests.properties.tick_strategies import (
    scenarios,
    settings_of_kind,
    single,
    some_settings,
    ticks,
)
from tests.properties.window import window

CASES = Counter()
KIND = st.sampled_from(("nominal", "slow tick", "fast tick", "pulse", "current sensor"))
ROWS = {State: leaves(State), Report: leaves(Report)}


def told(examples):
    return hypothesis.settings(
        profile(examples), print_blob=True, verbosity=hypothesis.Verbosity.normal
    )


def numbers(record):
    found = []
    for name, field in ROWS[type(record)]:
        value = get(record, name)
        found += value if field.kind == TABLE else [value]
    return found


def packed(record):
    """A record as packed doubles: equal octets are equal bits."""
    values = numbers(record)
    return struct.pack(f"<{len(values)}d", *values)


def unpacked(data):
    """A new State of packed doubles."""
    values = list(struct.unpack(f"<{len(data) // 8}d", data))
    state = State()
    for name, field in ROWS[State]:
        if field.kind == TABLE:
            put(state, name, [values.pop(0) for _ in range(field.size)])
        else:
            put(state, name, type(field.default)(values.pop(0)))
    return state


def heat_can_be_followed(settings):
    """Tell whether the thermal step is short against its time constants.

    The others are strict in test_a_heat_model_faster_than_its_step.
    """
    heat = settings.heat
    step = 50 * settings.tick_s + 0.05
    fastest = min(heat.winding_J_K * heat.winding_K_W,
                  heat.case_J_K / (1.0 / heat.winding_K_W + 1.0 / heat.case_K_W))  # fmt: skip
    return heat.resistance_25_ohm <= 0.0 or fastest > step


def check_tick(settings, state, report, value, was):
    """What holds after every tick."""
    assert math.isfinite(value)
    assert all(map(math.isfinite, numbers(state)))
    assert all(map(math.isfinite, numbers(report)))
    mode = report.mode
    if mode in (OFF, TRIPPED):
        assert value == 0.0
        assert report.allowed_V == 0.0
    elif settings.drive.kind != PULSE:
        assert -1.0 <= value <= 1.0
    if report.allowed_V != 0.0:
        assert state.allowed.low_V <= report.allowed_V <= state.allowed.high_V
    if mode != was and mode in (CHECKING, POWERED):
        assert report.allowed_V == 0.0


@hypothesis.seed(20261204)
@told(400)
@hypothesis.given(st.data())
def anything(data):
    settings = data.draw(some_settings())
    hypothesis.assume(heat_can_be_followed(settings))
    state, report = State(), Report()
    for found, command in ticks(data.draw(scenarios(settings))):
        was = report.mode
        value = joint_tick(settings, state, command, found, report)
        check_tick(settings, state, report, value, was)
        CASES[f"mode {report.mode}"] += 1
        CASES["driven"] += report.allowed_V != 0.0


def test_nothing_that_is_no_number_leaves_a_tick():
    """Settings in range, any reading, any command."""
    CASES.clear()
    anything()
    assert CASES["driven"] >= 1000
    # a controlled stop (mode 3) is rarely drawn here; test_link_machine.py has many
    assert all(CASES[f"mode {mode}"] >= 5 for mode in (0, 1, 2, 4)), CASES


class Plant:
    """A joint of first order in speed behind the drive: enough to move as a joint does."""

    def __init__(self, settings, angle, speed):
        self.settings = settings
        self.angle, self.speed = angle, speed

    def pass_on(self, report):
        s = self.settings
        h = s.tick_s
        push = report.allowed_V / s.limits.back_emf_V_s
        self.speed += (push - self.speed) * min(h / 0.03, 1.0)
        self.angle += self.speed * h
        low, high = s.limits.travel_low_rad, s.limits.travel_high_rad
        if not low <= self.angle <= high:
            self.angle, self.speed = min(max(self.angle, low), high), 0.0

    def read(self, into):
        s = self.settings.sensor
        into.counts = round(self.angle / s.rad_per_count + s.zero_counts)
        into.supply_V = 5.0


def copied_settings(kind):
    """Settings of a joint, armed without a self-test, its readings free to stand still."""
    settings = Settings()
    copy(settings_of_kind(kind), settings)
    settings.stopping.check_V, settings.sensor.held_ticks = 0.0, 0
    return settings


@hypothesis.seed(20261209)
@told(120)
@hypothesis.given(
    kind=KIND, slew=st.floats(1.0, 4000.0), warm=st.floats(20.0, 109.0), grip=st.integers(0, 1),
    supplies=st.lists(st.one_of(*[st.floats(3.6, 6.0)] * 4, st.floats(0.0, 6.0), st.floats()), min_size=5, max_size=60),
)  # fmt: skip
def stays_in_the_window(kind, slew, warm, grip, supplies):
    settings = copied_settings(kind)
    settings.limits.slew_V_s, settings.limits.supply_low_V = slew, 0.0
    state, report, found = State(), Report(), Readings()
    state.allowed.winding_C = state.allowed.case_C = warm
    plant = Plant(settings, 0.1, 0.0)
    for tick, supply in enumerate([5.0] * 12 + supplies):
        plant.read(found)
        found.supply_V = supply
        command = Command()
        command.request = ARM if tick == 1 else 0
        if tick == 3:
            command.kind, command.target_rad, command.grip = 1, 1.6, grip
        before_C = state.allowed.winding_C
        value = joint_tick(settings, state, command, found, report)
        low, high = window(settings, state.mode, before_C, report.speed_rad_s, supply)
        slack = 1e-9
        if report.allowed_V != 0.0:
            assert low - slack <= report.allowed_V <= high + slack
            CASES["at a bound"] += not low + slack < report.allowed_V < high - slack
            if settings.drive.kind != PULSE:
                assert abs(value) <= settings.limits.full_duty
                assert math.isclose(value * supply, report.allowed_V, abs_tol=slack)
        plant.pass_on(report)


def test_the_drive_stays_in_the_window_in_force():
    """Through dips of the supply, bounds on the slew, a warm winding, a grip."""
    CASES.clear()
    stays_in_the_window()
    assert CASES["at a bound"] >= 200


ANGLES = st.one_of(
    st.floats(0.0, 1.7), st.floats(-10.0, 10.0), st.sampled_from((math.nan, math.inf, -math.inf))
)
SETPOINTS = st.lists(
    st.tuples(st.integers(0, 4), ANGLES, ANGLES, st.one_of(st.floats(-0.1, 11.0), st.just(math.nan)),
              st.sampled_from((0, 0, 0, 0, 0, 0, 0, 2)), st.integers(1, 30)),
    min_size=4, max_size=10,
)  # fmt: skip


@hypothesis.seed(20261205)
@told(150)
@hypothesis.given(kind=st.sampled_from(sorted(KINDS)), rows=SETPOINTS)
def refuse(kind, rows):
    settings, limits = copied_settings(kind), settings_of_kind(kind).limits
    state, report, found = State(), Report(), Readings()
    twin, twin_report = State(), Report()
    plant = Plant(settings, 0.6, 0.0)
    for number, (asked, angle, speed, span, request, count) in enumerate(
        [(0, 0, 0, 0, ARM, 3), *rows]
    ):
        for tick in range(count):
            plant.read(found)
            command, silent = Command(), Command()
            if tick == 0:
                command.request = silent.request = request
                command.kind, command.target_rad = asked, angle
                command.target_rad_s, command.span_s = speed, span
            copy(state, twin)
            value = joint_tick(settings, state, command, found, report)
            assert all(map(math.isfinite, numbers(state)))
            assert (command.kind, command.request) == (0, 0)
            if command.refused:
                other = joint_tick(settings, twin, silent, found, twin_report)
                assert value == other
                assert packed(state) == packed(twin)
                assert packed(report) == packed(twin_report)
            elif tick == 0 and asked in (1, 2):
                assert limits.command_low_rad <= angle <= limits.command_high_rad
                assert asked == 1 or abs(speed) <= limits.speed_rad_s
            if tick == 0 and asked and number:
                CASES["refused" if command.refused else "taken"] += 1
            plant.pass_on(report)


def test_a_refused_setpoint_is_as_if_it_had_never_been():
    """Refused where it lies outside the range, is no number, or comes while not powered."""
    CASES.clear()
    refuse()
    assert CASES["refused"] >= 100
    assert CASES["taken"] >= 100


def run(settings, state, plant, rows, first=0):
    """Run a program of (tick, request, kind, target) on a plant; return all it did, packed."""
    report, found = Report(), Readings()
    trace = []
    for tick in range(first, 300):
        plant.read(found)
        command = Command()
        for at, request, kind, target in rows:
            if at == tick:
                command.request, command.kind, command.target_rad = request, kind, target
                command.target_rad_s, command.span_s = 0.5, 0.02
        value = joint_tick(settings, state, command, found, report)
        plant.pass_on(report)
        trace.append(struct.pack("<d", value) + packed(report) + packed(state))
        yield trace


ORDERS = st.lists(
    st.tuples(st.integers(5, 299), st.sampled_from((0, 0, 0, 1, 3, 4, 5, 6)), st.integers(0, 3),
              st.floats(0.0, 1.7)),
    max_size=8,
)  # fmt: skip


@hypothesis.seed(20261206)
@told(60)
@hypothesis.given(kind=KIND, rows=ORDERS, moment=st.integers(1, 298), speed=st.floats(-1.0, 1.0))
def test_a_state_put_back_continues_bit_equal(kind, rows, moment, speed):
    settings = Settings()
    copy(settings_of_kind(kind), settings)
    settings.stopping.check_V = 0.0
    rows = [(3, ARM, 0, 0.0), (5, 0, 1, 1.2), *rows]
    state, plant = State(), Plant(settings, 0.6, speed)
    kept = None
    for trace in run(settings, state, plant, rows):
        if len(trace) == moment:
            copied = State()
            copy(state, copied)
            kept = copied, unpacked(packed(state)), plant.angle, plant.speed
    for other in kept[:2]:
        plant = Plant(settings, kept[2], kept[3])
        again = list(run(settings, other, plant, rows, moment))[-1]
        assert again == trace[moment:]


@hypothesis.seed(20261207)
@told(200)
@hypothesis.given(
    kind=KIND, kp=st.floats(0.0, 1000.0), kd=st.floats(0.0, 100.0), feed=st.floats(0.0, 10.0),
    speed=st.floats(-30.0, 30.0), asked=st.integers(0, 3), target=st.floats(0.1, 1.5),
    before=st.integers(1, 40),
)  # fmt: skip
def test_the_first_powered_tick_has_no_drive(kind, kp, kd, feed, speed, asked, target, before):
    """However fast the joint is moved, whatever the gains, with a setpoint in the same tick."""
    settings = Settings()
    copy(settings_of_kind(kind), settings)
    g = settings.gains
    settings.stopping.check_V = 0.0
    g.kp, g.kd, g.ki, g.breakaway_feed_V, g.friction_feed_V = kp, kd, kp, feed, feed
    settings.sensor.jump_rad, settings.sensor.held_ticks = 1.0, 0
    settings.watch.over_speed_rad_s = settings.watch.over_travel_rad = 0.0
    state, report, found = State(), Report(), Readings()
    plant = Plant(settings, 0.8, speed)
    driven = []
    for tick in range(before + 4):
        plant.angle += speed * settings.tick_s
        plant.read(found)
        low, high = settings.sensor.rail_low_counts, settings.sensor.rail_high_counts
        found.counts = min(max(found.counts, low), high)
        command = Command()
        if tick == before:
            command.request, command.kind, command.target_rad = ARM, asked, target
            command.span_s = 0.02
        value = joint_tick(settings, state, command, found, report)
        if report.mode == POWERED:
            driven.append((value, report.allowed_V))
    assert driven
    still = settings.drive.neutral_s if settings.drive.kind == PULSE else 0.0
    assert driven[0] == (still, 0.0)


def lag_settings(tick_s, kp, ki, tracking_s):
    """Settings of a plain PI loop whose only limit is the supply."""
    s = Settings()
    s.tick_s = tick_s
    s.sensor.counts_top = s.sensor.rail_high_counts = 1_048_575
    s.sensor.rad_per_count, s.sensor.zero_counts, s.sensor.jump_rad = 4e-5, 524_288.0, 10.0
    s.gains.kp, s.gains.ki, s.gains.kd, s.gains.tracking_s = kp, ki, 0.0, tracking_s
    s.profile.speed_rad_s, s.profile.acceleration_rad_s2 = 200.0, 1e5
    s.profile.jerk_rad_s3 = 1e8
    limits = s.limits
    limits.current_A, limits.resistance_ohm, limits.slew_V_s = 50.0, 1e4, 0.0
    limits.back_emf_V_s, limits.speed_rad_s, limits.speed_gain_V_s = 1e-6, 500.0, 100.0
    limits.travel_low_rad, limits.travel_high_rad, limits.brake_rad_s2 = -20.0, 20.0, 1e5
    limits.command_low_rad, limits.command_high_rad = -19.0, 19.0
    s.heat.resistance_25_ohm = 0.0
    w = s.watch
    w.still_s = w.slow_s = w.wrong_rad = w.over_travel_rad = w.over_speed_rad_s = 0.0
    return s


@hypothesis.seed(20261208)
@told(300)
@hypothesis.given(
    tick_s=st.sampled_from((0.001, 0.002, 0.004)), lag_s=st.floats(0.08, 0.6), gain=st.floats(0.5, 2.0),
    share=st.floats(0.3, 0.85), strength=st.floats(2.0, 20.0), integral=st.floats(0.02, 1.0),
    tracking=st.floats(0.0, 1.0), way=st.sampled_from((1.0, -1.0)),
)  # fmt: skip
def leaves_the_limit(tick_s, lag_s, gain, share, strength, integral, tracking, way):
    supply = 5.0
    target = share * gain * supply
    kp = strength * supply / target
    tracking_s = 0.5 * tick_s + tracking * (0.5 * lag_s - 0.5 * tick_s)
    settings = lag_settings(tick_s, kp, kp / (integral * lag_s), tracking_s)
    state, report, found = State(), Report(), Readings()
    angle, crossed = 0.0, None
    most = math.ceil(2.0 * max(tracking_s, tick_s) / tick_s) + 3
    held = math.ceil((12.0 * tracking_s + 0.15) / tick_s)
    for tick in range(held + math.ceil(4.0 * lag_s / tick_s)):
        found.counts = round(angle / settings.sensor.rad_per_count + settings.sensor.zero_counts)
        command = Command()
        command.request = ARM if tick == 0 else 0
        if tick == 2:
            command.kind, command.target_rad = 1, way * target
        joint_tick(settings, state, command, found, report)
        at_limit = way * report.allowed_V >= supply - 1e-9
        if tick == held:
            assert at_limit, "the loop is saturated"
        if tick < held:
            continue
        if not at_limit:
            CASES["before the sign changes" if crossed is None else "after it"] += 1
            return
        if crossed is None and way * state.loop.error_rad < 0.0:
            crossed = tick
        assert crossed is None or tick - crossed < most
        angle += (gain * report.allowed_V - angle) * -math.expm1(-tick_s / lag_s)
    pytest.fail("it never left the limit")


def test_after_saturation_the_output_leaves_the_limit():
    """Within n = 2 Tt/h + 3 ticks of the error changing sign, for Tt up to half the lag.

    Plant T y' = K u - y, held fast until the loop has settled in saturation, then let go. With
    V the supply and e' = -(K V - y)/T, the excess x = u - V of a loop with tracking follows
    x' = kp e' + ki e - x/Tt; solved from x = Tt ki e (settled) it is zero no later than
    T ln(1 + (Tt - Ti)/(T - Tt)) <= 2 Tt after e = 0, whatever kp, V and K (Ti = kp/ki).
    """
    CASES.clear()
    leaves_the_limit()
    assert CASES["after it"] >= 20
    assert CASES["before the sign changes"] >= 20


def heated(settings, amps, ticks_):
    """Run a joint on a plant, cleared and armed again and again; return whether all were numbers."""
    state, report, found = State(), Report(), Readings()
    plant = Plant(settings, 0.8, 0.0)
    for tick in range(ticks_):
        plant.read(found)
        found.current_A = amps
        command = Command()
        command.request = {2: ARM, 6: CLEAR}.get(tick % 10, 0)
        if tick % 10 == 4:
            command.kind, command.target_rad = 1, 1.5
        value = joint_tick(settings, state, command, found, report)
        plant.pass_on(report)
        values = [value, *numbers(state), *numbers(report)]
        if not all(-3.4e38 <= one <= 3.4e38 for one in values):
            return False
    return True


def test_a_heat_model_faster_than_its_step():
    """Winding 1 mJ/K at 1 K/W: 1 ms against a step of 50 ms is refused; 0.2 s is followed."""
    settings = Settings()
    copy(settings_of_kind("nominal"), settings)
    settings.stopping.check_V, settings.sensor.held_ticks = 0.0, 0
    settings.heat.winding_J_K, settings.heat.winding_K_W = single(1e-3), 1.0
    assert contradiction(settings) == "heat.winding_J_K"
    settings.heat.winding_J_K = 0.25
    assert contradiction(settings) is None
    assert heated(settings, 0.0, 3000)


@pytest.mark.parametrize(
    "amps",
    [2.0, 900.0],
)  # fmt: skip
def test_a_current_reading_that_is_stuck_leaves_numbers(amps):
    """A fitted current sensor that reads the same, whatever is driven."""
    settings = Settings()
    copy(settings_of_kind("current sensor"), settings)
    settings.stopping.check_V, settings.sensor.held_ticks = 0.0, 0
    assert heated(settings, amps, 3000)


def test_a_case_faster_than_its_step():
    """Case 1 J/K at 1 mK/W to the air: 1 ms against a step of 50 ms; it then swings below any cold."""
    settings = copied_settings("nominal")
    settings.heat.case_J_K, settings.heat.case_K_W = 1.0, single(1.001e-3)
    if contradiction(settings) is not None:
        return
    state, report, found = State(), Report(), Readings()
    plant = Plant(settings, 0.8, 0.0)
    for tick in range(1500):
        plant.read(found)
        command = Command()
        command.request = ARM if tick == 2 else 0
        if tick == 4:
            command.kind, command.target_rad = 1, 1.5
        joint_tick(settings, state, command, found, report)
        plant.pass_on(report)
        assert report.winding_C >= settings.heat.air_C - 1.0, "nothing here is colder than the air"
