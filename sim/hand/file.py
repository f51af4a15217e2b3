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

from sim import units
from sim.errors import InputError
from sim.hand.moment_arms import polynomial
from sim.joint import file as joint_file
from sim.run.closed_loop import Joint, joint_of

DEG = 57.29577951308232
MOST_JOINTS = 64


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
    seconds: float


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


class Reader:
    """Reads one table after the other; every complaint names file, key, value."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.file = str(path)
        self.tables = joint_file.parse_toml(joint_file.read_text(path), self.file)

    def wrong(self, key: str, value: object, what: str) -> InputError:
        """An error of this file."""
        return InputError(self.file, key, value, what)

    def known(self, key: str, table: object, allowed: tuple[str, ...]) -> dict[str, Any]:
        """A table with allowed keys only."""
        if not isinstance(table, dict):
            raise self.wrong(key, table, "must be a table")
        for one in table:
            if one not in allowed:
                raise self.wrong(
                    f"{key}.{one}", None, "unknown key; allowed: " + ", ".join(allowed)
                )
        return table

    def quantity(self, key: str, value: object, unit: str, example: str, low: float, high: float,
                 default: float | None = None) -> float:  # fmt: skip
        """A value with a unit. Raises InputError."""
        if value is None:
            if default is None:
                raise self.wrong(key, None, f'is missing; for example "{example}"')
            return default
        try:
            number = units.parse(value, unit, example)
        except ValueError as error:
            raise self.wrong(key, value, str(error)) from None
        if not low <= number <= high:
            raise self.wrong(key, value, f"must lie in {low:g} .. {high:g} {unit}")
        return number

    def listed(self, key: str, table: dict[str, Any], name: str) -> list[Any]:
        """A list, empty where it is left out."""
        found = table.get(name, [])
        if not isinstance(found, list):
            raise self.wrong(f"{key}{name}", found, "must be a list")
        return found

    def pins(self, key: str, value: object) -> tuple[int, ...]:
        """Pin numbers."""
        if not isinstance(value, list) or not all(
            isinstance(one, int) and not isinstance(one, bool) and 0 <= one < 200 for one in value
        ):
            raise self.wrong(key, value, "must be a list of pin numbers, 0 .. 199")
        return tuple(value)

    def number(self, key: str, value: object) -> float | None:
        """A plain number not below zero, or nothing."""
        if value is None:
            return None
        if isinstance(value, bool) or not isinstance(value, int | float) or not 0.0 <= value < 1e9:
            raise self.wrong(key, value, "must be a number, 0 or more")
        return float(value)


def read_hand(path: str | Path) -> Hand:
    """Read a hand file and the joint files it refers to. Raises InputError."""
    r = Reader(Path(path))
    r.known("", r.tables, ("hand", "supply", "board", "joint", "finger", "posture", "sequence"))
    head = r.known("hand", r.tables.get("hand"), ("name", "cost_limit", "mass_limit"))
    supply = r.known("supply", r.tables.get("supply"),
                     ("voltage", "resistance", "wire_resistance", "lowest"))  # fmt: skip
    volt = r.quantity("supply.voltage", supply.get("voltage"), "V", "5.0 V", 1.0, 30.0)
    ohm = sum(r.quantity(f"supply.{key}", supply.get(key), "ohm", "0.05 ohm", 0.0, 10.0, 0.0)
              for key in ("resistance", "wire_resistance"))  # fmt: skip
    lowest = r.quantity("supply.lowest", supply.get("lowest"), "V", "4.0 V", 0.5, volt, 0.8 * volt)
    boards = _boards(r)
    members = _members(r, boards, volt, ohm)
    fingers = _fingers(r, members)
    postures = _postures(r, members)
    name = head.get("name")
    if not isinstance(name, str) or not 1 <= len(name) <= 80:
        raise r.wrong("hand.name", name, "must be a text of 1 to 80 letters")
    mass = head.get("mass_limit")
    return Hand(
        r.file, name, members, boards, fingers, postures, _sequences(r, postures), volt, ohm, lowest,
        r.number("hand.cost_limit", head.get("cost_limit")),
        None if mass is None else r.quantity("hand.mass_limit", mass, "kg", "400 g", 0.0, 100.0),
    )  # fmt: skip


def _boards(r: Reader) -> list[Board]:
    found: list[Board] = []
    for k, table in enumerate(r.listed("", r.tables, "board")):
        key = f"board.{k}"
        r.known(key, table, ("name", "port", "pins", "tick_cost", "link"))
        name = table.get("name")
        if not isinstance(name, str) or any(one.name == name for one in found):
            raise r.wrong(f"{key}.name", name, "must be a name of its own")
        port = table.get("port")
        if port is not None and not isinstance(port, str):
            raise r.wrong(f"{key}.port", port, "must be a port's name, or left out (virtual)")
        cost = r.quantity(
            f"{key}.tick_cost", table.get("tick_cost"), "s", "400 us", 1e-6, 0.1, 1e-3
        )
        link = r.number(f"{key}.link", table.get("link", 60_000.0))
        found.append(Board(name, port, r.pins(f"{key}.pins", table.get("pins")), cost, link or 0.0))
    if not found:
        raise r.wrong("board", None, "is missing; give at least one [[board]]")
    return found


def _resolved(r: Reader, rows: dict[str, dict[str, Any]], name: str, seen: tuple[str, ...] = ()) -> dict[str, Any]:  # fmt: skip
    """A joint's table with what it takes from another by ``like``."""
    if name in seen:
        raise r.wrong(
            f"joint.{seen[0]}.like", name, "goes round in a circle: " + " -> ".join((*seen, name))
        )
    own = rows[name]
    like = own.get("like")
    if like is None:
        return own
    if like not in rows:
        raise r.wrong(f"joint.{name}.like", like, "no such joint; there are " + ", ".join(rows))
    base = _resolved(r, rows, like, (*seen, name))
    override = {**base.get("override", {})}
    for table, values in own.get("override", {}).items():
        override[table] = {**override.get(table, {}), **values}
    kept = {key: value for key, value in base.items() if key not in ("pins", "board")}
    return {**kept, **own, "override": override}


