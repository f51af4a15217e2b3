"""What is refused, whole; and streamed setpoints."""

import math

import numpy as np
import pytest

from controller.joint.angles import TURN_RAD
from controller.joint.motion import setpoint, trajectory
from controller.joint.settings.settings import CONTINUOUS, Settings
from controller.joint.state import Command, Motion, Plan, Sensed
from controller.records import get, leaves

TICK_S = 0.002
SPAN_S = 0.02
STREAMED = {"kind": setpoint.STREAMED, "target_rad": 1.0, "target_rad_s": 0.5, "span_s": SPAN_S}


def command_of(**values):
    command = Command()
    command.kind = setpoint.TO_TARGET
    for name, value in values.items():
        setattr(command, name, value)
    return command


def everything(record):
    return [(name, get(record, name)) for name, _ in leaves(type(record))]


@pytest.fixture
def settings():
    s = Settings()
    s.limits.command_low_rad, s.limits.command_high_rad = -1.5, 2.0
    s.limits.speed_rad_s = 5.0
    return s


def turning(settings, wipers=1):
    settings.sensor.travel = CONTINUOUS
    settings.sensor.gap_rad, settings.sensor.gap_from_rad = 0.4, 3.0
    settings.sensor.wipers = wipers
    return settings


def take(settings, command, motion=None):
    motion = motion or Motion()
    trajectory.take(settings, motion, Sensed(), command)
    return motion


BAD = [math.nan, math.inf, -math.inf, 2.0 + 1e-9, -1.5 - 1e-9, 1e300]


@pytest.mark.parametrize(
    "values",
    [
        *[{"target_rad": one} for one in BAD],
        *[{**STREAMED, "target_rad": one} for one in BAD],
        *[{**STREAMED, "target_rad_s": one} for one in (math.nan, math.inf, 5.0001, -5.0001)],
        *[{**STREAMED, "span_s": one} for one in (0.0, -0.02, math.nan, math.inf, 10.1)],
        {"kind": 4, "target_rad": 0.5},
        {"kind": -1, "target_rad": 0.5},
    ],
)
def test_a_bad_setpoint_is_refused_whole(settings, values):
    motion = take(settings, command_of(target_rad=0.7))
    for _ in range(20):
        trajectory.follow(settings, 1e9, 1, Plan(), motion, 0, 1)
    before = everything(motion)
    command = command_of(**values)
    take(settings, command, motion)
    assert (command.refused, command.kind) == (1, 0)
    assert everything(motion) == before


@pytest.mark.parametrize(
    "values",
    [
        {"target_rad": 2.0},
        {"target_rad": -1.5},
        STREAMED,
        {**STREAMED, "target_rad_s": -5.0, "span_s": 10.0},
    ],
)
def test_what_lies_within_is_accepted(settings, values):
    command = command_of(**values)
    before = everything(Motion())
    motion = take(settings, command)
    assert (command.refused, command.kind) == (0, 0)
    assert everything(motion) != before


@pytest.mark.parametrize("kind", [setpoint.TO_TARGET, setpoint.STREAMED])
@pytest.mark.parametrize(
    ("angle", "refused"),
    [(3.0, 1), (3.2, 1), (3.4, 1), (3.2 - TURN_RAD, 1), (2.99, 0), (3.41, 0), (0.0, 0), (6.4, 1)],
)
def test_a_target_in_the_dead_gap_is_refused(settings, angle, refused, kind):
    command = command_of(**{**STREAMED, "kind": kind, "target_rad": angle})
    before = everything(Motion())
    motion = take(turning(settings), command)
    assert command.refused == refused
    assert (everything(motion) == before) == bool(refused)


def test_two_wipers_have_no_gap_to_refuse(settings):
    command = command_of(target_rad=3.2)
    take(turning(settings, wipers=2), command)
    assert command.refused == 0


class Stream:
    """Samples of a path sent every SPAN_S; setpoints every tick."""

    def __init__(self, settings):
        self.settings = settings
        self.plan, self.motion, self.sensed = Plan(), Motion(), Sensed()
        self.rows = []

    def send(self, angle, speed):
        command = command_of(
            kind=setpoint.STREAMED, target_rad=angle, target_rad_s=speed, span_s=SPAN_S
        )
        trajectory.take(self.settings, self.motion, self.sensed, command)
        assert command.refused == 0

    def run(self, ticks, steps=1):
        m = self.motion
        for _ in range(ticks):
            trajectory.follow(self.settings, 1e9, 1, self.plan, m, 0, steps)
            self.rows.append((m.setpoint_rad, m.setpoint_rad_s, m.setpoint_rad_s2))


def wave(t):
    return 0.8 * (1.0 - np.cos(3.0 * t)), 2.4 * np.sin(3.0 * t)


