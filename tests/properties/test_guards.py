"""Every guard is missed when it is gone: each one is disabled in turn, and a small program shows it.

A program is a scenario file of the folder ``breaches``, run as plain Python on the nominal part,
sometimes with something spoiled that no scenario can say (a reading, a setting, memory). With all
guards it breaks no rule of ``sim/challenge/rules.py`` and keeps the property of its row; with the
row's lines of the controller taken out, that property (or that rule) breaks. Where another guard
catches the same, the row says which and why: then one alone may go, but not all of them together.
"""

import ast
import importlib
import inspect
import math
import re
import sys
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import pytest

from controller.joint import faults, limits, modes
from controller.joint import tick as joint_module
from controller.joint.settings.settings import Settings
from controller.joint.state import Command, Readings, Report, State
from controller.records import copy, get, leaves, put
from sim.challenge import Rules
from sim.joint.part import Part, Sense
from sim.model import loop
from sim.model.rig import Rig
from sim.model.schedule import LIMIT_BITS, Score
from sim.model.start import start_plant
from sim.run import kernels, scenario_file
from sim.run.closed_loop import FINE_S, NOISE, Batch, Fleet, run_record
from tests.properties.conftest import joint_with

HERE = Path(__file__).resolve().parent
UNDRIVEN = (modes.OFF, modes.TRIPPED)

# --- a run


class Life:
    """One run of a breach program, tick by tick, and what can be asked of it afterwards."""

    def __init__(self, guard):
        made = joint_with(guard.tables)
        scene = scenario_file.read(HERE / "breaches" / f"{guard.breach}.toml",
                                   made.settings.tick_s).scenario  # fmt: skip
        self.settings = Settings()
        copy(made.settings, self.settings)
        if not scene.self_test:
            self.settings.stopping.check_V = 0.0
        for name, value in guard.settings.items():
            put(self.settings, name, value)
        self.state, self.command = State(), Command()
        self.readings, self.report = Readings(), Report()
        self.part, self.sense, self.score = Part(), Sense(), Score()
        copy(made.part, self.part)
        self.plant = start_plant(self.part, scene.start_rad, 25.0)
        self.sense.word = NOISE % 2**32
        self.readings.supply_V = self.plant.bus_V
        self.tick_s = self.settings.tick_s
        rows = self._run(scene, made, guard.spoil)
        for column, values in rows.items():
            setattr(self, column, np.array(values))
        self.broken = self._judge(made, scene)

    def _run(self, scene, made, spoil):
        run = run_record(self.part, scene, self.tick_s, made.delay_s, FINE_S)
        events = scene.events(self.tick_s)
        ticked = (self.settings, self.state, self.command, self.readings, self.report)
        rig = Rig()
        for name in (
            "settings",
            "state",
            "command",
            "readings",
            "report",
            "part",
            "plant",
            "sense",
            "score",
        ):
            setattr(rig, name, getattr(self, name))
        rig.run = run
        rows = {}
        for k in range(run.ticks):
            if loop.begin_tick(rig, events, k) > 0:
                if spoil is not None:
                    spoil(k, self)
                joint_module.joint_tick(*ticked)
            for column, value in self._row(k).items():
                rows.setdefault(column, []).append(value)
            loop.end_tick(rig, None, k)
        return rows

    def _row(self, k):
        r, x = self.report, self.plant
        return {
            "time_s": k * self.tick_s, "mode": r.mode, "fault": r.fault, "volt": r.allowed_V,
            "value": r.drive, "bits": r.limits, "seen_rad": r.angle_rad, "setpoint_rad": r.setpoint_rad,
            "setpoint_rad_s": r.setpoint_rad_s, "true_rad": x.joint_rad, "true_rad_s": x.joint_rad_s,
            "amps": x.current_A, "demand": r.demand_V, "high": self.state.allowed.high_V,
            "low": self.state.allowed.low_V, "bus_read": self.readings.supply_V, "refused": self.command.refused, "bus": x.bus_V,
        }  # fmt: skip

    def _judge(self, made, scene):
        crew = Fleet([made.part], [25.0], made.settings.tick_s, made.delay_s, 1)
        run = Batch(
            kernels.as_array([self.score]), kernels.as_array([self.plant]), None, self.tick_s
        )
        return Rules(made, crew).judge(scene, run).broken

    def after(self, time_s):
        """The first tick at or after a time."""
        return round(time_s / self.tick_s)

    def answered_s(self, since_s):
        """Time (s) from ``since_s`` to the tick in which a fault was answered; inf if never."""
        k = self.after(since_s)
        found = np.flatnonzero(self.mode[k:] >= modes.STOPPING)
        return found[0] * self.tick_s if len(found) else math.inf

    def span(self, since_s, until_s=math.inf):
        """The ticks from one time to another."""
        return slice(self.after(since_s), None if until_s == math.inf else self.after(until_s))


# --- what a row of the table says


