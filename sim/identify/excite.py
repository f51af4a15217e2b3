"""Excitation of a joint, safe by construction: inside the travel, below every limit.

One after the other: a staircase (stiction, creep), quick moves to and fro (back-EMF,
backlash), a slow ramp both ways (dry friction, hysteresis, gravity), a multisine
(inertia, viscous friction, resonance: M. Schroeder's phases, "Synthesis of
low-peak-factor signals", IEEE Trans. Information Theory 16 (1970) 85-89) and other
moves, which a fit does not see but is checked by (about the last fifth). Every sample has a position and a speed that belong together.
"""

from dataclasses import dataclass
from math import pi

import numpy as np

from controller.joint.settings.settings import Settings
from sim.model import schedule
from sim.run.scenarios import LEAD_S, Scenario, span_of

SAMPLE_S = 0.02
TONES_HZ = (0.5, 0.9, 1.5, 2.4, 3.7, 5.3)
SHARE = 0.5
"""Of the speed and acceleration limits that is used at most; quick moves use 0.8 of the speed."""


@dataclass
class Excitation:
    """Samples ``SAMPLE_S`` apart: time (s), angle (rad), speed (rad/s); pieces by name and time."""

    time_s: np.ndarray
    angle_rad: np.ndarray
    speed_rad_s: np.ndarray
    pieces: list[tuple[str, float]]

    def scenario(self) -> Scenario:
        """The same as a scenario of the simulation."""
        made = Scenario("excitation", float(self.angle_rad[0]),
                        LEAD_S + float(self.time_s[-1]) + 0.3, meaning="excitation")  # fmt: skip
        for t, angle, speed in zip(self.time_s, self.angle_rad, self.speed_rad_s, strict=True):
            made.at(LEAD_S + float(t), schedule.STREAM, float(angle), float(speed), SAMPLE_S)
        return made


def minimum_jerk(start: float, end: float, seconds: float) -> tuple[np.ndarray, np.ndarray]:
    """Samples of one minimum-jerk move, its end included: angles and speeds."""
    count = max(2, round(seconds / SAMPLE_S))
    s = np.arange(1, count + 1) / count
    x = s**3 * (10.0 - 15.0 * s + 6.0 * s * s)
    rate = 30.0 * s * s * (1.0 - s) ** 2 / (count * SAMPLE_S)
    return start + (end - start) * x, (end - start) * rate


class _Path:
    """Samples as they are put together."""

    def __init__(self, angle: float) -> None:
        self.angles = [np.array([angle])]
        self.speeds = [np.array([0.0])]

    @property
    def last(self) -> float:
        return float(self.angles[-1][-1])

    @property
    def seconds(self) -> float:
        return (sum(len(one) for one in self.angles) - 1) * SAMPLE_S

    def add(self, angles: np.ndarray, speeds: np.ndarray) -> None:
        self.angles.append(angles)
        self.speeds.append(speeds)

    def rest(self, seconds: float) -> None:
        count = max(1, round(seconds / SAMPLE_S))
        self.add(np.full(count, self.last), np.zeros(count))

    def go(self, end: float, seconds: float, rest: float) -> None:
        self.add(*minimum_jerk(self.last, end, seconds))
        self.rest(rest)


def excitation(settings: Settings, seconds: float = 20.0) -> Excitation:
    """Return the excitation for a joint; ``seconds`` scales all of its pieces."""
    low, high = span_of(settings)
    middle, half = 0.5 * (low + high), 0.5 * (high - low)
    speed = SHARE * min(settings.profile.speed_rad_s, settings.limits.speed_rad_s)
    acceleration = SHARE * settings.profile.acceleration_rad_s2
    scale = seconds / 20.0
    path = _Path(middle)
    pieces = [("staircase", 0.0)]
    path.rest(0.3)
    small = min(0.07, 0.25 * half)
    for k in range(max(8, round(13 * scale))):  # two up, one down: every reversal shows the gap
        path.go(path.last + (-small if k % 3 == 2 else small), 0.12, 0.2)
        if path.last > middle + 0.8 * half:
            path.go(middle, 0.3, 0.2)
    pieces.append(("quick moves", path.seconds))
    quick = 0.6 * half
    least = max(1.875 * 2.0 * quick / (1.6 * speed), 0.1)  # minimum jerk peaks at 15/8 of its mean
    for k in range(max(4, round(6 * scale))):
        path.go(middle + (quick if k % 2 == 0 else -quick), least, 0.25)
    path.go(middle, max(0.4, least), 0.3)
    pieces.append(("slow ramp", path.seconds))
    slow = max(2.0 * scale, 1.6 * half / speed)
    path.go(middle - 0.8 * half, max(0.5, 1.5 * half / speed), 0.2)
    path.go(middle + 0.8 * half, slow, 0.2)
    path.go(middle - 0.8 * half, slow, 0.2)
    path.go(middle, max(0.5, 1.5 * half / speed), 0.3)
    pieces.append(("multisine", path.seconds))
    path.add(*_multisine(middle, 0.7 * half, speed, acceleration, max(3.0, 6.0 * scale)))
    path.rest(0.3)
    pieces.append(("moves to check by", path.seconds))
    for share in (0.5, -0.4, 0.1, -0.7, 0.6, 0.3, -0.2, 0.7)[: max(4, round(8 * min(scale, 1.0)))]:
        goal = middle + share * half
        path.go(goal, max(1.875 * abs(goal - path.last) / speed, 0.15), 0.2)
    path.go(middle, max(0.5, 1.5 * half / speed), 0.3)
    angles, speeds = np.concatenate(path.angles), np.concatenate(path.speeds)
    return Excitation(SAMPLE_S * np.arange(len(angles)), angles, speeds, pieces)


def _multisine(
    middle: float, reach: float, speed: float, acceleration: float, seconds: float
) -> tuple[np.ndarray, np.ndarray]:
    """Tones of equal speed amplitude, faded in and out, scaled below every bound."""
    t = SAMPLE_S * np.arange(1, round(seconds / SAMPLE_S) + 1)
    count = len(TONES_HZ)
    angle, rate = np.zeros_like(t), np.zeros_like(t)
    for k, hertz in enumerate(TONES_HZ):
        w = 2.0 * pi * hertz
        phase = -pi * k * (k + 1) / count
        angle += np.sin(w * t + phase) / w
        rate += np.cos(w * t + phase)
    fade = np.minimum(np.minimum(t / 0.5, (t[-1] - t) / 0.5), 1.0)
    slope = np.where(t < 0.5, 2.0, np.where(t > t[-1] - 0.5, -2.0, 0.0))
    soft = fade * fade * (3.0 - 2.0 * fade)
    rate = soft * rate + 6.0 * fade * (1.0 - fade) * slope * angle
    angle = soft * angle
    bend = np.abs(np.gradient(rate, SAMPLE_S)).max()
    size = min(reach / np.abs(angle).max(), speed / np.abs(rate).max(), acceleration / bend)
    return middle + size * angle, size * rate
