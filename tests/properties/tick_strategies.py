"""What is drawn for a joint's tick: settings within their ranges, readings, commands.

Settings are single-precision numbers, as they come over the link; most are those of a
joint, some are anything their range allows. What then contradicts itself is put right.
"""

import functools
import struct

from hypothesis import assume
from hypothesis import strategies as st

from controller.joint.inout import Command, Readings
from controller.joint.modes import ARM, CLEAR, CONTROLLED_STOP, RELEASE
from controller.joint.settings.contradictions import contradiction
from controller.joint.settings.settings import Settings
from controller.records import INTEGER, TABLE, copy, get, leaves, put
from tests.properties.conftest import KINDS, joint_with

FIELDS = [(name, field) for name, field in leaves(Settings)]
REQUESTS = (0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 1, 1, 2, 3, 4, 5, 5, 6, 6)

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
        settings.stopping.check_V *= draw(st.sampled_from((0.0, 0.0, 1.0)))
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
    s, limits, g, heat = settings.sensor, settings.limits, settings.gains, settings.heat
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
    for name in ("sensor.rad_per_count", "heat.warm_C", "heat.hot_C", "heat.winding_J_K", "heat.winding_K_W", "heat.case_J_K", "profile.speed_rad_s",
                 "sensor.blind_limit_s", *("limits." + name for name in names)):  # fmt: skip
        if contradiction(settings) is not None:
            put(settings, name, get(usual, name))


ANY = st.floats()
SUPPLY = st.one_of(*[st.floats(4.5, 6.5)] * 7, ANY)
CURRENT = st.one_of(*[st.floats(-1.0, 1.0)] * 3, ANY)
AGE = st.one_of(*[st.just(0.0)] * 19, ANY)
FAULT = st.sampled_from((0,) * 200 + tuple(range(21)))
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


def counts_at(settings, share):
    """Reading at a share of the travel, as near as the sensor has it."""
    s, limits = settings.sensor, settings.limits
    angle = limits.travel_low_rad + share * (limits.travel_high_rad - limits.travel_low_rad)
    counts = round(angle / s.rad_per_count + s.zero_counts)
    return min(max(counts, s.rail_low_counts), s.rail_high_counts)


def armed(settings, share):
    """Rows that clear and arm a joint at a share of its travel; nothing else is wrong."""
    found, clear, arm = Readings(), Command(), Command()
    found.counts, clear.request, arm.request = counts_at(settings, share), CLEAR, ARM
    return [(found, Command(), 12, 1, True), (found, clear, 1, 1, False), (found, arm, 3, 1, False)]


def eased(settings, request):
    """Rows that set a joint under way and stop it, or release it."""
    found, move, stop = Readings(), Command(), Command()
    move.kind, move.target_rad, stop.request = 1, settings.limits.command_high_rad, request
    return [(found, move, 8, 1, False), (found, stop, 5, 0, False)]


@st.composite
def scenarios(draw, settings, most=12):
    """Rows (readings, command, how many ticks, counts moved in each, whether the counts jump).

    Most begin with a joint that is armed, and go on from where the last row has ended; now and
    then it is put somewhere, cleared and armed anew.
    """
    limits, top = settings.limits, settings.sensor.counts_top
    rows = []
    for k in range(draw(st.integers(2, most))):
        if draw(st.sampled_from((True, True, True, False) if k == 0 else (False, False, True))):
            rows += armed(settings, draw(st.floats(0.05, 0.95)))
            if draw(st.booleans()):
                rows += eased(settings, draw(st.sampled_from((CONTROLLED_STOP, RELEASE))))
        command = draw(commands(limits.command_low_rad, limits.command_high_rad))
        rows.append((draw(readings(top)), command, draw(st.sampled_from((1, 1, 3, 20))),
                     draw(st.sampled_from((1, -1, 2, 0, 7, -40, 150))), draw(st.sampled_from((False,) * 7 + (True,)))))  # fmt: skip
    return rows


def ticks(rows):
    """The ticks of a program, one by one: fresh readings and commands."""
    counts = rows[0][0].counts
    for given, asked, count, step, jumps in rows:
        if jumps:
            counts = given.counts
        for k in range(count):
            found, command = Readings(), Command()
            copy(given, found)
            counts += step
            found.counts = counts
            if k == 0:
                copy(asked, command)
            yield found, command