@dataclass(frozen=True)
class Cut:
    """A line of the controller, and what stands there once the guard is gone."""

    where: str
    """Module and function."""
    old: str
    new: str


@dataclass(frozen=True)
class Keeps:
    """A property of a run, in words and as a test of a Life."""

    words: str
    test: object


@dataclass(frozen=True)
class Guard:
    """One guard: what is cut out, the program that misses it, and what then breaks."""

    name: str
    cuts: tuple
    breach: str
    keeps: object
    """A Keeps, or the name of a rule of sim/challenge/rules.py."""
    fault: int | None = None
    """Fault in which the run ends while the guard is there (None: not looked at)."""
    covers: tuple = ()
    """Fault numbers whose detector this row disables."""
    bit: int = 0
    """Limit bit set in the run with the guard."""
    tables: dict = field(default_factory=dict)
    settings: dict = field(default_factory=dict)
    spoil: object = None
    also: tuple = ()
    """Other guards that catch the same: with this one alone gone nothing breaks."""
    why: str = ""
    """Why they do."""

    def holds(self, life):
        if isinstance(self.keeps, str):
            return self.keeps not in life.broken
        return bool(self.keeps.test(life))


# --- properties


def seen_within(bound, since_s):
    """The drive is taken away, or a stop begun, within ``bound(settings)`` seconds."""
    return Keeps(
        f"answered within its bound, counted from {since_s} s",
        lambda life: life.answered_s(since_s) <= bound(life.settings) + 1e-9,
    )


def ticks_of(count):
    """A bound in ticks: ``count(settings)`` of them."""
    return lambda s: count(s) * s.tick_s


def stays_trapped(life):
    """Tripped to the end once tripped."""
    first = np.argmax(life.mode == modes.TRIPPED)
    return life.mode[first] == modes.TRIPPED and (life.mode[first:] == modes.TRIPPED).all()


LATCHED = Keeps("stays tripped", stays_trapped)
NEVER_TRIPS = Keeps("never trips", lambda life: not life.fault.any())
IN_RANGE = Keeps(
    "the joint stays where commands may send it, and a degree",
    lambda life: life.true_rad.max() <= life.settings.limits.command_high_rad + math.radians(1.0),
)
OFF_THE_STOP = Keeps(
    "the hard stop is not touched", lambda life: life.true_rad.max() < life.part.hinge.stop_high_rad
)
REFUSED = Keeps("the setpoint is refused", lambda life: life.refused[-1] == 1)
NOT_MOVED = Keeps(
    "the joint stays where it was", lambda life: np.ptp(life.true_rad) < math.radians(2.0)
)
FINITE = Keeps(
    "every number of the state is one",
    lambda life: all(np.isfinite(get(life.state, name)).all() for name, _ in leaves(State)),
)
WITHIN_SUPPLY = Keeps(
    "no more voltage is reported than the supply had when it was read",
    lambda life: (np.abs(life.volt[1:]) <= life.bus_read[1:] + 1e-9).all(),
)
WITHIN_DUTY = Keeps(
    "the duty stays within its limit",
    lambda life: (np.abs(life.value) <= life.settings.limits.full_duty + 1e-9).all(),
)
SLEWED = Keeps(
    "the voltage changes no faster than its limit",
    lambda life: (np.abs(np.diff(life.volt)) <= life.settings.limits.slew_V_s * life.tick_s + 1e-9)[
        life.after(0.1) : life.after(0.3)
    ].all(),
)


def mean_speeds(life, ticks=10):
    """Mean true speeds (rad/s) over so many ticks: a light joint rings on its cable."""
    return np.abs(life.true_rad[ticks:] - life.true_rad[:-ticks]) / (ticks * life.tick_s)


def speed_kept(setting):
    """The joint is no faster than a limit and what friction is granted (``cap_voltage``)."""

    def test(life):
        s = life.settings.limits
        granted = s.friction_V / (s.back_emf_V_s + s.speed_gain_V_s)
        return mean_speeds(life).max() <= getattr(s, setting) + granted

    return Keeps(f"no faster than {setting} and what friction is granted", test)


def current_kept(setting, since_s=0.0, until_s=math.inf, ticks=10):
    """The winding current stays within a limit, noise of the speed estimate averaged out.

    The true winding is never colder than the limit assumes.
    """

    def test(life):
        amps = np.abs(life.amps[life.span(since_s, until_s)])
        mean = np.convolve(amps, np.ones(ticks) / ticks, "valid")
        return mean.max() <= getattr(life.settings.limits, setting)

    return Keeps(f"winding current within {setting}", test)


def off_by(time_s):
    """The drive is off from a time on, whatever happens."""

    def test(life):
        rest = life.span(time_s)
        return np.isin(life.mode[rest], UNDRIVEN).all() and not life.value[rest].any()

    return Keeps(f"off from {time_s} s on", test)


