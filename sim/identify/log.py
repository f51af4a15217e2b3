"""Logs: columns of a CSV file with roles and units, checked, made even, and judged.

``time=t[s],drive=force[N],angle=q[m]`` says: role = column [unit]. Roles: time,
drive, angle; wanted (setpoint) if there is one. Rotary axes have angles in rad or
deg, linear ones in m or mm; drive is in N*m, N, V or A as it was measured.
"""

import csv
import re
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from sim import units
from sim.errors import InputError

ROLES = ("time", "drive", "angle", "wanted")
UNITS = {
    "time": ("s",),
    "drive": ("N*m", "N", "V", "A", "1"),
    "angle": ("rad", "m"),
    "wanted": ("rad", "m"),
}
_COLUMN = re.compile(r"^\s*(\w+)\s*=\s*([^\[\]=,]+?)\s*\[\s*([^\[\]]+?)\s*\]\s*$")
LEAST = 50
GAP = 1.5
"""A step of time longer than this many usual steps is a gap."""


@dataclass
class Log:
    """A log in SI units, evenly spaced. Shapes (n,)."""

    name: str
    time_s: np.ndarray
    drive: np.ndarray
    angle: np.ndarray
    drive_unit: str
    angle_unit: str
    wanted: np.ndarray | None = None
    remarks: list[str] = field(default_factory=list)
    """What was repaired, and what to mind."""

    @property
    def step_s(self) -> float:
        """Time between samples (s)."""
        return float(np.median(np.diff(self.time_s)))


def parse_columns(text: str) -> dict[str, tuple[str, str]]:
    """Role to (column, unit) of the option's text. Raises InputError."""
    found: dict[str, tuple[str, str]] = {}
    for one in text.split(","):
        match = _COLUMN.match(one)
        if match is None or match.group(1) not in ROLES:
            raise InputError("", "--columns", one, "must be role=column[unit], roles "
                             + ", ".join(ROLES))  # fmt: skip
        if match.group(1) in found:
            raise InputError("", "--columns", one, "names this role twice")
        found[match.group(1)] = (match.group(2), match.group(3))
    for role in ("time", "drive", "angle"):
        if role not in found:
            raise InputError("", "--columns", text, f"lacks the role {role}")
    return found


def read_csv(path: Path, columns: str) -> Log:
    """Read a CSV file by an option such as ``time=t[s],drive=u[V],angle=q[deg]``. Raises InputError."""
    roles = parse_columns(columns)
    header, rows, torn = _table(path)
    made: dict[str, np.ndarray] = {}
    chosen: dict[str, str] = {}
    for role, (name, unit) in roles.items():
        if name not in header:
            raise InputError(
                str(path), name, None, "no such column; there are " + ", ".join(header)
            )
        factor, chosen[role] = _unit(role, unit)
        made[role] = rows[:, header.index(name)] * factor
    return even(str(path), made, chosen, torn)


def _unit(role: str, given: str) -> tuple[float, str]:
    for unit in UNITS[role]:
        try:
            return units.parse(f"1 {given}", unit, f"1 {unit}"), unit
        except ValueError:
            continue
    raise InputError("", "--columns", given, f"is no unit of {role}; allowed are those of "
                     + ", ".join(UNITS[role]))  # fmt: skip


