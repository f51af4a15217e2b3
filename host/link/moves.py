"""Setpoints over time: generated shapes, or read from a CSV file.

A move is a function of time that returns angle (rad) and speed (rad/s), with a
length in seconds. Minimum jerk: T. Flash and N. Hogan, "The coordination of arm
movements", J. Neuroscience 5 (1985) 1688-1703, x = 10 s^3 - 15 s^4 + 6 s^5.
"""

import csv
from collections.abc import Callable
from dataclasses import dataclass
from math import cos, pi, sin
from pathlib import Path

import numpy as np

from sim.errors import InputError

SHAPES = ("sine", "step", "staircase", "chirp", "minimum_jerk")


@dataclass(frozen=True)
class Move:
    """Setpoints of one joint: ``at(t)`` gives angle (rad) and speed (rad/s)."""

    name: str
    seconds: float
    at: Callable[[float], tuple[float, float]]
    jumps: bool = False
    """Whether the angle jumps, so that it is sent as targets of a profile."""
    low: float = float("nan")
    high: float = float("nan")
    """Lowest and highest angle (rad) that it reaches."""
    low_s: float | None = None
    high_s: float | None = None
    """When it does, where that is known (a CSV file)."""


def sine(centre: float, amplitude: float, frequency: float, seconds: float) -> Move:
    """Sine about ``centre`` (rad), begun softly over its first period."""

    def at(t: float) -> tuple[float, float]:
        w = 2.0 * pi * frequency
        share = min(t * frequency, 1.0)
        ease, rate = share * share * (3.0 - 2.0 * share), 0.0
        if share < 1.0:
            rate = 6.0 * share * (1.0 - share) * frequency
        angle = amplitude * sin(w * t)
        return centre + ease * angle, ease * amplitude * w * cos(w * t) + rate * angle

    reach = abs(amplitude)
    return Move("sine", seconds, at, low=centre - reach, high=centre + reach)


def chirp(centre: float, amplitude: float, low_Hz: float, high_Hz: float, seconds: float) -> Move:
    """Sine whose frequency rises in a straight line from low to high."""

    def at(t: float) -> tuple[float, float]:
        rate = (high_Hz - low_Hz) / seconds
        phase = 2.0 * pi * (low_Hz * t + 0.5 * rate * t * t)
        ease = min(t / 0.5, 1.0)
        speed = 2.0 * pi * (low_Hz + rate * t) * amplitude * cos(phase) * ease
        if t < 0.5:
            speed += 2.0 * amplitude * sin(phase)
        return centre + ease * amplitude * sin(phase), speed

    reach = abs(amplitude)
    return Move("chirp", seconds, at, low=centre - reach, high=centre + reach)


def step(low: float, high: float, period: float, seconds: float) -> Move:
    """Square wave between two angles (rad)."""

    def at(t: float) -> tuple[float, float]:
        return (high if (t % period) < 0.5 * period else low), 0.0

    return Move("step", seconds, at, True, min(low, high), max(low, high))


def staircase(low: float, high: float, steps: int, dwell: float) -> Move:
    """Up and down in equal steps, each held for ``dwell`` seconds."""
    levels = [low + (high - low) * k / steps for k in range(steps + 1)]
    levels = levels + levels[-2::-1]

    def at(t: float) -> tuple[float, float]:
        return levels[min(int(t / dwell), len(levels) - 1)], 0.0

    return Move("staircase", dwell * len(levels), at, True, min(levels), max(levels))


def minimum_jerk(angles: list[float], each_s: float, rest_s: float = 0.3) -> Move:
    """Minimum-jerk moves from angle to angle (rad), with a rest at each."""
    span = each_s + rest_s

    def at(t: float) -> tuple[float, float]:
        k = min(int(t / span), len(angles) - 2)
        s = min(max((t - k * span) / each_s, 0.0), 1.0)
        rise = angles[k + 1] - angles[k]
        x = s**3 * (10.0 - 15.0 * s + 6.0 * s * s)
        rate = 30.0 * s * s * (1.0 - s) ** 2 / each_s if s < 1.0 else 0.0
        return angles[k] + rise * x, rise * rate

    return Move("minimum_jerk", span * (len(angles) - 1), at, low=min(angles), high=max(angles))