def zero_at(time_s):
    """The drive is zero in one tick."""
    return Keeps(f"no drive at {time_s} s", lambda life: life.volt[life.after(time_s)] == 0.0)


# --- what no scenario file can say


def from_tick(first, act):
    """Spoil every tick from ``first`` on: ``act(ticks since then, life)``."""
    return lambda k, life: act(k - first, life) if k >= first else None


def read_angle(life, angle, n):
    """Let the wiper read an angle (rad), with a count of noise."""
    s = life.settings.sensor
    life.readings.counts = round(s.zero_counts + angle / s.rad_per_count) + n % 2


def falling_wire(k, life):
    """A wire torn off beside the end of the track: the pull-down empties it over several ticks."""
    n = k - 60
    life.readings.counts = 355 + k % 2 if n < 0 else int(213 * 0.6**n) + (n % 2)


def knocked(n, life):
    """The wiper loses its track: every reading is off by a quarter of a radian."""
    life.readings.counts += round(0.25 / life.settings.sensor.rad_per_count)


def slipping(n, life):
    """The reading runs beyond the end of travel, too slowly to be a jump or a speed."""
    read_angle(life, min(1.728 + 0.02 * n, 1.96), n)


def racing(n, life):
    """The reading moves at 27 rad/s: below a jump, above what the motor can do."""
    read_angle(life, 0.1 + 0.055 * n, n)


def in_the_gap(n, life):
    """The wiper stands in its dead gap: the reading is at a rail."""
    life.readings.counts = 0


def warm(k, life):
    """A winding that is warm from before, just below the hot limit, in a warm case."""
    if k == 0:
        life.state.allowed.winding_C, life.state.allowed.case_C = 109.8, 109.0
        life.plant.winding_C, life.plant.case_C = 109.8, 109.0


def shorted_driver(k, life):
    """A driver that lets twice the current through; the fitted sensor tells."""
    warm(k, life)
    life.readings.current_A = 2.0


def reading_of(amps):
    """A current sensor that reads the same all the time (A)."""

    def spoil(k, life):
        life.readings.current_A = amps

    return spoil


def upset(n, life):
    """A bit of memory flips: the integral is no number."""
    if n == 0:
        life.state.loop.integral_V = math.nan


def standstill(n, life):
    """The second watch has cut the drive outside the tick."""
    life.readings.outside_fault = faults.STANDSTILL if n == 0 else faults.NONE


def no_number_wanted(n, life):
    """A setpoint that is no number."""
    if n == 0:
        life.command.kind, life.command.target_rad = 1, math.nan


def supply_lost(n, life):
    """The supply reads nothing at all."""
    life.readings.supply_V = math.nan


def setpoint_with_arming(k, life):
    """A setpoint in the very tick of arming."""
    if k == 5:
        life.command.kind, life.command.target_rad = 1, 1.5


def moved_by_hand(k, life):
    """The joint is moved by hand while it is tripped."""
    if k == 110:
        life.plant.joint_rad, life.plant.joint_rad_s = 0.3, 0.0
        life.plant.drum_rad, life.plant.drum_rad_s = 0.3, 0.0


def supply_dips_shortly(n, life):
    """The supply falls by 3 V in a single tick."""
    if n == 0:
        life.readings.supply_V -= 3.0


WEAK = {"limits": {"tip_force": "1.6 N"}}
BLIND = {"limits": {"tip_force": "1.4 N"}}
"So weak that friction could take all of the drive: the watch of motion sees nothing."
SLOW = {"limits": {"speed": "200 deg/s"}}
SENSOR = {"limits": {"tip_force": "1.6 N"}, "drive": {"current_sensor": True}}
TURNING = {"joint": {"travel": "continuous", "range": None, "gravity_torque": "0 N*m"}}
PULSE = {"drive": {"kind": "pulse"}}

