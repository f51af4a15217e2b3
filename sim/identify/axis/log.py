"""Logs of one axis: a text file's columns with roles and units, checked, cut into even pieces, and described.

``time=t[s],drive=force[N],angle=q[m]`` says: role = column [unit]; the unit may stand in the file instead
(``q [m]`` in the header, or a row of units below it). Commas, semicolons or tabs, decimal commas, remarks
behind ``#``: as they come. What was measured is an angle (or a way) or a speed; drive is a voltage, a force, a
torque or a current; angles in ``count`` need what a count is worth. Nothing is bridged: where rows are
missing a new piece begins.
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import chain, islice, pairwise
from pathlib import Path

import numpy as np

from sim import units
from sim.errors import InputError
from sim.identify.axis.axis_fit import Stretch, moving, noise_of, resolution_of, speed_of
from sim.schema import nearest

UNITS = {
    "time": ("s",), "drive": ("N*m", "N", "V", "A", "1"), "angle": ("rad", "m"), "speed": ("rad/s", "m/s"),
    "temperature": ("degC",), "supply": ("V",), "setpoint": ("rad", "m"),
}  # fmt: skip
ROLES = tuple(UNITS)
MECHANICS = ("N*m", "N", "A")
"""Drives that tell mechanics alone, nothing of winding or back-EMF."""
_COLUMN = re.compile(r"^\s*(\w+)\s*=\s*([^\[\]=,]+?)\s*(?:\[\s*([^\[\]]+?)\s*\])?\s*$")
_UNIT = re.compile(r"^\s*[\[(]?\s*([^\[\]()]*?)\s*[\])]?\s*$")
LEAST = 50
MOST_ROWS = 2_000_000
GAP = 1.5
"""A step of time longer than this many usual steps is a gap."""
UNEVEN = 0.05
SLOW_HZ = 20.0


@dataclass
class Log:
    """A log in SI units. Pieces are even in time; columns are theirs, one behind the other, shape (n,)."""

    name: str
    pieces: list[Stretch]
    time_s: np.ndarray
    is_speed: bool
    drive_unit: str
    motion_unit: str
    remarks: list[str] = field(default_factory=list)
    """What was repaired, and what to mind."""
    temperature_C: float | None = None

    @property
    def step_s(self) -> float:
        """Time between samples (s)."""
        return float(np.median([piece.h for piece in self.pieces]))

    @property
    def drive(self) -> np.ndarray:
        """Drive of all pieces."""
        return np.concatenate([piece.drive for piece in self.pieces])

    @property
    def motion(self) -> np.ndarray:
        """Angle or speed of all pieces."""
        return np.concatenate([piece.measured for piece in self.pieces])


def parse_columns(text: str) -> dict[str, tuple[str, str]]:
    """Role to (column, unit; "" where the file says it) of the option's text. Raises InputError."""
    found: dict[str, tuple[str, str]] = {}
    for one in text.split(","):
        match = _COLUMN.match(one)
        if match is None or match.group(1) not in ROLES:
            word = one.split("=")[0].strip()
            raise InputError("", "--columns", one, "must be role=column[unit]; roles: "
                             + nearest(word, list(ROLES)))  # fmt: skip
        if match.group(1) in found:
            raise InputError("", "--columns", one, "names this role twice")
        found[match.group(1)] = (match.group(2), match.group(3) or "")
    for role in ("time", "drive"):
        if role not in found:
            raise InputError("", "--columns", text, f"lacks the role {role}")
    if ("angle" in found) == ("speed" in found):
        raise InputError("", "--columns", text, "needs the role angle, or the role speed")
    return found