@pytest.mark.parametrize("steps", [1, 2, 5])
def test_a_stream_is_followed_one_period_late_without_jumps(settings, steps):
    stream = Stream(settings)
    ticks = round(SPAN_S / TICK_S)
    for k in range(150):
        stream.send(*wave(k * SPAN_S))
        stream.run(ticks // steps, steps)
    p, v, a = np.array(stream.rows).T
    h = TICK_S * steps
    t = h * np.arange(1, len(p) + 1)
    late = np.maximum(t - SPAN_S, 0.0)
    # Cubic Hermite on position and speed errs by h^4 max|q''''| / 384 between samples.
    np.testing.assert_allclose(p, wave(late)[0], atol=SPAN_S**4 * 0.8 * 81 / 384 * 1.1)
    np.testing.assert_allclose(v, wave(late)[1], atol=1e-4)
    assert np.abs(np.diff(v)).max() <= 0.8 * 9.0 * h * 1.05
    assert np.abs(np.diff(p) - 0.5 * h * (v[1:] + v[:-1])).max() < 1e-6 * steps**3
    assert np.abs(a).max() <= 0.8 * 9.0 * 1.05


def test_each_sample_is_met_exactly_one_period_after_it_came(settings):
    stream = Stream(settings)
    for k in range(30):
        stream.send(*wave(k * SPAN_S))
        stream.run(round(SPAN_S / TICK_S))
        # Ten ticks of 2 ms add up to 20 ms less rounding: met to a hair.
        assert stream.rows[-1][:2] == pytest.approx(wave(k * SPAN_S), abs=1e-12)


@pytest.mark.parametrize("hold", [0.0, 0.03, 0.1])
def test_a_missing_sample_is_carried_on_for_a_while_then_stopped_within_limits(settings, hold):
    s = settings.profile
    s.stream_hold_s = hold
    stream = Stream(settings)
    for k in range(40):
        stream.send(k * SPAN_S * 2.0, 2.0)
        stream.run(round(SPAN_S / TICK_S))
    end = len(stream.rows)
    stream.run(400)
    p, v, a = np.array(stream.rows).T
    carried = np.nonzero(np.abs(v[end:] - 2.0) > 1e-9)[0][0] * TICK_S
    assert carried == pytest.approx(hold, abs=2.1 * TICK_S)
    assert stream.motion.source == trajectory.HOLD
    assert v[-1] == 0.0
    assert np.abs(a[end:]).max() <= s.acceleration_rad_s2 * (1 + 1e-9)
    assert np.abs(np.diff(v[end - 1 :])).max() <= s.acceleration_rad_s2 * TICK_S
    # Peak deceleration is not reached from 2 rad/s: two pieces of full jerk.
    stop = 2.0 * math.sqrt(2.0 / s.jerk_rad_s3)
    assert p[-1] - p[end - 1] == pytest.approx(2.0 * hold + stop, abs=2.1 * TICK_S * 2.0)


def test_a_late_sample_takes_over_from_where_the_setpoint_is(settings):
    stream = Stream(settings)
    for k in range(10):
        stream.send(k * SPAN_S * 2.0, 2.0)
        stream.run(10)
    stream.run(13)  # the next is 13 ticks late
    late = len(stream.rows)
    stream.send(stream.rows[-1][0] + SPAN_S * 2.2, 2.0)
    stream.run(10)
    p, v, _ = np.array(stream.rows).T
    assert p[-1] == pytest.approx(p[late - 1] + SPAN_S * 2.2, abs=1e-12)
    assert np.abs(np.diff(p[late - 1 :])).max() < 2.5 * TICK_S
    assert np.abs(np.diff(v[late - 1 :])).max() < 0.15


@pytest.mark.parametrize("plan_ticks", [1, 5])
def test_a_target_during_a_stream_leaves_it_without_a_jump(settings, plan_ticks):
    settings.profile.plan_ticks = plan_ticks
    stream = Stream(settings)
    for k in range(20):
        stream.send(k * SPAN_S * 2.0, 2.0)
        stream.run(round(SPAN_S / TICK_S))
    before = len(stream.rows)
    trajectory.take(settings, stream.motion, stream.sensed, command_of(target_rad=-1.0))
    stream.run(800)
    p, v, _ = np.array(stream.rows).T
    assert (p[-1], v[-1]) == (-1.0, 0.0)
    most = settings.profile.acceleration_rad_s2
    assert np.abs(np.diff(v[before - 1 :])).max() <= most * TICK_S * (1 + 1e-9)
    assert (
        np.abs(np.diff(p[before - 1 :])).max() <= settings.profile.speed_rad_s * TICK_S * 1.000001
    )


def test_a_stream_that_falls_silent_is_held_within_the_range_of_commands(settings):
    stream = Stream(settings)
    stream.motion.setpoint_rad = 1.92
    stream.send(2.0, 4.0)  # the upper end, still moving up
    stream.run(400)
    assert stream.motion.source == trajectory.HOLD
    assert stream.rows[-1][0] <= settings.limits.command_high_rad + 1e-9
