"""How each fault is seen over the part spread: how soon, and what it has done by then.

Every fault is put into several instants of a move both ways, on parts drawn from the spread;
the joint is then told to and fro, as in use, for nothing can be known of one that is not driven.
Told are the time to the trip, the share of runs in which it was never seen, the greatest cable
tension with its instant, and how far beyond the soft ends the joint got. A fault that this kind of
joint cannot have is left out. False alarms are counted over normal use: profiled moves, streamed
pieces and rests, nothing in the way, parts inside the resonance rule.
"""

from collections.abc import Callable
from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np

from sim.joint import datasheet, spread
from sim.joint.part import DIRECT, SPRING_RETURN
from sim.model import schedule, sensor
from sim.run.closed_loop import Fleet, Joint, joint_of
from sim.run.scenarios import LEAD_S, Scenario, span_of

INSTANTS = (0.1, 0.3, 0.5, 0.7, 0.9, 1.2)
"""When the fault comes, in shares of the move's time after its command."""

FAULTS: tuple[tuple[str, int, float, str], ...] = (
    ("wiper_open", schedule.SENSOR, sensor.OPEN, "the wiper's wire tears off"),
    ("wiper_shorted", schedule.SENSOR, sensor.SHORTED, "the wiper is shorted to a rail"),
    (
        "wiper_floating",
        schedule.SENSOR,
        sensor.FLOATING,
        "the wiper floats, as without a pull-down",
    ),
    ("reading_held", schedule.SENSOR, sensor.HELD, "the reading stays where it is"),
    ("wires_swapped", schedule.WIRED_WRONG, 1.0, "the motor's wires are swapped"),
    ("motor_open", schedule.MOTOR_OPEN, 1.0, "the motor plug comes off"),
    ("flexor_cut", schedule.CUT, 0.0, "the closing cable snaps"),
    ("extensor_cut", schedule.CUT, 1.0, "the opening cable snaps"),
    ("supply_dip", schedule.DROP, -0.5, "the supply falls to half"),
    ("link_silent", schedule.SILENT, 1.0, "the host falls silent"),
)

Listener = Callable[[str, int, int], None]


@dataclass
class FaultRow:
    """One fault at all instants of moves both ways. Times from the fault to the trip."""

    name: str
    meaning: str
    seen_median_s: float | None
    seen_worst_s: float | None
    unseen_share: float
    """Share of the runs in which nothing tripped while the joint was watched."""
    peak_tension_N: float
    peak_instant_s: float
    """Instant after the move's command at which the fault with the greatest tension came."""
    over_travel_rad: float
    """Furthest beyond the soft ends."""
    answers: dict[str, int] = field(default_factory=dict)
    """Which faults it was seen as, and how often."""


@dataclass
class FaultStudy:
    """The table, and the false alarms of normal use."""

    rows: list[FaultRow]
    parts: int
    hours: float
    false_alarms: dict[str, int]
    allowed_pull_N: float | None
    breaking_N: float | None
    watched_s: float
    """How long a joint with a fault was watched."""
    pull_down: bool
    """Whether the joint has a pull-down at its wiper."""

    def as_dict(self) -> dict[str, Any]:
        """Return the study as a plain dictionary."""
        return asdict(self)


def faults_of(joint: Joint) -> tuple[tuple[str, int, float, str], ...]:
    """The faults that a joint of this kind can have: (name, event, value, meaning)."""
    kind = joint.part.cable.kind
    rows = [row for row in FAULTS if kind != DIRECT or row[1] != schedule.CUT]
    if kind == SPRING_RETURN:
        rows = [(*row[:3], "the return spring breaks") if row[0] == "extensor_cut" else row
                for row in rows]  # fmt: skip
    return tuple(rows)


def move_time(joint: Joint) -> float:
    """Time (s) of the study's move by its profile: way over speed, and getting up to speed."""
    low, high = span_of(joint.settings)
    p = joint.settings.profile
    return (high - low) / p.speed_rad_s + p.speed_rad_s / p.acceleration_rad_s2


def watched_time(joint: Joint) -> float:
    """Time (s) for which a fault is waited: a second, or as long as the joint itself is given."""
    return max(1.0, joint.settings.watch.following_s + 2.0 * move_time(joint))


def fault_moves(joint: Joint) -> dict[str, list[tuple[float, Scenario]]]:
    """Scenarios of every fault, by name: (instant s, a move with the fault in it), both ways."""
    low, high = span_of(joint.settings)
    made: dict[str, list[tuple[float, Scenario]]] = {}
    takes, watched = move_time(joint), watched_time(joint)
    for name, kind, a, meaning in faults_of(joint):
        value = -a * joint.file.drive.supply if kind == schedule.DROP else float(a)
        made[name] = []
        for share in INSTANTS:
            at = share * takes
            for start, target in ((low, high), (high, low)):
                scene = Scenario(name, start, LEAD_S + at + watched, meaning=meaning)
                now, ends = LEAD_S, (target, start)
                while now < LEAD_S + at + watched:  # to and fro, with a rest between
                    scene.at(now, schedule.TARGET, ends[0])
                    now, ends = now + takes + 0.15, ends[::-1]
                made[name].append((at, scene.at(LEAD_S + at, kind, value)))
    return made