GUARDS = (
    # limits
    Guard(
        "travel cap",
        (Cut("limits.cap_speed", "if travel == LIMITED:", "if False:"),),
        "stream_to_the_end", OFF_THE_STOP, bit=limits.TRAVEL,
    ),
    Guard(
        "speed cap",
        (Cut("tick.speed_limit", "return settings.limits.speed_rad_s", "return 500.0"),),
        "fast_stream", speed_kept("speed_rad_s"), bit=limits.SPEED, tables=SLOW,
    ),
    Guard(
        "speed cap of a grip",
        (Cut("tick.speed_limit", "if state.mode.grip == 1:", "if False:"),),
        "grip_free", speed_kept("grip_speed_rad_s"), bit=limits.WEAK,
    ),
    Guard(
        "force window",
        (Cut("limits.force_window", "reach = s.resistance_ohm * amps", "reach = 1000.0"),),
        "hard_object", current_kept("current_A", 0.14, 1.1), bit=limits.FORCE, tables=WEAK,
    ),
    Guard(
        "grip current",
        (Cut("tick.allow", "amps = settings.limits.grip_current_A", "pass"),),
        "grip_object", current_kept("grip_current_A", 0.3), bit=limits.WEAK,
        # at the usual grip speed the cap on speed alone keeps a standing joint below this current
        tables={"limits": {"grip_speed": "300 deg/s"}},
    ),
    Guard(
        "release is weak",
        (Cut("tick.allow", "amps = settings.limits.check_current_A", "pass"),),
        "release_jammed", current_kept("check_current_A", 0.2), bit=limits.WEAK,
        settings={"stopping.release_V": 5.0},
    ),
    Guard(
        "self-test is weak",
        (Cut("tick.allow", "amps = settings.limits.check_current_A", "pass"),),
        "test_jammed", current_kept("check_current_A"), bit=limits.WEAK,
        settings={"stopping.check_V": 5.0},
    ),
    Guard(
        "supply clip",
        (Cut("limits.force_window", "most = supply_V * s.full_duty", "most = 1000.0"),),
        "fast_stream", WITHIN_SUPPLY, bit=limits.SUPPLY,
    ),
    Guard(
        "duty clip",
        (Cut("drive.duty", "if share > most:\n        return most", "pass"),
         Cut("drive.duty", "if share < -most:\n        return -most", "pass")),
        "fast_stream", WITHIN_DUTY, also=("supply clip",),
        why="the window of stage 6 has the supply as its bound already",
    ),
    Guard(
        "no drive without a reading of the supply",
        (Cut("limits.force_window", "if not 0.0 <= most <= 1000.0:", "if False:"),),
        "move", zero_at(0.144), spoil=from_tick(70, supply_lost),
    ),
    Guard(
        "no duty without a reading of the supply",
        (Cut("drive.duty", "if not 0.0 < supply_V <= 1000.0:", "if False:"),),
        "move", WITHIN_DUTY, spoil=from_tick(70, supply_lost),
    ),
    Guard(
        "slew",
        (Cut("limits.allow", "u = slew(s, st, u, h)", "pass"),),
        "move", SLEWED, bit=limits.SLEW, settings={"limits.slew_V_s": 250.0},
    ),
    Guard(
        "window once more, after the slew",
        (Cut("limits.allow", "if u > st.high_V:\n        return st.high_V", "pass"),
         Cut("limits.allow", "return u if u >= st.low_V else st.low_V", "return u")),
        "move", "window", settings={"limits.slew_V_s": 250.0},
        spoil=from_tick(70, supply_dips_shortly),
    ),
    Guard(
        "heat derating",
        (Cut("limits.allow", "share = heat.derating(settings.heat, st.winding_C)", "share = 1.0"),),
        "grip_object", NEVER_TRIPS, bit=limits.HEAT, spoil=warm,
    ),
    Guard(
        "a demand that is no number",
        (Cut("limits.allow", "if not -1.0e6 < u < 1.0e6:", "if False:"),),
        "rest", zero_at(0.12), spoil=from_tick(60, upset),
    ),
    Guard(
        "an integral that is no number is forgotten",
        (Cut("pid.settle", "if not -1.0e6 <= integral <= 1.0e6:", "if False:"),),
        "rest", FINITE, spoil=from_tick(60, upset),
    ),
    Guard(
        "current reading that is none, in the heat",
        (Cut("limits.account", "and -1.0e3 < current_A < 1.0e3", ""),),
        "rest", FINITE, tables=SENSOR, spoil=reading_of(math.nan),
    ),
    # detectors
    Guard(
        "wiper rail",
        (Cut("reading.at_rail", "return counts < s.rail_low_counts or counts > s.rail_high_counts",
             "return False"),),
        "rest", seen_within(ticks_of(lambda s: s.sensor.bad_ticks - 1), 0.124),
        faults.WIPER_RAIL, (faults.WIPER_RAIL,), settings={"sensor.zero_counts": 300.0},
        spoil=falling_wire,
    ),
    Guard(
        "jump",
        (Cut("sensor.take_limited", "if moved > reach or moved < -reach:", "if False:"),),
        "rest", seen_within(ticks_of(lambda s: s.sensor.bad_ticks), 0.12),
        faults.SENSOR_JUMP, (faults.SENSOR_JUMP,), spoil=from_tick(60, knocked),
    ),
    Guard(
        "held",
        (Cut("watch.sensor_fault", "if s.held_ticks > 0 and sensed.same_ticks >= s.held_ticks:",
             "if False:"),),
        "reading_held", seen_within(ticks_of(lambda s: s.sensor.held_ticks + 1), 0.13),
        faults.SENSOR_HELD, (faults.SENSOR_HELD,),
    ),
    Guard(
        "blind",
        (Cut("watch.sensor_fault", "if sensed.blind_s > s.blind_limit_s:", "if False:"),),
        "beside_the_gap", seen_within(lambda s: s.sensor.blind_limit_s + s.tick_s, 0.12),
        faults.BLIND, (faults.BLIND,), spoil=from_tick(60, in_the_gap),
        settings={"gains.kp": 0.0, "gains.ki": 0.0, "gains.kd": 0.0},  # else it moves: seen otherwise
        tables=TURNING,
    ),
    Guard(
        "reversed",
        (Cut("watch.wrong_way_fault", "if w.wrong_rad > 0.0 and e.wrong_rad > w.wrong_rad:",
             "if False:"),),
        "move_swapped", seen_within(lambda s: 0.05, 0.12),
        faults.REVERSED, (faults.REVERSED,),
    ),
    Guard(
        "reversed, in the self-test",
        (Cut("supervisor.check", "elif moved <= -s.check_rad:", "elif False:"),),
        "test_swapped", seen_within(lambda s: 0.4, 0.01),
        faults.REVERSED, (faults.REVERSED,),
    ),
    Guard(
        "no motion",
        (Cut("watch.motion_fault", "if w.still_s > 0.0 and e.still_s > w.still_s:", "if False:"),),
        "motor_unplugged", seen_within(lambda s: 0.2, 0.12),
        faults.NO_MOTION, (faults.NO_MOTION,), also=("blocked",),
        why="what does not move at all is also slower than it should be; that takes longer to say",
    ),
    Guard(
        "blocked",
        (Cut("watch.motion_fault", "if w.slow_s > 0.0 and e.slow_s > w.slow_s:", "if False:"),),
        "mud", seen_within(lambda s: 0.2, 0.12), faults.BLOCKED, (faults.BLOCKED,),
    ),
    Guard(
        "following",
        (Cut("watch.following_fault", "if w.following_rad > 0.0 and e.far_s > w.following_s:",
             "if False:"),),
        "hard_object", seen_within(lambda s: s.watch.following_s + 0.1, 0.12),
        faults.FOLLOWING, (faults.FOLLOWING,), tables=WEAK,
    ),
    Guard(
        "over-travel",
        (Cut("watch.travel_fault", "if e.over_ticks >= w.over_travel_ticks:", "if False:"),),
        "at_the_end", seen_within(lambda s: 0.04, 0.12), faults.OVER_TRAVEL, (faults.OVER_TRAVEL,),
        tables=BLIND, spoil=from_tick(60, slipping),
    ),
    Guard(
        "over-speed",
        (Cut("watch.travel_fault", "if e.fast_ticks >= w.over_speed_ticks:", "if False:"),),
        "start_low", seen_within(lambda s: 0.02, 0.12), faults.OVER_SPEED, (faults.OVER_SPEED,),
        tables=BLIND, spoil=from_tick(60, racing),
    ),
    Guard(
        "too hot",
        (Cut("watch.supply_fault", "allowed.winding_C >= settings.heat.hot_C", "False"),),
        "rest", seen_within(lambda s: 0.15, 0.01), faults.TOO_HOT, (faults.TOO_HOT,),
        tables=SENSOR, spoil=shorted_driver,
    ),
    Guard(
        "supply low",
        (Cut("watch.supply_fault", "if allowed.supply_low_ticks >= limits.supply_ticks:",
             "if False:"),),
        "supply_dip", seen_within(ticks_of(lambda s: s.limits.supply_ticks + 1), 0.15),
        faults.SUPPLY_LOW, (faults.SUPPLY_LOW,),
    ),
    Guard(
        "link silent",
        (Cut("supervisor.find_fault", "not readings.link_age_s <= w.link_silence_s", "False"),),
        "link_silent", seen_within(lambda s: s.watch.link_silence_s + 2 * s.tick_s, 0.15),
        faults.LINK_SILENT, (faults.LINK_SILENT,),
    ),
    Guard(
        "late ticks",
        (Cut("watch.count_late", "e.late_sixteenths > 16 * w.late_ticks", "False"),),
        "late_ticks", seen_within(lambda s: s.tick_s, 0.24), faults.LATE_TICKS,
        (faults.LATE_TICKS,),
    ),
    Guard(
        "self-test without motion",
        (Cut("supervisor.check", "elif m.elapsed_s >= s.check_s:", "elif False:"),),
        "test_unplugged", seen_within(lambda s: s.stopping.check_s, 0.01), faults.CHECK_FAILED,
        (faults.CHECK_FAILED,),
    ),
    Guard(
        "STOP at once",
        (Cut("supervisor.take_request", "trip(m, faults.STOP_PRESSED)", "pass"),),
        "stop", off_by(0.17), faults.STOP_PRESSED, (faults.STOP_PRESSED,),
    ),
    Guard(
        "fault from outside",
        (Cut("watch.standing_fault", "return readings.outside_fault", "pass"),),
        "move", off_by(0.16), faults.STANDSTILL, (faults.STANDSTILL,), spoil=from_tick(80, standstill),
    ),
    # gates
    Guard(
        "faults are answered while driven",
        (Cut("supervisor.find_fault", "return cause", "pass"),),
        "reading_held", seen_within(ticks_of(lambda s: s.sensor.held_ticks + 1), 0.13),
        faults.SENSOR_HELD,
    ),
    Guard(
        "no arming while a fault stands",
        (Cut("supervisor.take_request", "trip(m, cause)", "enter(m, POWERED, FIRST, angle)"),),
        "arm_with_wire_off", off_by(0.1), also=("faults are answered while driven",),
        why="a joint that is driven answers a standing fault in the same tick",
    ),
    Guard(
        "a fault of category 0 gets no controlled stop",
        (Cut("supervisor.answer_fault", "faults.category(fault) == 0", "False"),),
        "wiper_shorted", off_by(0.176), faults.WIPER_RAIL,
    ),
    Guard(
        "a fault in the self-test gets no controlled stop",
        (Cut("supervisor.answer_fault", " or m.mode == CHECKING", ""),),
        "test_jammed", seen_within(lambda s: 0.15, 0.01), faults.TOO_HOT, tables=SENSOR,
        spoil=shorted_driver,
    ),
    Guard(
        "a fault that began a stop latches though it is disarmed",
        (Cut("supervisor.take_request", "if m.mode == STOPPING:", "if False:"),),
        "disarm_in_a_stop", Keeps("tripped", lambda life: life.mode[-1] == modes.TRIPPED), faults.BLOCKED,
    ),
    Guard(
        "the first cause stays",
        (Cut("supervisor.trip", "if m.fault == faults.NONE:", "if True:"),),
        "stop_twice",
        Keeps("the fault that is told is the first", lambda life: life.fault[-1] == faults.LINK_SILENT),
    ),
    Guard(
        "trip latch: arming",
        (Cut("supervisor.take_request", "elif request == ARM and m.mode == OFF:",
             "elif request == ARM:"),),
        "stop_then_arm", "relit", faults.STOP_PRESSED,
    ),
    Guard(
        "trip latch: disarming",
        (Cut("supervisor.take_request", "elif m.mode != TRIPPED:", "else:"),),
        "stop_then_disarm", LATCHED, faults.STOP_PRESSED,
    ),
    Guard(
        "trip latch: release",
        (Cut("supervisor.may_release",
             "return m.mode == POWERED or (m.mode == OFF and m.push_sign != 0.0)", "return True"),),
        "stop_then_release", "relit", faults.STOP_PRESSED,
    ),
    Guard(
        "trip latch: easing",
        (Cut("supervisor.take_request", "elif request == CONTROLLED_STOP and m.mode == POWERED:",
             "elif request == CONTROLLED_STOP:"),),
        "stop_then_controlled_stop", "relit", faults.STOP_PRESSED,
    ),
    Guard(
        "clear needs its cause gone",
        (Cut("supervisor.take_request", "m.mode == TRIPPED and cause == faults.NONE",
             "m.mode == TRIPPED"),),
        "clear_too_soon", LATCHED,
    ),
    Guard(
        "only driven modes are driven",
        (Cut("tick.joint_tick", "powered = modes.driven(state.mode.mode)", "powered = True"),),
        "stop", "off", faults.STOP_PRESSED, also=("last gate",),
        why="a bridge with a voltage of zero is off",
    ),
    Guard(
        "last gate",
        (Cut("supervisor.last_gate", "return u if driven(m.mode) else 0.0", "return u"),),
        "stop", "off", faults.STOP_PRESSED, also=("only driven modes are driven",),
        why="the stages before it do not run while off",
    ),
    Guard(
        "no pulse at all when off",
        (Cut("drive.put_out", "if not powered:", "if False:"),),
        "stop", "off", faults.STOP_PRESSED, tables=PULSE,
    ),
    Guard(
        "first powered tick is zero",
        (Cut("tick.joint_tick", "if first:", "if False:"),),
        "arm_while_pushed", "kick",
    ),
    Guard(
        "the trajectory starts anew where the joint stands",
        (Cut("supervisor.start_anew", "trajectory.reset(state.motion, angle)", "pass"),),
        "stop_clear_arm",
        Keeps("armed again, it stays where it is",
              lambda life: np.ptp(life.true_rad[life.span(0.26)]) < math.radians(1.0)),
        spoil=moved_by_hand,
    ),
    Guard(
        "no setpoint while not powered",
        (Cut("tick.take_setpoint", "fresh or state.mode.mode != modes.POWERED", "fresh"),),
        "set_while_off",
        Keeps("armed later, it is not in a grip", lambda life: life.state.mode.grip == 0),
    ),
    Guard(
        "no setpoint in the tick of arming",
        (Cut("tick.take_setpoint", "fresh or state.mode.mode != modes.POWERED",
             "state.mode.mode != modes.POWERED"),),
        "rest", NOT_MOVED, spoil=setpoint_with_arming,
    ),
    Guard(
        "range of targets",
        (Cut("motion.setpoint.acceptable", "elif not settings.limits.command_low_rad <= angle <= "
             "settings.limits.command_high_rad:", "elif False:"),),
        "beyond_range", IN_RANGE,
    ),
    Guard(
        "a target that is no number",
        (Cut("motion.setpoint.acceptable", "elif not settings.limits.command_low_rad <= angle <= "
             "settings.limits.command_high_rad:", "elif False:"),),
        "rest", FINITE, spoil=from_tick(60, no_number_wanted),
    ),
    Guard(
        "dead gap",
        (Cut("motion.setpoint.acceptable", " or in_gap(settings.sensor, angle)", ""),),
        "target_in_the_gap", REFUSED, tables=TURNING,
    ),
    Guard(
        "speed of streamed setpoints",
        (Cut("motion.setpoint.acceptable", "-most <= speed <= most and ", ""),),
        "stream_too_fast", NOT_MOVED,
    ),
    Guard(
        "time of streamed setpoints",
        (Cut("motion.setpoint.acceptable", " and 0.0 < command.span_s <= 10.0", ""),),
        "stream_no_span", REFUSED,
    ),
    Guard(
        "a streamed setpoint far from here is planned",
        (Cut("motion.trajectory.take", "if -reach <= command.target_rad + offset - motion.setpoint_rad <= reach:",
             "if True:"),),
        "stream_jump",
        Keeps("nothing faster than the limit is wanted",
              lambda life: np.abs(life.setpoint_rad_s).max() <= life.settings.limits.speed_rad_s),
    ),
    Guard(
        "a stream that ends is stopped",
        (Cut("motion.trajectory.follow_stream", "if over > hold_s:", "if False:"),),
        "stream_ends",
        Keeps("it comes to rest",
              lambda life: np.ptp(life.true_rad[life.span(0.5)]) < math.radians(1.0)),
    ),
    Guard(
        "a stop ends in range",
        (Cut("motion.trajectory.begin_stop", "within == 0 or settings.sensor.travel != LIMITED or "
             "low <= end <= high", "True"),),
        "hold_near_the_end",
        Keeps("it ends in the range",
              lambda life: life.setpoint_rad[-1] <= life.settings.limits.command_high_rad + 1e-9),
    ),
    Guard(
        "a controlled stop has a deadline",
        (Cut("supervisor.run_stop", " or m.elapsed_s >= s.deadline_s", ""),),
        "controlled_stop", off_by(0.51), settings={"profile.acceleration_rad_s2": 5.0},
    ),
    Guard(
        "a release ends by time",
        (Cut("supervisor.run_stop", "m.elapsed_s >= s.release_s or ", ""),),
        "release_unplugged", off_by(0.42),
    ),
    Guard(
        "a release ends by motion",
        (Cut("supervisor.run_stop", "back >= s.release_rad or ", ""),),
        "release",
        Keeps("it lets go and moves no further than a quarter of a radian",
              lambda life: np.ptp(life.true_rad[life.span(0.4)]) < 0.3),
        settings={"stopping.release_s": 1.0},
    ),
)  # fmt: skip