def read_log(path: Path, columns: str, per_count: str = "") -> Log:
    """Read a text file by an option such as ``time=t[s],drive=u[V],angle=q[deg]``. Raises InputError.

    per_count: what a count is worth ("0.18 deg"), for columns in counts.
    """
    roles = parse_columns(columns)
    table = _Table(path)
    made: dict[str, np.ndarray] = {}
    chosen: dict[str, str] = {}
    for role, (name, unit) in roles.items():
        at = table.place(name)
        factor, chosen[role] = _unit(role, unit or table.units[at], per_count)
        made[role] = table.rows[:, at] * factor
    motion = "angle" if "angle" in roles else "speed"
    log = _pieces(str(path), made, motion, table.remarks)
    log.drive_unit, log.motion_unit = chosen["drive"], chosen[motion]
    _judge(log)
    return log


def _unit(role: str, given: str, per_count: str) -> tuple[float, str]:
    """Factor to the SI unit of a role, and that unit. Raises InputError."""
    counts, _, _over = given.partition("/")
    if counts.strip() in ("count", "counts") and role in ("angle", "speed"):
        if not per_count:
            raise InputError(
                "", "--per-count", None, 'is missing: what a count is worth, such as "0.18 deg"'
            )
        factor, unit = _worth(per_count)
        return factor, unit + ("/s" if role == "speed" else "")
    if not given:
        raise InputError(
            "", "--columns", role, "has no unit, here or in the file: " + ", ".join(UNITS[role])
        )
    for unit in UNITS[role]:
        if unit == "degC" and given in ("degC", "°C", "C"):
            return 1.0, unit
        try:
            return units.parse(f"1 {given}", unit, f"1 {unit}"), unit
        except ValueError:
            continue
    raise InputError("", "--columns", given, f"is no unit of {role}; allowed are those of "
                     + ", ".join(UNITS[role]))  # fmt: skip


def _worth(per_count: str) -> tuple[float, str]:
    for unit in ("rad", "m"):
        try:
            return units.parse(per_count, unit, "0.18 deg"), unit
        except ValueError:
            continue
    raise InputError(
        "", "--per-count", per_count, 'must be an angle or a length, such as "0.18 deg"'
    )


class _Table:
    """Columns of a text file: names, units where it has some, numbers. Raises InputError."""

    def __init__(self, path: Path) -> None:
        self.file = str(path)
        self.remarks: list[str] = []
        try:
            with path.open(encoding="utf-8-sig", errors="strict") as lines:
                self._read(lines)
        except UnicodeDecodeError:
            raise InputError(self.file, "", None, "is not UTF-8 text") from None
        except OSError as error:
            raise InputError(self.file, "", None, f"cannot be read: {error.strerror}") from None

    def _read(self, lines: Iterator[str]) -> None:
        head: list[str] = []
        first = 0
        for first, line in enumerate(lines, 1):
            head.append(line)
            if _numbers(line) or first > 200:
                break
        if not head or not _numbers(head[-1]):
            raise InputError(self.file, "", None, "needs a header and rows of numbers")
        self.separator = _separator(head[-1])
        self.comma = self.separator != "," and re.search(r"\d,\d", head[-1]) is not None
        names = [one for one in (line.strip() for line in head[:-1]) if one.strip("# ;,\t")]
        width = len(self._cells(head[-1]))
        fitting = [
            self._cells(one.lstrip("# "))
            for one in names
            if len(self._cells(one.lstrip("# "))) == width
        ]
        if not fitting:
            raise InputError(
                self.file, "", None, f"has no header of {width} names above its numbers"
            )
        self.units = [""] * width
        header = fitting[-1]
        if len(fitting) > 1 and all(_is_unit(one) for one in fitting[-1]):
            header, self.units = fitting[-2], [_UNIT.sub(r"\1", one) for one in fitting[-1]]
        self.header = []
        for k, name in enumerate(header):
            match = re.match(r"^(.*?)\s*[\[(]\s*([^\[\]()]+?)\s*[\])]$", name)
            self.header.append(match[1] if match else name)
            self.units[k] = match[2] if match else self.units[k]
        self.rows = self._rows([head[-1]], lines, first, width)

    def _cells(self, line: str) -> list[str]:
        return [one.strip().strip('"') for one in line.strip().split(self.separator)]

    def _rows(self, head: list[str], lines: Iterator[str], first: int, width: int) -> np.ndarray:
        found, torn = [], ""
        for number, line in enumerate(chain(head, islice(lines, MOST_ROWS - 1)), first):
            if not line.strip() or line.lstrip().startswith("#"):
                continue
            if torn:
                raise InputError(*self._bad(torn, width))
            cells = self._cells(line)
            try:
                row = [
                    float((one.replace(",", ".") if self.comma else one) or "nan") for one in cells
                ]
            except ValueError:
                row = []
            if len(row) != width:  # a last line may be torn, none before it
                torn = f"{number}:{line.strip()[:40]}"
                continue
            found.append(row)
        if torn and found:
            self.remarks.append("the last line was torn and is left out")
        if next(iter(lines), None) is not None:
            self.remarks.append(f"only the first {MOST_ROWS} rows are used")
        return np.array(found, dtype=float).reshape(len(found), width)

    def _bad(self, torn: str, width: int) -> tuple[str, str, str, str]:
        number, _, text = torn.partition(":")
        count = len(self._cells(text))
        said = f"has {count} cells, not {width}" if count != width else "must hold numbers"
        return self.file, f"line {number}", text, said

    def place(self, name: str) -> int:
        """Which column has a name. Raises InputError."""
        if name not in self.header:
            raise InputError(self.file, name, None, "no such column; " + nearest(name, self.header))
        return self.header.index(name)


