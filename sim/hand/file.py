"""The hand file (TOML): joints by reference, boards, supply, fingers, postures, sequences.

Values are text with units, as in joint files. What refers to something that is not there, two
joints on one pin, a matrix of the wrong shape, a posture outside a joint's travel: each is
refused with file, key and what is allowed.
"""

from dataclasses import dataclass, field
from math import nan
from pathlib import Path
from typing import Any

import numpy as np

from controller.joint.settings.settings import LIMITED
from sim.errors import InputError, together
from sim.hand.moment_arms import polynomial
from sim.hand.tables import FingerTable, HandFile, LinkTable, MemberTable, SequenceTable
from sim.reading import parse_toml, read_text
from sim.run.closed_loop import Joint, joint_of
from sim.schema import nearest, of_file, read
from sim.units import DEG


@dataclass
class Board:
    """One microcontroller board."""

    name: str
    port: str | None
    pins: tuple[int, ...]
    tick_cost_s: float
    """Of one joint, measured there (IDENTITY tells it), or an estimate."""
    link_octets_s: float
    """What the port carries in a second."""
    joints: list[int] = field(default_factory=list)


@dataclass
class Member:
    """One joint of the hand."""

    name: str
    joint: Joint
    board: int
    pins: tuple[int, ...]
    cost: float | None
    mass_kg: float | None


@dataclass
class Finger:
    """Joints in order from the palm, cables crossing them, links."""

    name: str
    joints: list[int]
    arms: np.ndarray
    """(n, n, 3): cable of joint k over joint j; see ``sim/model/hand_loop.py``."""
    links: np.ndarray | None
    """(n, 3): mass (kg), length (m), distance of the centre (m)."""
    tilt_rad: float


@dataclass
class Sequence:
    """Postures with times: (s, name of the posture)."""

    name: str
    steps: list[tuple[float, str]]
    duration_s: float


@dataclass
class Hand:
    """A hand file with what follows from it."""

    path: str
    name: str
    members: list[Member]
    boards: list[Board]
    fingers: list[Finger]
    postures: dict[str, dict[int, float]]
    """Posture to joint's number to angle (rad)."""
    sequences: list[Sequence]
    supply_V: float
    supply_ohm: float
    lowest_V: float
    cost_limit: float | None
    mass_limit_kg: float | None

    def number(self, name: str) -> int:
        """Number of a joint by name."""
        return [one.name for one in self.members].index(name)


def read_hand(path: str | Path) -> Hand:
    """Read a hand file and the joint files it refers to. Raises InputError."""
    name = str(path)
    file = read(HandFile, parse_toml(read_text(path), name), name)
    with of_file(name):
        return _built(file, name)


def _wrong(key: str, value: object, what: str) -> InputError:
    return InputError("", key, value, what)


def _known(key: str, name: str, names: list[str], what: str) -> int:
    """Place of a name that is referred to. Raises InputError."""
    if name not in names:
        raise _wrong(key, name, f"no such {what}; {nearest(name, names)}")
    return names.index(name)


def _distinct(kind: str, names: list[str]) -> list[str]:
    """Names that are all different. Raises InputError."""
    for k, name in enumerate(names):
        if name in names[:k]:
            raise _wrong(f"{kind}.{k}.name", name, "must be a name of its own")
    return names


def _built(file: HandFile, path: str) -> Hand:
    """The hand of a checked file."""
    supply = file.supply
    _distinct("board", [one.name for one in file.board])
    boards = [
        Board(one.name, one.port, tuple(one.pins), one.tick_cost, one.link) for one in file.board
    ]
    ohm = supply.resistance + supply.wire_resistance
    members = _members(file, path, boards, supply.voltage, ohm)
    lowest = 0.8 * supply.voltage if supply.lowest is None else supply.lowest
    if lowest > supply.voltage:
        raise _wrong(
            "supply.lowest", f"{lowest:g} V", f"must be at most the voltage, {supply.voltage:g} V"
        )
    fingers = _fingers(file.finger, members)
    postures = _postures(file.posture, members)
    return Hand(
        path, file.hand.name, members, boards, fingers, postures, _sequences(file.sequence, postures),
        supply.voltage, ohm, lowest, file.hand.cost_limit, file.hand.mass_limit,
    )  # fmt: skip