def normal_use(joint: Joint, seconds: float, seed: int) -> Scenario:
    """A scenario of normal use: moves, streamed pieces, rests; nothing is in the way."""
    rng = np.random.default_rng(seed)
    limits = joint.settings.limits
    low, high = limits.command_low_rad, limits.command_high_rad
    if joint.settings.sensor.travel != 0:
        low, high = span_of(joint.settings)
    angle = low + 0.3 * (high - low)
    scene = Scenario("normal_use", angle, seconds, meaning="normal use")
    at = LEAD_S
    while at < seconds - 2.5:
        if rng.random() < 0.6:
            angle = float(rng.uniform(low, high))
            scene.at(at, schedule.TARGET, angle)
            at += float(rng.uniform(0.25, 1.5))
            continue
        goal = float(rng.uniform(low, high))
        rate = float(rng.uniform(0.1, 0.6)) * joint.settings.profile.speed_rad_s
        count = max(2, min(75, int(abs(goal - angle) / (rate * 0.02))))
        at += 0.6  # a move before it has ended
        for k in range(1, count + 1):  # minimum jerk, sampled every 20 ms
            s = k / count
            x = s**3 * (10.0 - 15.0 * s + 6.0 * s * s)
            speed = 30.0 * s * s * (1.0 - s) ** 2 / (count * 0.02) * (goal - angle)
            scene.at(at, schedule.STREAM, angle + x * (goal - angle), speed, 0.02)
            at += 0.02
        angle = goal
        at += float(rng.uniform(0.3, 1.0))
    return scene


def count_false_alarms(
    joint: Joint, fleet: Fleet, hours: float, seed: int, listener: Listener | None = None
) -> tuple[float, dict[str, int]]:
    """Run normal use for so many joint hours; return hours run and trips by name."""
    from sim.run.metrics import fault_names

    names = fault_names()
    seconds = 20.0
    rounds = max(1, int(np.ceil(hours * 3600.0 / (seconds * len(fleet)))))
    found: dict[str, int] = {}
    for k in range(rounds):
        run = fleet.run(joint.settings, normal_use(joint, seconds, seed + k))
        for number in run.scores["fault"][run.scores["fault"] != 0]:
            found[names[int(number)]] = found.get(names[int(number)], 0) + 1
        if listener is not None:
            listener("normal use", k + 1, rounds)
    return rounds * seconds * len(fleet) / 3600.0, found


def study_of(work: tuple[dict[str, Any], str, int, int]) -> FaultStudy:
    """The study of a file's tables and path, so many parts, a seed, wherever it is run."""
    tables, path, count, seed = work
    return study_faults(joint_of(tables, path), count, seed)


def study_faults(
    joint: Joint,
    count: int = 200,
    seed: int = 1,
    hours: float = 1.0,
    listener: Listener | None = None,
) -> FaultStudy:
    """Study every fault on ``count`` parts drawn with ``seed``. Raises InputError."""
    entries = spread.spread_of(joint.file)
    parts, warmth = spread.draw_parts(joint.part, entries, count, seed)
    fleet = Fleet(parts, warmth, joint.settings.tick_s, joint.delay_s, seed)
    known = fault_moves(joint)
    rows = []
    for k, (name, scenes) in enumerate(known.items()):
        rows.append(_row(joint, fleet, name, scenes))
        if listener is not None:
            listener("faults", k + 1, len(known))
    sound, warm = spread.draw_parts(joint.part, entries, count, seed, "inside")
    if sound:
        fleet = Fleet(sound, warm, joint.settings.tick_s, joint.delay_s, seed)
    ran, alarms = count_false_alarms(joint, fleet, hours, seed, listener)
    strength = datasheet.cable_strength(joint.file) if joint.part.cable.kind != DIRECT else None
    allowed = strength / joint.file.cable.safety_factor if strength else None
    pull_down = joint.file.sensor.pull_down is not None
    return FaultStudy(rows, count, ran, alarms, allowed, strength, watched_time(joint), pull_down)


def _row(joint: Joint, fleet: Fleet, name: str, scenes: list[tuple[float, Scenario]]) -> FaultRow:
    from sim.run.metrics import fault_names

    names = fault_names()
    limits = joint.settings.limits
    times: list[np.ndarray] = []
    answers: dict[str, int] = {}
    peak, worst, beyond = 0.0, 0.0, 0.0
    for at, scene in scenes:
        run = fleet.run(joint.settings, scene)
        begun = round((LEAD_S + at) / joint.settings.tick_s) + fleet.shifts
        ticks = run.scores["fault_tick"]
        times.append(np.where(ticks < 0, np.inf, (ticks - begun) * joint.settings.tick_s))
        for number in run.scores["fault"]:
            word = names[int(number)]
            answers[word] = answers.get(word, 0) + 1
        pull = float(run.plants["peak_cable_N"].max())
        if pull > peak:
            peak, worst = pull, at
        if joint.settings.sensor.travel == 0:
            beyond = max(
                beyond,
                float((run.scores["high_rad"] - limits.travel_high_rad).max()),
                float((limits.travel_low_rad - run.scores["low_rad"]).max()),
            )
    together = np.concatenate(times)
    seen = together[np.isfinite(together)]
    return FaultRow(
        name,
        scenes[0][1].meaning,
        float(np.median(seen)) if len(seen) else None,
        float(seen.max()) if len(seen) else None,
        float(np.mean(~np.isfinite(together))),
        peak,
        worst,
        beyond,
        answers,
    )