# --- taking a guard away


def original(where):
    """The module and function of a cut, and its source."""
    name, function = where.rsplit(".", 1)
    module = importlib.import_module("controller.joint." + name)
    return module, function, inspect.getsource(getattr(module, function))


def take_away(monkeypatch, cuts):
    """Put functions without the given lines in the place of the controller's own."""
    texts = {}
    for cut in cuts:
        _, _, source = original(cut.where)
        text = texts.get(cut.where, source)
        assert text.count(cut.old) == 1, f"{cut.where} has changed: {cut.old}"
        texts[cut.where] = text.replace(cut.old, cut.new)
    for where, text in texts.items():
        module, function, _ = original(where)
        old, made = getattr(module, function), {}
        exec(compile(text, f"{where} without a guard", "exec"), vars(module), made)
        for name, one in list(sys.modules.items()):
            if name.startswith("controller.") and getattr(one, function, None) is old:
                monkeypatch.setattr(one, function, made[function])


BY_NAME = {guard.name: guard for guard in GUARDS}
each_guard = pytest.mark.parametrize("guard", GUARDS, ids=lambda guard: guard.name)


@each_guard
def test_with_all_guards_nothing_breaks(guard):
    life = Life(guard)
    assert life.broken == ()
    assert guard.holds(life), guard.keeps
    if guard.fault is not None:
        assert life.fault[-1] == guard.fault
    assert guard.bit == 0 or (life.bits & guard.bit).any()


