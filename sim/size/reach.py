"""What must change so that a joint reaches its goals: the smallest changes, single ones first, then pairs.

A change is as large as the logarithm of its ratio (twice and half are alike); of two values together the root of
the sum of squares. Each kind of change is scanned over its range, coarsely by formulas, then by simulation of a
few drawn parts, drawn in by halves towards the present value, and what remains is verified on ``goals.PARTS``.
"""

import itertools
import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from sim.errors import InputError
from sim.run.closed_loop import Joint, joint_of
from sim.size.goals import PARTS, Judged, judge
from sim.size.sweep import Axis, variant

FREE = (
    "cable.drum_radius",
    "cable.joint_radius",
    "motor.gear_ratio",
    "drive.supply",
    "joint.tip_distance",
)
"""What may change where the command does not say: each to a half and to twice of what it is."""
POINTS = 17
"""Values of a range that are tried: steps of 9 %."""
FEW = 24
"""Parts on which candidates are tried before they are verified."""
CLOSER = 4
"""Halvings towards the present value."""
SPARE = 0.02
"""Margin that a candidate must have on few parts, so that it holds on many."""
PROPOSALS = 5
MOTOR = "motor"
"""Key of a change that is another motor, by its name."""
ANOTHER = 0.5
"""Size of such a change: as of a value that grows by two thirds."""
PAIR_POINTS = 7

Listener = Callable[[int, int], None]


@dataclass(frozen=True)
class Free:
    """One value that may change: its key, the texts that it may have, how far each is from the present one."""

    key: str
    texts: tuple[str, ...]
    sizes: tuple[float, ...]
    even: bool = True
    """Whether values in between are possible."""


@dataclass
class Proposal:
    """Values that reach all goals: texts by key, size of the change, the goals as verified."""

    changes: dict[str, str]
    size: float
    goals: list[Judged]
    tables: dict[str, Any] = field(repr=False)

    @property
    def margin(self) -> float:
        """The least of all goals' margins."""
        return min(one.margin for one in self.goals)


@dataclass
class Found:
    """Proposals, the smallest change first; all that was tried; the nearest where none reaches all."""

    present: list[Judged]
    proposals: list[Proposal]
    tried: list[tuple[dict[str, str], list[Judged]]]
    nearest: Proposal | None = None


def free_of(tables: dict[str, Any], axes: list[Axis]) -> list[Free]:
    """What may change: the command's axes, or ``FREE`` where there are none. Raises InputError."""
    if axes:
        return [_listed(tables, axis) for axis in axes]
    direct = tables.get("cable", {}).get("kind") == "direct"
    found = []
    for key in FREE:
        table, name = key.split(".")
        given = tables.get(table, {}).get(name) or DEFAULTS.get(key)
        if given is None or (direct and table == "cable"):
            continue
        if key == "motor.gear_ratio" and "stall_torque" not in tables.get("motor", {}):
            continue
        found.append(_around(key, given))
    return found


DEFAULTS = {"cable.drum_radius": "6 mm", "cable.joint_radius": "6 mm", "drive.supply": "5.0 V"}


def _around(key: str, given: Any) -> Free:
    number, unit = _split(given)
    ratios = [2.0 ** (2.0 * k / (POINTS - 1) - 1.0) for k in range(POINTS)]
    texts = tuple(_text(number * ratio, unit) for ratio in ratios)
    return Free(key, texts, tuple(math.log(ratio) for ratio in ratios))


def _listed(tables: dict[str, Any], axis: Axis) -> Free:
    table, name = axis.key.split(".")
    given = tables.get(table, {}).get(name) or DEFAULTS.get(axis.key)
    sizes = []
    for text in axis.values:
        try:
            (here, unit), (there, other) = _split(given), _split(text)
            if unit != other:
                raise ValueError("nothing to measure by")
            sizes.append(math.log(there / here))
        except (ValueError, TypeError, ZeroDivisionError):
            sizes.append(0.0 if text == given else 1.0)  # a name, or nothing to measure by
    return Free(axis.key, axis.values, tuple(sizes), len(axis.values) > 6)