def _members(r: Reader, boards: list[Board], volt: float, ohm: float) -> list[Member]:
    rows: dict[str, dict[str, Any]] = {}
    for k, table in enumerate(r.listed("", r.tables, "joint")):
        r.known(f"joint.{k}", table,
                ("name", "file", "like", "board", "pins", "cost", "mass", "override"))  # fmt: skip
        name = table.get("name")
        if not isinstance(name, str) or not name or name in rows:
            raise r.wrong(f"joint.{k}.name", name, "must be a name of its own")
        if not isinstance(table.get("override", {}), dict) or not all(
            isinstance(one, dict) for one in table.get("override", {}).values()
        ):
            raise r.wrong(f"joint.{name}.override", None, "must be tables of a joint file")
        rows[name] = table
    if not 1 <= len(rows) <= MOST_JOINTS:
        raise r.wrong("joint", len(rows), f"needs 1 .. {MOST_JOINTS} joints")
    members: list[Member] = []
    taken: dict[tuple[int, int], str] = {}
    for name in rows:
        table = _resolved(r, rows, name)
        names = [one.name for one in boards]
        if table.get("board") not in names:
            raise r.wrong(f"joint.{name}.board", table.get("board"), "no such board; there are " + ", ".join(names))  # fmt: skip
        board = names.index(table["board"])
        pins = r.pins(f"joint.{name}.pins", table.get("pins"))
        for pin in pins:
            if pin not in boards[board].pins:
                raise r.wrong(f"joint.{name}.pins", pin, f"board {names[board]} has no such pin; it has "
                              + ", ".join(map(str, boards[board].pins)))  # fmt: skip
            other = taken.setdefault((board, pin), name)
            if other != name or pins.count(pin) > 1:
                raise r.wrong(f"joint.{name}.pins", pin, f"is taken already, by joint {other}")
        joint = _joint(r, name, table, volt, ohm)
        mass = table.get("mass")
        members.append(Member(
            name, joint, board, pins, r.number(f"joint.{name}.cost", table.get("cost")),
            None if mass is None else r.quantity(f"joint.{name}.mass", mass, "kg", "18 g", 0.0, 10.0),
        ))  # fmt: skip
        boards[board].joints.append(len(members) - 1)
    for board_row in boards:
        rates = {members[k].joint.settings.tick_s for k in board_row.joints}
        if len(rates) > 1:
            raise r.wrong(f"board.{board_row.name}", None, "its joints have different rates")
    return members


