"""Named scenarios: what is commanded of a joint and what happens to it.

A scenario is a program of events (``sim/model/schedule.py``) with a start angle and a
duration. Times are seconds from the start; the joint is armed at 0.01 s and
told to hold, and what is measured begins at ``LEAD_S``.
"""

from dataclasses import dataclass, field
from math import pi

from controller.joint.modes import ARM
from controller.joint.settings.settings import Settings
from sim.model import schedule
from sim.model.schedule import Event
from sim.units import DEG

LEAD_S = 0.12
"""Time (s) at which the measured command is given."""


@dataclass
class Scenario:
    """One scenario. Angles rad, times s."""

    name: str
    start_rad: float
    duration_s: float
    rows: list[tuple] = field(default_factory=list)
    """(time s, kind, a, b, c) in any order."""
    object_Nm_rad: float = 0.0
    """Stiffest object met (for the choice of the substep)."""
    meaning: str = ""
    self_test: bool = False
    """Whether the arming self-test runs (it takes about half a second)."""
    kinds: list[str] = field(default_factory=list)
    """Kinds of the steps, where the program was drawn by chance."""

    def at(
        self, time_s: float, kind: int, a: float = 0.0, b: float = 0.0, c: float = 0.0
    ) -> "Scenario":
        """Add an event at a time (s); returns itself."""
        self.rows.append((time_s, kind, a, b, c))
        return self

    def ticks(self, tick_s: float) -> int:
        """Length in ticks."""
        return round(self.duration_s / tick_s)

    def events(self, tick_s: float) -> list[Event]:
        """Return the program for a tick period (s), sorted by tick."""
        rows = [
            (0.0, schedule.PLACE, self.start_rad, 0.0, 0.0),
            (0.01, schedule.REQUEST, float(ARM), 0.0, 0.0),
            *self.rows,
        ]
        events = []
        for time_s, kind, a, b, c in rows:
            e = Event()
            e.tick, e.kind, e.a, e.b, e.c = round(time_s / tick_s), kind, a, b, c
            events.append(e)
        return sorted(events, key=lambda one: one.tick)


def fine_band(settings: Settings, noise_counts: float) -> float:
    """Band (rad) of settling to the sensor: +-4 sigma of its noise, at least a count."""
    return max(4.0 * noise_counts, 1.0) * abs(settings.sensor.rad_per_count)


def step(
    start: float,
    target: float,
    fine_rad: float,
    settle_s: float = 1.0,
    tail_s: float = 10.0,
    name: str = "step",
    share: float = 0.02,
) -> Scenario:
    """A move to a target, measured to a ``share`` of the step, with a tail for hunting."""
    band = share * abs(target - start)
    end = LEAD_S + settle_s + tail_s
    made = Scenario(name, start, end, meaning=f"{(target - start) / DEG:+.0f} deg step")
    made.at(LEAD_S, schedule.MEASURE, target, band, fine_rad)
    made.at(LEAD_S, schedule.TARGET, target)
    made.at(LEAD_S + settle_s, schedule.TAIL)
    return made


def slow_ramp(start: float, target: float, seconds: float, fine_rad: float) -> Scenario:
    """A slow streamed sweep there and back, through stiction at both ends."""
    made = Scenario(
        "slow_ramp",
        start,
        LEAD_S + 2 * seconds + 0.5,
        meaning=f"slow ramp at {(target - start) / seconds / DEG:.0f} deg/s",
    )
    span = 0.02
    count = round(seconds / span)
    made.at(LEAD_S, schedule.MEASURE, start, 0.0209, fine_rad)
    for k in range(2 * count + 1):
        u = k / count if k <= count else 2.0 - k / count
        rate = (target - start) / seconds * (1.0 if k < count else -1.0)
        if k in (0, count, 2 * count):
            rate = 0.0
        made.at(LEAD_S + k * span, schedule.STREAM, start + u * (target - start), rate, span)
    return made


def contact(
    start: float, target: float, at: float, object_Nm_rad: float, name: str, grip: bool = False
) -> Scenario:
    """The joint closes on an object on the way; with ``grip`` it means to."""
    made = Scenario(
        name,
        start,
        LEAD_S + 1.5,
        object_Nm_rad=object_Nm_rad,
        meaning=f"closes on an object of {object_Nm_rad:g} N*m/rad" + (" (grip)" if grip else ""),
    )
    made.at(0.0, schedule.OBJECT, at, object_Nm_rad, 0.0)
    made.at(LEAD_S, schedule.MEASURE, at, 0.0209, 0.0209)
    made.at(LEAD_S, schedule.GRIP if grip else schedule.TARGET, target)
    made.at(LEAD_S + 1.0, schedule.TAIL)
    return made