def _table(path: Path) -> tuple[list[str], np.ndarray, bool]:
    """Header, numbers (n, columns), and whether the last line was torn. Raises InputError."""
    try:
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError:
        raise InputError(str(path), "", None, "is not UTF-8 text") from None
    except OSError as error:
        raise InputError(str(path), "", None, f"cannot be read: {error.strerror}") from None
    torn = bool(text) and not text.endswith("\n")
    lines = list(csv.reader(text.splitlines()))
    if len(lines) < 2:
        raise InputError(str(path), "", None, "needs a header and rows")
    header = [name.strip() for name in lines[0]]
    rows = []
    for number, line in enumerate(lines[1:], 2):
        if not line:
            continue
        last = number == len(lines)
        try:
            row = [float(cell) if cell.strip() else np.nan for cell in line]
        except ValueError:
            if torn and last:
                break
            raise InputError(
                str(path), f"line {number}", ",".join(line)[:40], "must hold numbers"
            ) from None
        if len(row) != len(header):
            if torn and last:
                break
            raise InputError(str(path), f"line {number}", ",".join(line)[:40],
                             f"has {len(row)} cells, not {len(header)}")  # fmt: skip
        rows.append(row)
    return header, np.array(rows, dtype=float).reshape(len(rows), len(header)), torn


def even(file: str, columns: dict[str, np.ndarray], chosen: dict[str, str], torn: bool) -> Log:
    """Check columns by role and make them even in time; say what was repaired. Raises InputError."""
    remarks = ["the last line was torn and is left out"] if torn else []
    time = columns["time"]
    if len(time) < LEAST:
        raise InputError(file, "rows", len(time), f"too few; at least {LEAST} are needed")
    for role, values in columns.items():
        bad = np.nonzero(~np.isfinite(values))[0]
        if role == "time" and len(bad):
            raise InputError(file, "time", f"row {bad[0] + 2}", "is no number")
        if len(bad) > 0.02 * len(values):
            raise InputError(file, role, f"{len(bad)} of {len(values)} rows", "hold no number")
    steps = np.diff(time)
    if (steps <= 0.0).any():
        where = int(np.nonzero(steps <= 0.0)[0][0])
        raise InputError(file, "time", f"row {where + 3}: {time[where + 1]:g} after {time[where]:g}",
                         "must rise from row to row")  # fmt: skip
    usual = float(np.median(steps))
    good = np.all([np.isfinite(values) for values in columns.values()], axis=0)
    if not good.all():
        remarks.append(f"{int((~good).sum())} rows without a number were bridged by straight lines")
    gaps = int((steps > GAP * usual).sum())
    if gaps:
        missing = float((steps[steps > GAP * usual] / usual - 1.0).sum())
        if missing > 0.1 * len(time):
            raise InputError(
                file, "time", f"{missing:.0f} samples", "are missing: more than a tenth"
            )
        remarks.append(f"{gaps} gaps ({missing:.0f} samples) were bridged by straight lines")
    grid = time[0] + usual * np.arange(round((time[-1] - time[0]) / usual) + 1)
    made = {role: np.interp(grid, time[good], values[good]) for role, values in columns.items()}
    found = Log(file, grid, made["drive"], made["angle"], chosen["drive"], chosen["angle"],
                made.get("wanted"), remarks)  # fmt: skip
    judge(found)
    return found


def judge(log: Log) -> None:
    """Refuse what tells nothing; add remarks on what to mind. Raises InputError."""
    for role, values in (("drive", log.drive), ("angle", log.angle)):
        if np.ptp(values) <= 1e-12 * max(float(np.abs(values).max()), 1e-300):
            raise InputError(
                log.name, role, f"{values[0]:g}", "is constant: nothing can be told from it"
            )
    for role, values in (("drive", log.drive), ("angle", log.angle)):
        for end in (values.max(), values.min()):
            stuck = float(np.mean(values == end))
            if stuck > 0.05 and end != 0.0:
                what = "saturated" if role == "drive" else "clipped"
                log.remarks.append(f"the {role} stands at {end:.4g} for {100 * stuck:.0f} % of the time: "
                                   f"{what}?")  # fmt: skip
    speed = np.gradient(log.angle, log.step_s)
    reversals = int(
        np.count_nonzero(np.diff(np.sign(speed - np.sign(speed) * 0.02 * np.abs(speed).max())))
    )
    if reversals < 4:
        log.remarks.append(
            "hardly any reversal of the motion: friction and offset cannot be told apart"
        )