def _joint(r: Reader, name: str, table: dict[str, Any], volt: float, ohm: float) -> Joint:
    """The joint of a member: its file with overrides, on the hand's supply."""
    file = table.get("file")
    if not isinstance(file, str):
        raise r.wrong(f"joint.{name}.file", file, "must name a joint file, or be taken by `like`")
    path = r.path.parent / file
    tables = joint_file.parse_toml(joint_file.read_text(path), str(path))
    changed = dict(table.get("override", {}))
    drive = {
        **tables.get("drive", {}),
        "supply": f"{volt!r} V",
        "supply_resistance": f"{ohm!r} ohm",
    }
    tables["drive"] = drive
    for one, values in changed.items():
        if one in ("gains", "calibration", "identified"):
            raise r.wrong(f"joint.{name}.override.{one}", None, "belongs into the joint file")
        tables[one] = {**tables.get(one, {}), **values}
    if isinstance(tables.get("gains"), dict):
        tables["gains"].pop("digest", None)  # the supply is the hand's
    try:
        return joint_of(tables, str(path))
    except InputError as error:
        if changed:
            raise r.wrong(f"joint.{name}.override", None, str(error)) from None
        raise


def _fingers(r: Reader, members: list[Member]) -> list[Finger]:
    names = [one.name for one in members]
    found = []
    placed: dict[int, str] = {}
    for k, table in enumerate(r.listed("", r.tables, "finger")):
        key = f"finger.{k}"
        r.known(key, table, ("name", "joints", "arms", "links", "tilt"))
        joints = []
        for one in r.listed(f"{key}.", table, "joints"):
            if one not in names:
                raise r.wrong(f"{key}.joints", one, "no such joint; there are " + ", ".join(names))
            number = names.index(one)
            if placed.setdefault(number, key) != key or number in joints:
                raise r.wrong(f"{key}.joints", one, "stands in a finger already")
            joints.append(number)
        if not joints:
            raise r.wrong(f"{key}.joints", None, "must name its joints, from the palm on")
        ranges = [members[j].joint.settings.limits for j in joints]
        arms = _arms(r, f"{key}.arms", table.get("arms"), ranges)
        tilt = r.quantity(f"{key}.tilt", table.get("tilt"), "rad", "-90 deg", -7.0, 7.0, 0.0)
        links = None
        if table.get("links") is not None:
            links = _links(r, f"{key}.links", table["links"], len(joints))
        found.append(Finger(str(table.get("name", key)), joints, arms, links, tilt))
    return found


def _arms(r: Reader, key: str, rows: object, ranges: list[Any]) -> np.ndarray:
    """Moment-arm matrix: row k the cable of joint k, column j the joint it crosses."""
    count = len(ranges)
    made = np.zeros((count, count, 3))
    if rows is None:
        return made
    if (
        not isinstance(rows, list)
        or len(rows) != count
        or any(not isinstance(row, list) or len(row) != count for row in rows)
    ):
        raise r.wrong(
            key, None, f"must be {count} rows of {count}: the cable of each joint over each joint"
        )
    for k, row in enumerate(rows):
        for j, value in enumerate(row):
            if j == k or value in (0, 0.0, "0", "0 mm"):
                continue
            where = f"{key}.{k}.{j}"
            if isinstance(value, dict):
                r.known(where, value, ("landsmeer", "r", "y"))
                model = value.get("landsmeer")
                if model not in ("I", "II", "III"):
                    raise r.wrong(f"{where}.landsmeer", model, "must be I, II or III")
                radius = r.quantity(f"{where}.r", value.get("r"), "m", "5 mm", 1e-4, 0.1)
                along = r.quantity(f"{where}.y", value.get("y"), "m", "10 mm", 0.0, 0.1, 0.0)
                low, high = ranges[j].command_low_rad, ranges[j].command_high_rad
                made[k, j] = polynomial(model, low, high, radius, along)
            else:
                made[k, j, 0] = r.quantity(where, value, "m", "5 mm", -0.1, 0.1)
    return made