@each_guard
def test_a_guard_that_is_gone_is_missed(guard, monkeypatch):
    take_away(monkeypatch, guard.cuts)
    if guard.also:
        assert guard.holds(Life(guard)), "not redundant: " + guard.why
        monkeypatch.undo()
        take_away(monkeypatch, [*guard.cuts, *(c for n in guard.also for c in BY_NAME[n].cuts)])
    assert not guard.holds(Life(guard))


# --- the table is complete

ELSEWHERE = {
    faults.WATCHDOG_RESET: (
        "board/test_start.py",
        "test_after_a_watchdog_reset_a_joint_is_tripped_until_it_is_cleared",
    ),
    faults.TICK_ERROR: ("host/test_node.py", "test_an_error_in_the_tick_ends_with_the_drive_off"),
    faults.STANDSTILL: (
        "board/test_loop.py",
        "test_an_interrupt_that_fails_does_not_come_again_and_the_second_watch_cuts_the_drive",
    ),
}
"""Faults that only a board can raise: the test that brings each one about."""
REFUSED_ONLY = (faults.SETTINGS_DIFFER,)
"""The number is kept; arming with other settings is refused, nothing latches."""
NUMBERS = {
    value: name
    for name, value in vars(faults).items()
    if name.isupper() and isinstance(value, int) and name not in ("NONE", "COUNT")
}