def _resolved(rows: dict[str, MemberTable], name: str, seen: tuple[str, ...] = ()) -> MemberTable:
    """A joint's table with what it takes from another by ``like``."""
    if name in seen:
        raise _wrong(
            f"joint.{seen[0]}.like", name, "goes round in a circle: " + " -> ".join((*seen, name))
        )
    own = rows[name]
    if own.like is None:
        return own
    _known(f"joint.{name}.like", own.like, list(rows), "joint")
    base = _resolved(rows, own.like, (*seen, name))
    override = {table: {**base.override.get(table, {}), **own.override.get(table, {})}
                for table in {**base.override, **own.override}}  # fmt: skip
    kept = {key: getattr(base, key) for key in ("file", "cost", "mass")}
    given = {key: getattr(own, key) for key in own.model_fields_set}
    return MemberTable.model_construct(
        None, **{**MemberTable(name=name).__dict__, **kept, **given, "override": override}
    )


def _members(
    file: HandFile, path: str, boards: list[Board], volt: float, ohm: float
) -> list[Member]:
    rows = dict(zip(_distinct("joint", [one.name for one in file.joint]), file.joint, strict=True))
    members: list[Member] = []
    wrong: list[InputError] = []
    taken: dict[tuple[int, int], str] = {}
    names = [one.name for one in boards]
    for name in rows:
        table = _resolved(rows, name)
        board = _known(f"joint.{name}.board", table.board or "", names, "board")
        pins = tuple(table.pins or ())
        if table.pins is None:
            raise _wrong(f"joint.{name}.pins", None, "is missing; for example [2, 3, 26]")
        wrong += _pin_conflicts(name, pins, board, boards[board], taken)
        joint = _joint(Path(path).parent, name, table, volt, ohm)
        boards[board].joints.append(len(members))
        members.append(Member(name, joint, board, pins, table.cost, table.mass))
    wrong += [_wrong(f"board.{one.name}", None, "its joints have different rates") for one in boards
              if len({members[k].joint.settings.tick_s for k in one.joints}) > 1]  # fmt: skip
    if wrong:
        raise together(wrong)
    return members


def _pin_conflicts(
    name: str, pins: tuple[int, ...], number: int, board: Board, taken: dict[tuple[int, int], str]
) -> list[InputError]:
    """Pins of a joint that its board has not, or that another has."""
    found = []
    for k, pin in enumerate(pins):
        if pin not in board.pins:
            found.append(_wrong(f"joint.{name}.pins", pin, f"board {board.name} has no such pin; it has "
                                + ", ".join(map(str, board.pins))))  # fmt: skip
        other = taken.setdefault((number, pin), name)
        if other != name or pin in pins[:k]:
            found.append(_wrong(f"joint.{name}.pins", pin, f"is taken already, by joint {other}"))
    return found


def _joint(folder: Path, name: str, table: MemberTable, volt: float, ohm: float) -> Joint:
    """The joint of a member: its file with overrides, on the hand's supply."""
    if table.file is None:
        raise _wrong(f"joint.{name}.file", None, "must name a joint file, or be taken by `like`")
    path = folder / table.file
    tables = parse_toml(read_text(path), str(path))
    tables["drive"] = {
        **tables.get("drive", {}), "supply": f"{volt!r} V", "supply_resistance": f"{ohm!r} ohm",
    }  # fmt: skip
    for one, values in table.override.items():
        if one in ("gains", "calibration", "identified"):
            raise _wrong(f"joint.{name}.override.{one}", None, "belongs into the joint file")
        tables[one] = {**tables.get(one, {}), **values}
    if isinstance(tables.get("gains"), dict):
        tables["gains"].pop("digest", None)  # the supply is the hand's
    try:
        made = joint_of(tables, str(path))
        made.file.joint.name = name  # several may share one file
        return made
    except InputError as error:
        if table.override:
            raise _wrong(f"joint.{name}.override", None, str(error)) from None
        raise