def _separator(line: str) -> str:
    return ";" if ";" in line else "\t" if "\t" in line else ","


def _numbers(line: str) -> bool:
    """Whether a line is a row of numbers."""
    if not line.strip() or line.lstrip().startswith("#"):
        return False
    cells = [one.strip().replace(",", ".") for one in line.strip().split(_separator(line))]
    try:
        return bool([float(one) for one in cells if one])
    except ValueError:
        return False


def _is_unit(cell: str) -> bool:
    """Whether a cell of the header names a unit of some role, or none."""
    given = _UNIT.sub(r"\1", cell)
    if given in ("", "-", "1", "count", "counts", "degC"):
        return True
    for one in UNITS.values():
        for unit in one:
            try:
                units.parse(f"1 {given}", unit, "1")
                return True
            except ValueError:
                continue
    return False


def _pieces(file: str, columns: dict[str, np.ndarray], motion: str, remarks: list[str]) -> Log:
    """Check columns, and cut them into pieces that are even in time. Raises InputError."""
    time = columns["time"]
    if len(time) < LEAST:
        raise InputError(file, "rows", len(time), f"too few; at least {LEAST} are needed")
    bad = np.flatnonzero(~np.isfinite(time))
    if len(bad):
        raise InputError(file, "time", f"row {bad[0] + 2}", "is no number")
    steps = np.diff(time)
    if (steps <= 0.0).any():
        where = int(np.flatnonzero(steps <= 0.0)[0])
        raise InputError(file, "time", f"row {where + 3}: {time[where + 1]:g} after {time[where]:g}",
                         "must rise from row to row")  # fmt: skip
    good = np.isfinite(columns["drive"]) & np.isfinite(columns[motion])
    lost = int((~good).sum())
    if lost > 0.5 * len(time):
        raise InputError(file, motion, f"{lost} of {len(time)} rows", "hold no number")
    if lost:
        remarks.append(f"{lost} rows without a number are left out")
    usual = float(np.median(steps))
    t = time[good]
    edges = np.concatenate(([0], np.flatnonzero(np.diff(t) > GAP * usual) + 1, [len(t)]))
    pieces, times, short, uneven = [], [], 0, 0
    for a, b in pairwise(edges):
        if b - a < LEAST // 2:
            short += int(b - a)
            continue
        own = t[a:b]
        drive, measured = columns["drive"][good][a:b], columns[motion][good][a:b]
        if np.abs(np.diff(own) / usual - 1.0).max() > UNEVEN:
            grid = own[0] + usual * np.arange(int((own[-1] - own[0]) / usual) + 1)
            held = np.searchsorted(own, grid + 1e-9 * usual, "right") - 1
            drive, measured, uneven = drive[held], np.interp(grid, own, measured), uneven + 1
            own = grid
        pieces.append(Stretch(usual, drive, measured))
        times.append(own)
    if not pieces:
        raise InputError(
            file, "time", f"steps of {usual:g} s", "no piece without gaps is long enough"
        )
    if len(edges) > 2:
        missing = float((np.diff(t)[np.diff(t) > GAP * usual] / usual - 1.0).sum())
        remarks.append(
            f"{len(edges) - 2} gaps ({missing:.0f} rows) cut it into pieces; {short} rows stood alone"
        )
    if uneven:
        remarks.append(f"the time stamps are uneven: laid on steps of {1e3 * usual:g} ms")
    temperature = columns.get("temperature")
    return Log(file, pieces, np.concatenate(times), motion == "speed", "", "", remarks,
               None if temperature is None else float(np.nanmean(temperature)))  # fmt: skip