def test_every_fault_number_is_in_the_table_or_tested_on_a_board():
    here = {fault for guard in GUARDS for fault in guard.covers}
    assert sorted(NUMBERS) == list(range(1, faults.COUNT))
    assert here | set(ELSEWHERE) | {faults.SETTINGS_DIFFER} == set(NUMBERS)


@pytest.mark.parametrize("fault", ELSEWHERE, ids=NUMBERS.get)
def test_the_test_of_a_board_fault_is_there(fault):
    file, wanted = ELSEWHERE[fault]
    text = (HERE.parent / file).read_text(encoding="utf-8")
    (found,) = (
        one for one in ast.parse(text).body
        if isinstance(one, ast.FunctionDef) and one.name == wanted
    )  # fmt: skip
    assert f"faults.{NUMBERS[fault]}" in ast.get_source_segment(text, found)


@pytest.mark.parametrize(
    "fault",
    [n for n in NUMBERS if n not in REFUSED_ONLY],
    ids=NUMBERS.get,
)
def test_every_fault_number_is_raised_somewhere(fault):
    sources = Path(faults.__file__).parents[1].rglob("*.py")
    text = "".join(one.read_text(encoding="utf-8") for one in sources if one.name != "faults.py")
    assert re.search(rf"\bfaults\.{NUMBERS[fault]}\b", text)