def _links(r: Reader, key: str, rows: object, count: int) -> np.ndarray:
    if not isinstance(rows, list) or len(rows) != count:
        raise r.wrong(key, None, f"must be {count} tables, one a joint")
    made = np.zeros((count, 3))
    for k, row in enumerate(rows):
        r.known(f"{key}.{k}", row, ("mass", "length", "centre"))
        length = r.quantity(f"{key}.{k}.length", row.get("length"), "m", "40 mm", 1e-3, 1.0)
        made[k] = (r.quantity(f"{key}.{k}.mass", row.get("mass"), "kg", "8 g", 0.0, 5.0), length,
                   r.quantity(f"{key}.{k}.centre", row.get("centre"), "m", "20 mm", 0.0, length, 0.5 * length))  # fmt: skip
    return made


def _postures(r: Reader, members: list[Member]) -> dict[str, dict[int, float]]:
    names = [one.name for one in members]
    tables = r.tables.get("posture", {})
    if not isinstance(tables, dict):
        raise r.wrong("posture", None, "must be tables: [posture.NAME]")
    found: dict[str, dict[int, float]] = {}
    for name, table in tables.items():
        if not isinstance(table, dict) or not table:
            raise r.wrong(f"posture.{name}", None, "must be a table of joints and angles")
        found[name] = {}
        for joint, value in table.items():
            key = f"posture.{name}.{joint}"
            if joint not in names:
                raise r.wrong(key, None, "no such joint; there are " + ", ".join(names))
            k = names.index(joint)
            limits = members[k].joint.settings.limits
            angle = r.quantity(key, value, "rad", "30 deg", -700.0, 700.0)
            low, high = limits.command_low_rad, limits.command_high_rad
            if (
                members[k].joint.settings.sensor.travel == 0
                and not low - 1e-9 <= angle <= high + 1e-9
            ):
                raise r.wrong(key, value, f"must lie within the joint's travel, {low * DEG:.0f} .. {high * DEG:.0f} deg")  # fmt: skip
            found[name][k] = angle
    return found


def _sequences(r: Reader, postures: dict[str, dict[int, float]]) -> list[Sequence]:
    found = []
    for k, table in enumerate(r.listed("", r.tables, "sequence")):
        key = f"sequence.{k}"
        r.known(key, table, ("name", "steps", "seconds"))
        steps: list[tuple[float, str]] = []
        for row in r.listed(f"{key}.", table, "steps"):
            if not isinstance(row, list) or len(row) != 2:
                raise r.wrong(f"{key}.steps", row, 'must be pairs such as ["0 s", "open"]')
            at = r.quantity(f"{key}.steps", row[0], "s", "1.5 s", 0.0, 3600.0)
            if steps and at <= steps[-1][0]:
                raise r.wrong(f"{key}.steps", row[0], "must be in order of time")
            if row[1] not in postures:
                raise r.wrong(
                    f"{key}.steps", row[1], "no such posture; there are " + ", ".join(postures)
                )
            steps.append((at, row[1]))
        if not steps:
            raise r.wrong(
                f"{key}.steps", None, 'is missing; for example [["0 s", "open"], ["1 s", "close"]]'
            )
        seconds = r.quantity(f"{key}.seconds", table.get("seconds"), "s", "4 s", steps[-1][0] + 0.1, 3600.0,
                             steps[-1][0] + 1.0)  # fmt: skip
        found.append(Sequence(str(table.get("name", key)), steps, seconds))
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