def load_change(angle: float, torque: float, fine_rad: float) -> Scenario:
    """A load comes and goes while the joint holds."""
    made = Scenario(
        "load", angle, LEAD_S + 2.0, meaning=f"load of {torque * 1e3:.1f} mN*m comes and goes"
    )
    made.at(LEAD_S, schedule.MEASURE, angle, 0.0209, fine_rad)
    made.at(LEAD_S, schedule.LOAD, torque)
    made.at(LEAD_S + 1.0, schedule.LOAD, 0.0)
    made.at(LEAD_S + 1.7, schedule.TAIL)
    return made


def span_of(settings: Settings) -> tuple[float, float]:
    """Angles (rad) between which scenarios move: 20 to 80 % of the range.

    Continuous travel: half a turn, away from the sensor's gap.
    """
    if settings.sensor.travel == 1:
        middle = settings.sensor.gap_from_rad + 0.5 * settings.sensor.gap_rad + pi
        middle -= 2.0 * pi * round(middle / (2.0 * pi))
        return middle - 0.5236, middle + 0.5236
    low, high = settings.limits.command_low_rad, settings.limits.command_high_rad
    return low + 0.2 * (high - low), low + 0.8 * (high - low)


STEP_RAD = 60.0 * DEG


def step_ends(settings: Settings, step_rad: float = STEP_RAD) -> tuple[float, float]:
    """Ends (rad) of a large step in the middle of the range, no longer than the range allows.

    The one place that decides what step is made: what is told of a step tells of these ends.
    """
    low, high = span_of(settings)
    middle, half = 0.5 * (low + high), 0.5 * step_rad
    if settings.sensor.travel != 0:
        return middle - half, middle + half
    low, high = settings.limits.command_low_rad, settings.limits.command_high_rad
    if half < 0.0:  # rounding must not put an end beyond the range: no command goes there
        return min(middle - half, high), max(middle + half, low)
    return max(middle - half, low), min(middle + half, high)


def named(
    settings: Settings, noise_counts: float, step_rad: float | None = None
) -> dict[str, Scenario]:
    """Return the scenarios of a joint by name (``jointloop simulate --list``)."""
    low, high = span_of(settings)
    if step_rad is not None:
        low, high = step_ends(settings, step_rad)
    fine = fine_band(settings, noise_counts)
    torque = 0.05 * settings.limits.current_A * settings.limits.back_emf_V_s
    rows = [
        step(low, high, fine, name="step"),
        step(high, low, fine, name="step_back"),
        step(low, low + DEG, fine, name="small_step"),
        slow_ramp(low, low + 20.0 * DEG, 2.0, fine),
        contact(low, high, 0.5 * (low + high), 1.0, "soft_object"),
        contact(low, high, 0.5 * (low + high), 30.0, "hard_object"),
        contact(low, high, 0.5 * (low + high), 8.0, "grip", grip=True),
        load_change(0.5 * (low + high), torque, fine),
    ]
    rows += fault_scenarios(low, high)
    return {one.name: one for one in rows}


def fault_scenarios(low: float, high: float) -> list[Scenario]:
    """Faults in the middle of a move: wire, polarity, cable, motor, supply, link."""
    from sim.model import sensor

    def during(name: str, kind: int, a: float, meaning: str) -> Scenario:
        made = Scenario(name, low, LEAD_S + 1.0, meaning=meaning)
        made.at(LEAD_S, schedule.TARGET, high)
        return made.at(LEAD_S + 0.05, kind, a)

    swapped = Scenario("wires_swapped", low, LEAD_S + 1.0, meaning="motor wired the wrong way")
    swapped.at(0.0, schedule.WIRED_WRONG, 1.0).at(LEAD_S, schedule.TARGET, high)
    arming = Scenario("arming", low, 1.5, self_test=True, meaning="the arming self-test")
    tested = Scenario(
        "arming_swapped",
        low,
        1.5,
        self_test=True,
        meaning="the arming self-test with the motor wired the wrong way",
    )
    tested.at(0.0, schedule.WIRED_WRONG, 1.0)
    return [
        during("wiper_open", schedule.SENSOR, sensor.OPEN, "the sensor wire tears off"),
        during("sensor_held", schedule.SENSOR, sensor.HELD, "the reading stays where it is"),
        during("flexor_cut", schedule.CUT, 0.0, "the flexing cable breaks"),
        during("extensor_cut", schedule.CUT, 1.0, "the extending cable breaks"),
        during("motor_open", schedule.MOTOR_OPEN, 1.0, "the motor plug comes off"),
        during("supply_dip", schedule.DROP, 2.5, "the supply drops by 2.5 V"),
        during("link_silent", schedule.SILENT, 1.0, "the host falls silent"),
        swapped,
        arming,
        tested,
    ]