def test_every_limit_bit_is_in_the_table():
    assert {guard.bit for guard in GUARDS} - {0} == {1 << k for k in range(LIMIT_BITS)}


def test_the_table_is_in_order():
    assert len(BY_NAME) == len(GUARDS)
    for guard in GUARDS:
        assert set(guard.also) <= set(BY_NAME), guard.name
        assert bool(guard.also) == bool(guard.why), guard.name
        assert set(guard.covers) <= {guard.fault}, guard.name


def test_every_breach_program_is_used():
    stored = {path.stem for path in (HERE / "breaches").iterdir()}
    assert stored == {guard.breach for guard in (*GUARDS, *UNGUARDED)}


# --- what no guard catches yet

DEAD_SENSOR, TORN_WIRE, GRIP_SWAPPED = UNGUARDED = (
    Guard("current sensor dead", (), "hard_object", None, tables=SENSOR, spoil=reading_of(0.0)),
    Guard("wire torn beside the gap", (), "torn_beside_the_gap", None, tables=TURNING),
    Guard("a grip with swapped wires", (), "wires_swapped", None),
)


def pressing_A(life):
    """Mean current (A) of 20 ms in which the joint presses on the hard object of ``hard_object``."""
    return np.abs(life.amps[life.span(0.24, 0.26)]).mean()


def test_a_sound_current_sensor_keeps_the_force_limit():
    life = Life(replace(DEAD_SENSOR, spoil=None))
    assert pressing_A(life) <= 1.1 * life.settings.limits.current_A


def test_a_dead_current_sensor_leaves_the_force_limit():
    life = Life(DEAD_SENSOR)
    assert pressing_A(life) <= 1.1 * life.settings.limits.current_A


def test_a_wire_torn_off_a_standing_joint_beside_the_gap_does_not_move_it():
    life = Life(TORN_WIRE)
    assert life.fault[-1] == faults.BLIND
    assert np.ptp(life.true_rad) < math.radians(10.0)


def test_a_grip_that_runs_the_wrong_way_is_not_seen_and_stays_weak():
    """Its push is below what must move the stiffest part, and prying a grip open looks the same.

    The README says so; what is left is its own weak limit. The arming self-test finds it before.
    """
    life = Life(GRIP_SWAPPED)
    assert life.true_rad.min() < math.radians(5.0), "it does run the wrong way"
    assert life.fault[-1] == faults.NONE
    file = joint_with({}).file
    allowed = file.cable.breaking_strength / file.cable.safety_factor
    assert 0.0 < life.plant.peak_cable_N < 0.5 * allowed