def sampled(name: str, time_s: np.ndarray, angle: np.ndarray, speed: np.ndarray) -> Move:
    """A move through samples (s, rad, rad/s; shape (n,)), a cubic between two of them."""
    from scipy.interpolate import CubicHermiteSpline

    course = CubicHermiteSpline(time_s, angle, speed)
    slope = course.derivative()

    def at(t: float) -> tuple[float, float]:
        t = min(max(t, float(time_s[0])), float(time_s[-1]))
        return float(course(t)), float(slope(t))

    return Move(name, float(time_s[-1]), at, low=float(angle.min()), high=float(angle.max()))


def from_csv(path: Path, joints: int) -> list[Move]:
    """Moves of a CSV file: a column ``time_s`` and one ``setpoint_deg`` or ``_rad`` a joint.

    Between rows the angle is a straight line and the speed its slope. Raises InputError.
    """
    times, angles = _read(path, joints)

    def move(k: int) -> Move:
        column = angles[:, k]

        def at(t: float) -> tuple[float, float]:
            i = int(np.clip(np.searchsorted(times, t, side="right") - 1, 0, len(times) - 2))
            slope = (column[i + 1] - column[i]) / (times[i + 1] - times[i])
            inside = times[0] <= t <= times[-1]
            return float(np.interp(t, times, column)), float(slope) if inside else 0.0

        down, up = int(np.argmin(column)), int(np.argmax(column))
        return Move(path.name, float(times[-1]), at, False, float(column[down]), float(column[up]),
                    float(times[down]), float(times[up]))  # fmt: skip

    return [move(k) for k in range(joints)]


def _read(path: Path, joints: int) -> tuple[np.ndarray, np.ndarray]:
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        reason = getattr(error, "strerror", None) or "is not UTF-8 text"
        raise InputError(str(path), "", None, f"cannot be read: {reason}") from None
    reader = csv.reader(text.splitlines())
    rows = []
    try:
        for row in reader:
            rows.append(row)
    except csv.Error as error:
        raise InputError(str(path), f"line {len(rows) + 1}", None, str(error)) from None
    if len(rows) < 3:
        raise InputError(str(path), "", None, "needs a header and at least two rows")
    header = [name.strip() for name in rows[0]] or [""]
    if header[0] != "time_s":
        raise InputError(str(path), "column 1", header[0], "must be time_s")
    if len(header) != joints + 1:
        raise InputError(str(path), "columns", len(header),
                         f"needs time_s and {joints} setpoint column(s)")  # fmt: skip
    factors = []
    for name in header[1:]:
        if name.endswith("_deg"):
            factors.append(pi / 180.0)
        elif name.endswith("_rad"):
            factors.append(1.0)
        else:
            raise InputError(str(path), name, None, "must end in _deg or _rad")
    table = []
    for number, row in enumerate(rows[1:], 2):
        if not row:
            continue
        try:
            table.append([float(cell) for cell in row])
        except ValueError:
            raise InputError(str(path), f"line {number}", ",".join(row)[:40],
                             "must hold numbers") from None  # fmt: skip
        if len(row) != len(header) or not np.isfinite(table[-1]).all():
            raise InputError(str(path), f"line {number}", ",".join(row)[:40],
                             f"must hold {len(header)} finite numbers")  # fmt: skip
        before = table[-2][0] if len(table) > 1 else -1e-300
        if table[-1][0] <= before:
            raise InputError(str(path), f"line {number}", f"time_s {table[-1][0]:g}",
                             "must rise from row to row, from 0 on")  # fmt: skip
    numbers = np.array(table)
    if len(numbers) < 2:
        raise InputError(str(path), "", None, "needs a header and at least two rows")
    return numbers[:, 0], numbers[:, 1:] * np.array(factors)