def _split(given: Any) -> tuple[float, str]:
    if isinstance(given, int | float):
        return float(given), ""
    text = str(given).strip()
    if ":" in text:
        one, other = (float(part) for part in text.split(":"))
        return max(one, other) / min(one, other), ""
    number, _, unit = text.partition(" ")
    return float(number), unit.strip()


def _text(value: float, unit: str) -> str:
    return f"{value:.4g} {unit}".strip()


def reach(
    tables: dict[str, Any],
    name: str,
    free: list[Free],
    seed: int = 1,
    listener: Listener | None = None,
    motors: list[dict[str, Any]] | None = None,
) -> Found:
    """Find the smallest changes of a joint file that reach all of its goals. Raises InputError.

    motors: others to choose from, "name" and "motor" (a table) each: tried by themselves, then with each change.
    """
    joint = joint_of(tables, name)
    if joint.file.goals is None or (
        not judge(joint, FEW, seed, steps=False) and joint.file.goals.step is None
    ):
        raise InputError(
            name, "goals", None, 'is missing or empty; such as [goals] tip_force = "5 N"'
        )
    found = Found(judge(joint, PARTS, seed), [], [])
    if all(one.met for one in found.present):
        return found
    search = _Search(tables, name, seed, found, listener)
    search.bases.update({one["name"]: _with_motor(tables, one["motor"]) for one in motors or []})
    singles: list[tuple[Free, ...]] = [(one,) for one in free]
    pairs: list[tuple[Free, ...]] = list(itertools.combinations(free, 2))
    others = [one for one in search.bases if one]
    alone: list[tuple[tuple[Free, ...], str]] = [((), one) for one in others]
    alone += [(group, "") for group in singles]
    both = [(group, one) for group in singles for one in others] + [(group, "") for group in pairs]
    for done, (group, motor) in enumerate(alone, 1):
        search.look(group, motor)
        search.tell(done, len(alone) + len(both))
    search.verify()
    if not found.proposals:  # what served on few parts may fail on many
        search.candidates = []
        for done, (group, motor) in enumerate(both, len(alone) + 1):
            search.look(group, motor)
            search.tell(done, len(alone) + len(both))
        search.verify()
    search.tell(len(alone) + len(both), len(alone) + len(both))
    search.name_nearest()
    return found