def _fingers(rows: list[FingerTable], members: list[Member]) -> list[Finger]:
    names = [one.name for one in members]
    found = []
    placed: dict[int, str] = {}
    for k, table in enumerate(rows):
        key = f"finger.{k}"
        joints: list[int] = []
        for one in table.joints:
            number = _known(f"{key}.joints", one, names, "joint")
            if placed.setdefault(number, key) != key or number in joints:
                raise _wrong(f"{key}.joints", one, "stands in a finger already")
            joints.append(number)
        ranges = [members[j].joint.settings.limits for j in joints]
        links = None if table.links is None else _links(f"{key}.links", table.links, len(joints))
        arms = _arms(f"{key}.arms", table.arms, ranges)
        found.append(Finger(table.name or key, joints, arms, links, table.tilt))
    return found


def _arms(key: str, rows: list[list[Any]] | None, ranges: list[Any]) -> np.ndarray:
    """Moment-arm matrix: row k the cable of joint k, column j the joint it crosses."""
    count = len(ranges)
    made = np.zeros((count, count, 3))
    if rows is None:
        return made
    if len(rows) != count or any(len(row) != count for row in rows):
        raise _wrong(
            key, None, f"must be {count} rows of {count}: the cable of each joint over each joint"
        )
    for k, row in enumerate(rows):
        for j, arm in enumerate(row):
            if j == k:
                continue
            if isinstance(arm, float):
                made[k, j, 0] = arm
            else:
                low, high = ranges[j].command_low_rad, ranges[j].command_high_rad
                made[k, j] = polynomial(arm.model, low, high, arm.r, arm.y)
    return made


def _links(key: str, rows: list[LinkTable], count: int) -> np.ndarray:
    if len(rows) != count:
        raise _wrong(key, None, f"must be {count} tables, one a joint")
    for k, row in enumerate(rows):
        if row.centre is not None and row.centre > row.length:
            raise _wrong(
                f"{key}.{k}.centre", row.centre, "must lie on the link: at most its length"
            )
    return np.array([(row.mass, row.length, 0.5 * row.length if row.centre is None else row.centre)
                     for row in rows])  # fmt: skip


def _postures(
    tables: dict[str, dict[str, float]], members: list[Member]
) -> dict[str, dict[int, float]]:
    names = [one.name for one in members]
    found: dict[str, dict[int, float]] = {}
    for name, table in tables.items():
        if not table:
            raise _wrong(f"posture.{name}", None, "must be a table of joints and angles")
        found[name] = {}
        for joint, angle in table.items():
            key = f"posture.{name}.{joint}"
            k = _known(key, joint, names, "joint")
            settings = members[k].joint.settings
            low, high = settings.limits.command_low_rad, settings.limits.command_high_rad
            if settings.sensor.travel == LIMITED and not low - 1e-9 <= angle <= high + 1e-9:
                raise _wrong(key, f"{angle / DEG:g} deg", f"must lie within the joint's travel, {low / DEG:.0f} .. "
                             f"{high / DEG:.0f} deg")  # fmt: skip
            found[name][k] = angle
    return found


def _sequences(rows: list[SequenceTable], postures: dict[str, dict[int, float]]) -> list[Sequence]:
    found = []
    for k, table in enumerate(rows):
        key = f"sequence.{k}"
        last = -1.0
        for at, posture in table.steps:
            if at <= last:
                raise _wrong(f"{key}.steps", f"{at:g} s", "must be in order of time")
            last = at
            _known(f"{key}.steps", posture, list(postures), "posture")
        duration = last + 1.0 if table.duration is None else table.duration
        if duration < last + 0.1:
            raise _wrong(f"{key}.duration", f"{duration:g} s", f"must be at least {last + 0.1:g} s")
        found.append(Sequence(table.name or key, table.steps, duration))
    return found


NO_LINK = (0.0, 0.0, 0.0, nan, -1.0)


def matrices(hand: Hand) -> tuple[np.ndarray, np.ndarray]:
    """The kernel's arms (n, n, 3) and links (n, 5) of the whole hand."""
    count = len(hand.members)
    arms = np.zeros((count, count, 3))
    links = np.tile(np.array(NO_LINK), (count, 1))
    for number, finger in enumerate(hand.fingers):
        for a, k in enumerate(finger.joints):
            for b, j in enumerate(finger.joints):
                arms[k, j] = finger.arms[a, b]
            if finger.links is not None:
                links[k] = (*finger.links[a], finger.tilt_rad, float(number))
    return arms, links
