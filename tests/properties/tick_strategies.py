"""What is drawn for a joint's tick: settings within their ranges, readings, commands.

Settings are single-precision numbers, as they come over the link; most are those of a
joint, some are anything their range allows. What then contradicts itself is put right.
"""

import functools
import struct

from hypothesis import assume
from hypothesis import strategies as st

from controller.inout import Command, Readings
from controller.records import INTEGER, TABLE, copy, get, leaves, put
from controller.settings import Settings
from controller.settings_check import contradiction
from tests.properties.conftest import KINDS, joint_with

FIELDS = [(name, field) for name, field in leaves(Settings)]
REQUESTS = (0, 0, 0, 0, 1, 1, 1, 2, 3, 4, 4, 5, 6)

settings_of_kind = functools.cache(lambda kind: joint_with(KINDS[kind]).settings)


def single(value):
    """The number as single precision holds it."""
    return struct.unpack("<f", struct.pack("<f", value))[0]


def within(field):
    """A single-precision number in a field's range: its ends, a share of it, or any."""
    low, high = field.low, field.high
    if field.kind == INTEGER:
        return st.one_of(st.sampled_from((low, high)), st.integers(low, high))
    least, most = single(low), single(high)
    if not low <= least:  # rounded out of the range: the next one inside
        least = single(low + abs(low) * 1e-6)
    if not most <= high:
        most = single(high - abs(high) * 1e-6)
    return st.one_of(st.sampled_from((least, most)), st.floats(least, most, width=32))


@st.composite
def some_settings(draw, most=8):
    """Settings of a joint, some of them anywhere in their range; none contradicts another."""
    settings = Settings()
    kind = draw(st.sampled_from([None, *sorted(KINDS)]))
    if kind is not None:
        copy(settings_of_kind(kind), settings)
        settings.stopping.check_V *= draw(st.sampled_from((0.0, 1.0)))
    for name, field in draw(st.lists(st.sampled_from(FIELDS), max_size=most)):
        values = within(field)
        if field.kind == TABLE:
            put(settings, name, draw(st.lists(values, min_size=field.size, max_size=field.size)))
        else:
            put(settings, name, draw(values))
    put_right(settings)
    assume(contradiction(settings) is None)
    return settings


def put_right(settings):
    """Order what has to be ordered; drop what still contradicts."""
    s, limits, g, heat = settings.sensing, settings.limits, settings.gains, settings.heat
    s.rail_high_counts = max(min(s.rail_high_counts, s.counts_top), 1)
    s.rail_low_counts = min(s.rail_low_counts, s.rail_high_counts - 1)
    g.rest_in_rad, g.rest_out_rad = sorted((g.rest_in_rad, g.rest_out_rad))
    heat.warm_C, heat.hot_C = sorted((heat.warm_C, heat.hot_C))
    settings.drive.sign = settings.drive.sign or 1
    names = ("travel_low_rad", "command_low_rad", "command_high_rad", "travel_high_rad")
    for name, value in zip(names, sorted(getattr(limits, name) for name in names), strict=True):
        setattr(limits, name, value)
    usual = Settings()
    if contradiction(settings) == "gains.integral_limit_V":
        g.ki = 0.0
    for name in ("sensing.rad_per_count", "heat.warm_C", "heat.hot_C", "profile.speed_rad_s",
                 "sensing.blind_limit_s", *("limits." + name for name in names)):  # fmt: skip
        if contradiction(settings) is not None:
            put(settings, name, get(usual, name))


ANY = st.floats()
SUPPLY = st.one_of(*[st.floats(3.5, 6.5)] * 3, ANY)
CURRENT = st.one_of(*[st.floats(-1.0, 1.0)] * 3, ANY)
AGE = st.one_of(*[st.just(0.0)] * 9, ANY)
FAULT = st.sampled_from((0,) * 30 + tuple(range(21)))
STEPS = st.sampled_from((1,) * 12 + (2, 3, 50))


@st.composite
def readings(draw, top):
    found = Readings()
    found.counts = draw(st.one_of(st.integers(0, top), st.integers(-(2**21), 2**21)))
    found.second_counts = draw(st.integers(0, top))
    found.supply_V, found.current_A = draw(SUPPLY), draw(CURRENT)
    found.steps, found.link_age_s = draw(STEPS), draw(AGE)
    found.outside_fault = draw(FAULT)
    return found


@st.composite
def commands(draw, low, high):
    found = Command()
    found.request = draw(st.sampled_from(REQUESTS))
    found.kind = draw(st.sampled_from((0, 0, 1, 1, 2, 2, 3, 7)))
    if found.kind:
        found.target_rad = draw(st.one_of(st.floats(low, high), st.sampled_from((low, high)), ANY))
        found.target_rad_s = draw(st.one_of(st.floats(-5.0, 5.0), ANY))
        found.span_s = draw(st.one_of(st.floats(0.001, 0.1), ANY))
        found.turn, found.way = draw(st.integers(-32768, 32767)), draw(st.integers(0, 1))
        found.grip = draw(st.integers(0, 1))
    return found


@st.composite
def programs(draw, settings, most=12):
    """Rows (readings, command, how many ticks, counts that the reading moves in each)."""
    limits, top = settings.limits, settings.sensing.counts_top
    rows = []
    for _ in range(draw(st.integers(1, most))):
        rows.append((draw(readings(top)), draw(commands(limits.command_low_rad, limits.command_high_rad)),
                     draw(st.sampled_from((1, 1, 3, 20))), draw(st.sampled_from((0, 1, -1, 7, -40)))))  # fmt: skip
    return rows


def ticks(rows):
    """The ticks of a program, one by one: fresh readings and commands."""
    for given, asked, count, step in rows:
        for k in range(count):
            found, command = Readings(), Command()
            copy(given, found)
            found.counts += k * step
            if k == 0:
                copy(asked, command)
            yield found, command