class _Search:
    """Candidates that reach all goals on few parts, and what was tried."""

    def __init__(
        self, tables: dict[str, Any], name: str, seed: int, found: Found, listener: Listener | None
    ) -> None:
        self.tables, self.name, self.seed, self.found, self.listener = (
            tables,
            name,
            seed,
            found,
            listener,
        )
        self.candidates: list[tuple[float, dict[str, str]]] = []
        self.best: tuple[float, dict[str, str]] | None = None
        self.bases: dict[str, dict[str, Any]] = {"": tables}
        """Tables by the motor's name; "" is the file's own."""

    def tell(self, done: int, total: int) -> None:
        if self.listener is not None:
            self.listener(done, total)

    def made(self, changes: dict[str, str]) -> Joint | None:
        """The joint of some changes; None where it is none."""
        try:
            return joint_of(self.changed(changes), self.name)
        except InputError:
            return None

    def changed(self, changes: dict[str, str]) -> dict[str, Any]:
        """The file's tables with some changes. Raises InputError."""
        base = self.bases[changes.get(MOTOR, "")]
        rest = {key: text for key, text in changes.items() if key != MOTOR}
        return variant(
            base, [Axis(key, (text,)) for key, text in rest.items()], tuple(rest.values())
        )

    def least(self, changes: dict[str, str]) -> float:
        """Least margin of all goals on few parts; what the formulas refuse is not simulated."""
        joint = self.made(changes)
        if joint is None:
            return -9.0
        quick = judge(joint, FEW * 4, self.seed, steps=False)
        margin = min((one.margin for one in quick), default=9.0)
        if margin < 0.0:
            self.found.tried.append((changes, quick))
            self._nearest(margin - 1.0, changes)
            return margin
        every = judge(joint, FEW * 4, self.seed)
        margin = min(one.margin for one in every)
        self.found.tried.append((changes, every))
        self._nearest(margin, changes)
        return margin

    def _nearest(self, margin: float, changes: dict[str, str]) -> None:
        if self.best is None or margin > self.best[0]:
            self.best = (margin, changes)

    def look(self, group: tuple[Free, ...], motor: str = "") -> None:
        """Scan a group's values (with another motor), the smallest change first; draw in the first that serves."""
        for size, changes in _ordered(group):
            if motor:
                size, changes = math.hypot(size, ANOTHER), {MOTOR: motor, **changes}
            if self.least(changes) >= SPARE:
                self.candidates.append(self.drawn_in(group, size, changes))
                return

    def drawn_in(
        self, group: tuple[Free, ...], size: float, changes: dict[str, str]
    ) -> tuple[float, dict[str, str]]:
        """A smaller change of the same kind that still serves, by halving."""
        if not group or not all(one.even for one in group):
            return size, changes
        step = math.log(2.0) * 2.0 / (POINTS - 1)
        best, low = (size, changes), 0.0
        share = max(1.0 - step / max(size, step), 0.0)
        for _ in range(CLOSER):
            low = max(low, share)
            middle = 0.5 * (low + 1.0) if best[0] == size else 0.5 * (low + best[0] / size)
            tried = {MOTOR: changes[MOTOR]} if MOTOR in changes else {}
            for one in group:
                number, unit = _split(self._present(one.key))
                there, _ = _split(changes[one.key])
                tried[one.key] = _text(number * (there / number) ** middle, unit)
            if self.least(tried) >= SPARE:
                best = (size * middle, tried)
            else:
                low = middle
        return best

    def _present(self, key: str) -> Any:
        table, name = key.split(".")
        return self.tables.get(table, {}).get(name) or DEFAULTS.get(key)

    def verify(self) -> None:
        """Judge candidates on many parts, the smallest change first; those that fail are dropped."""
        for size, changes in sorted(self.candidates, key=lambda one: one[0]):
            if len(self.found.proposals) == PROPOSALS:
                break
            made = self._proposal(size, changes)
            if all(one.met for one in made.goals):
                self.found.proposals.append(made)

    def name_nearest(self) -> None:
        """Where nothing reaches all goals: what came nearest."""
        if not self.found.proposals and self.best is not None:
            self.found.nearest = self._proposal(0.0, self.best[1])

    def _proposal(self, size: float, changes: dict[str, str]) -> Proposal:
        tables = self.changed(changes)
        return Proposal(changes, size, judge(joint_of(tables, self.name), PARTS, self.seed), tables)


def _with_motor(tables: dict[str, Any], motor: dict[str, Any]) -> dict[str, Any]:
    """A file's tables with another motor: what its row does not say of gear and heat stays."""
    kept = {key: value for key, value in tables.get("motor", {}).items() if key not in OWN}
    return {**tables, "motor": {**kept, **motor}}


OWN = ("voltage", "stall_torque", "stall_current", "no_load_speed", "no_load_current", "gear_ratio", "rotor_inertia",
       "resistance", "torque_constant", "output_inertia", "viscous", "coulomb", "load_loss", "cost", "mass")  # fmt: skip
"""Keys that are one motor's own."""


def _ordered(group: tuple[Free, ...]) -> Iterator[tuple[float, dict[str, str]]]:
    """Values of a group with the size of their change, the smallest first, the present values left out."""
    if not group:
        yield 0.0, {}
        return
    rows = []
    for one in group:
        every = list(zip(one.texts, one.sizes, strict=True))
        if len(group) > 1 and len(every) > PAIR_POINTS:
            kept = np.unique(np.linspace(0, len(every) - 1, PAIR_POINTS).round().astype(int))
            every = [every[k] for k in kept]
        rows.append([(one.key, *row) for row in every if row[1] != 0.0])
    made = [(math.hypot(*(size for _, _, size in point)), {key: text for key, text, _ in point})
            for point in itertools.product(*rows)]  # fmt: skip
    yield from sorted(made, key=lambda one: one[0])
