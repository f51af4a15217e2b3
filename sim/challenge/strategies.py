"""Hypothesis strategies: scenarios for a joint. Whole numbers inside, so that they shrink well."""

from collections.abc import Callable
from typing import Any

from hypothesis import strategies as st

from controller.joint.motion.setpoint import in_gap
from controller.joint.settings.settings import CONTINUOUS, LIMITED
from sim.model import schedule, sensor
from sim.run.closed_loop import Joint
from sim.run.scenarios import LEAD_S, Scenario

Row = tuple[int, float, float, float]
Timed = tuple[int, tuple[str, list[tuple[int, Row]]]]
"""Wait (ms), kind, and its events: (ms after, event)."""
Thing = tuple[int, float, int]
"""Grid steps ahead of the start, stiffness (N*m/rad), damping in 2 mN*m*s/rad."""
NORMAL = ("move", "hold", "controlled_stop", "arm", "drive_off", "grip_free")
"""Kinds of step that a sound joint meets in normal use, free in the air."""
MOVING = ("move", "stream", "grip_free")
STIFFNESS = (0.3, 1.0, 3.0, 10.0, 30.0)


def _angles(joint: Joint, beyond: int) -> tuple[float, float, Any]:
    """Lowest angle, step of the grid, and whole numbers that reach ``beyond`` the range."""
    limits = joint.settings.limits
    if joint.settings.sensor.travel == LIMITED:
        low, high = limits.command_low_rad, limits.command_high_rad
    else:
        low, high = -3.1, 3.1
    return low, (high - low) / 64.0, st.integers(-beyond, 64 + beyond)


def _single(kind: int, values: Any) -> Any:
    """One event of a kind whose first value is drawn."""
    return values.map(lambda a: [(0, (kind, float(a), 0.0, 0.0))])


@st.composite
def _streams(draw: Callable[[Any], Any], joint: Joint) -> list[tuple[int, Row]]:
    """A burst of streamed samples 20 ms apart, along straight pieces."""
    low, step, _ = _angles(joint, 0)
    marks = draw(st.lists(st.integers(2, 62), min_size=2, max_size=6))
    most = 0.9 * joint.settings.limits.speed_rad_s * 0.02
    rows: list[tuple[int, Row]] = []
    angle, at = low + step * marks[0], 0
    for mark in marks[1:]:
        goal = low + step * mark
        count = max(1, min(25, int(abs(goal - angle) / most) + 1))
        for _ in range(count):
            change = max(-most, min(most, goal - angle))
            angle += change
            rows.append((at, (schedule.STREAM, angle, change / 0.02, 0.02)))
            at += 20
    at_rest = (schedule.STREAM, angle, 0.0, 0.02)
    return [*rows, (at, at_rest)]


def _steps(joint: Joint) -> dict[str, Any]:
    """Strategy of each kind of step: lists of (ms after the step's time, event)."""
    low, step, marks = _angles(joint, 0)
    _, _, wide = _angles(joint, 12)
    limits = joint.settings.limits
    stall_Nm = limits.current_A * limits.back_emf_V_s

    def at(kind: int, where: Any) -> Any:
        return where.map(lambda k: [(0, (kind, low + step * k, 0.0, 0.0))])

    def request(number: int) -> Any:
        return st.just([(0, (schedule.REQUEST, float(number), 0.0, 0.0))])

    return {
        "move": at(schedule.TARGET, marks),
        "outside": at(schedule.TARGET, wide),
        "grip_free": at(schedule.GRIP, marks),
        "stream": _streams(joint),
        "hold": st.just([(0, (schedule.HOLD, 0.0, 0.0, 0.0))]),
        "arm": request(1),
        "drive_off": request(2),
        "stop": request(3),
        "clear": request(4),
        "release": request(5),
        "controlled_stop": request(6),
        "no_object": st.just([(0, (schedule.NO_OBJECT, 0.0, 0.0, 0.0))]),
        "load": _single(schedule.LOAD, st.integers(-8, 8).map(lambda k: 0.04 * k * stall_Nm)),
        "drop": _single(
            schedule.DROP, st.integers(0, 10).map(lambda k: 0.06 * k * joint.file.drive.supply)
        ),
        "others": _single(schedule.OTHERS, st.integers(0, 8).map(lambda k: 0.5 * k)),
        "wiper": _single(
            schedule.SENSOR,
            st.sampled_from(
                (sensor.OPEN, sensor.SHORTED, sensor.HELD, sensor.FLOATING, sensor.SOUND)
            ),
        ),
        "cut": _single(schedule.CUT, st.integers(0, 1)),
        "motor": _single(schedule.MOTOR_OPEN, st.integers(0, 1)),
        "wires": _single(schedule.WIRED_WRONG, st.integers(0, 1)),
        "late": _single(schedule.LATE, st.integers(1, 30)),
        "link": _single(schedule.SILENT, st.integers(0, 1)),
    }


KINDS = (
    "move", "outside", "grip_free", "stream", "hold", "arm", "drive_off", "stop", "clear", "release",
    "controlled_stop", "object", "no_object", "load", "drop", "others", "wiper", "cut", "motor", "wires", "late",
    "link",
)  # fmt: skip


def scenarios(
    joint: Joint,
    kinds: tuple[str, ...] = KINDS,
    duration_s: float = 1.5,
    most_steps: int = 8,
    self_test: bool = True,
) -> st.SearchStrategy[Scenario]:
    """Programs for a joint: a start, then up to ``most_steps`` steps of these kinds.

    The joint is armed at 0.01 s; with ``self_test`` some scenarios begin with the arming
    self-test. ``Scenario.kinds`` tells the kinds drawn.
    """
    low, step, marks = _angles(joint, 0)
    table = _steps(joint)
    often = [kind for kind in kinds for _ in range(4 if kind in MOVING else 1) if kind in table]
    one = st.sampled_from(often).flatmap(lambda kind: st.tuples(st.just(kind), table[kind]))
    timed = st.tuples(st.integers(0, 300), one)
    thing = st.tuples(st.integers(2, 40), st.sampled_from(STIFFNESS), st.integers(0, 3))
    things = st.one_of(st.none(), thing) if "object" in kinds else st.none()
    tested = st.integers(0, 5).map(lambda k: self_test and k == 5)

    def build(drawn: tuple[int, bool, Thing | None, list[Timed]]) -> Scenario:
        start, test, thing, steps = drawn
        begins = low + step * start
        if joint.settings.sensor.travel == CONTINUOUS and in_gap(joint.settings.sensor, begins):
            begins += (
                joint.settings.sensor.gap_rad + step
            )  # no reading there: nothing could be armed
        made = Scenario("drawn", begins, duration_s, meaning="drawn by chance")
        made.self_test = test
        if thing is not None:  # in the way from the start: never inside the finger
            where = made.start_rad + step * thing[0]
            made.at(0.0, schedule.OBJECT, where, thing[1], 0.002 * thing[2])
            made.object_Nm_rad = thing[1]
            made.kinds.append("object")
        at_ms = round(LEAD_S * 1e3)
        for wait_ms, (kind, rows) in steps:
            at_ms += wait_ms
            for after_ms, (number, a, b, c) in rows:
                at = (at_ms + after_ms) * 1e-3
                if at < duration_s:
                    made.at(at, number, a, b, c)
            made.kinds.append(kind)
        return made

    steps = st.lists(timed, min_size=1, max_size=most_steps)
    return st.tuples(marks, tested, things, steps).map(build)