def saturated(values: np.ndarray) -> float:
    """Share of rows that stand at an end of their range again and again."""
    ends = [float(np.mean(values == end)) for end in (values.max(), values.min()) if end != 0.0]
    return sum(one for one in ends if one > 0.05)


def understood(log: Log) -> list[tuple[str, str]]:
    """What was understood of a log before anything is fitted: (quantity, value)."""
    from sim.units import DEG

    motion = log.motion
    rotary = log.motion_unit.startswith("rad")
    factor, unit = (
        (1.0 / DEG, log.motion_unit.replace("rad", "deg"))
        if rotary
        else (1e3, "m" + log.motion_unit)
    )
    speed = [speed_of(one, log.is_speed) for one in log.pieces]
    moves = [moving(one, log.is_speed) for one in log.pieces]
    turns = sum(
        int(np.count_nonzero(np.diff(np.sign(v[m])))) for v, m in zip(speed, moves, strict=True)
    )
    rest = 1.0 - float(np.mean(np.concatenate(moves)))
    step = max(resolution_of(one.measured) for one in log.pieces)
    return [
        ("rows", f"{len(motion)} in {len(log.pieces)} piece(s)"),
        ("time", f"{len(motion) * log.step_s:.1f} s at {1.0 / log.step_s:.0f} Hz"),
        ("drive", f"{log.drive.min():.4g} .. {log.drive.max():.4g} {log.drive_unit}"),
        ("drive at an end of its range", f"{100 * saturated(log.drive):.0f} %"),
        ("speed" if log.is_speed else "motion", f"{motion.min() * factor:.4g} .. {motion.max() * factor:.4g} {unit}"),
        ("resolution, noise", f"{step * factor:.2g}, {max(noise_of(one.measured) for one in log.pieces) * factor:.2g} {unit}"),
        ("fastest", f"{max(float(np.abs(v).max()) for v in speed) * factor:.4g} {unit.removesuffix('/s')}/s"),
        ("at rest", f"{100 * rest:.0f} %"),
        ("reversals", str(turns)),
    ]  # fmt: skip


def _judge(log: Log) -> None:
    """Refuse what tells nothing; add remarks on what to mind. Raises InputError."""
    for role, values in (("drive", log.drive), ("speed" if log.is_speed else "angle", log.motion)):
        if np.ptp(values) <= 1e-12 * max(float(np.abs(values).max()), 1e-300):
            raise InputError(
                log.name, role, f"{values[0]:g}", "is constant: nothing can be told from it"
            )
        stuck = saturated(values)
        if stuck and role != "drive":
            log.remarks.append(
                f"the {role} stands at an end of its range for {100 * stuck:.0f} % of the time: clipped?"
            )
    if 1.0 / log.step_s < SLOW_HZ:
        log.remarks.append(
            f"{1.0 / log.step_s:.0f} rows a second are few: motion between them is guessed"
        )
    if log.drive_unit in MECHANICS:
        log.remarks.append(
            "the drive is no voltage: mechanics alone is told, nothing of winding and back-EMF"
        )
