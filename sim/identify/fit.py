"""A joint's constants from its own recording.

The plant is driven by the recorded voltage and held to the recorded angle by a
weak observer (``sim/driven.py``); what it leaves over, low-passed and thinned, is
brought down. Unknown are the entries of the part spread, which are known
beforehand as far as the spread says:

    minimise  sum innovation^2 / sigma^2  +  sum z^2

(prediction error with a prior: maximum a posteriori; A. Tarantola, "Inverse Problem
Theory", 2005, sec. 3.2), by Gauss-Newton with damping. sigma is estimated from what
is left, and widened by its correlation from row to row. The covariance
(J'J/sigma^2 + 1)^-1 then holds both what the log says and what it cannot say: where
it is hardly smaller than before, the log tells nothing of that number, and that is
told.
"""

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from math import pi, sqrt
from typing import Any

import numpy as np

from sim import kernels, replay
from sim.closed_loop import Joint
from sim.identify.regression import low_pass
from sim.identify.space import Axis, axes_of, part_of
from sim.part import Part
from sim.tolerance import start_plant, substeps_for

CUTOFF_HZ = 20.0
OBSERVER_HZ = (5.0, 5.0, 4.0, 4.0, 3.0, 3.0, 2.0, 2.0, 2.0, 2.0, 2.0, 2.0)
"""How firmly the plant is held to the log in each iteration: firmly first, so that it finds
the right valley, then below what is to be told from the log."""
SKIP_S = 0.4
LONGEST_S = 2e-4
STEPS = (0.4, 0.4, 0.3, 0.3, 0.25, 0.25, 0.2, 0.15, 0.12, 0.1, 0.1, 0.1)
"""Steps of the differences, in deviations of the prior: friction makes small steps rough."""
DRAWS, STARTS = 300, 3
"""Points drawn from the prior, and how many of the best are followed."""
ITERATIONS = len(OBSERVER_HZ)
UNTOLD = 0.75
"""A deviation above this share of the prior's: the log tells nothing of that number."""

Listener = Callable[[int, int, float], None]


@dataclass
class Fit:
    """What a log says of a joint. z: standard numbers, shape (axes,); covariance beside."""

    axes: list[Axis]
    z: np.ndarray
    covariance: np.ndarray
    part: Part
    fit: float
    """Share of the measured angle's course that the fitted simulation explains."""
    held_out_fit: float
    """The same on the last fifth of the log, which took no part in the fit."""
    remarks: list[str] = field(default_factory=list)

    def deviation(self, name: str) -> float:
        """Deviation of one number, in deviations of its prior."""
        k = self.index(name)
        return float(sqrt(self.covariance[k, k]))

    def index(self, name: str) -> int:
        """Place of a number by name."""
        return [axis.name for axis in self.axes].index(name)

    def interval(self, name: str, sigmas: float = 1.96) -> tuple[float, float, float]:
        """Low, middle and high of one number (factor or value)."""
        k = self.index(name)
        axis, d = self.axes[k], self.deviation(name)
        return (axis.value(self.z[k] - sigmas * d), axis.value(self.z[k]),
                axis.value(self.z[k] + sigmas * d))  # fmt: skip

    def untold(self) -> list[str]:
        """Numbers of which the log tells nothing."""
        return [axis.name for axis in self.axes if self.deviation(axis.name) > UNTOLD]

    def combination(self, weights: dict[str, float]) -> tuple[float, float]:
        """Sum of weighted logarithms and its deviation: products and quotients of factors."""
        w = np.zeros(len(self.axes))
        middle = 0.0
        for name, weight in weights.items():
            if name not in [axis.name for axis in self.axes]:
                continue
            k = self.index(name)
            w[k] = weight * self.axes[k].deviation
            middle += weight * (self.axes[k].mean + self.axes[k].deviation * self.z[k])
        return middle, float(sqrt(max(w @ self.covariance @ w, 0.0)))


class Problem:
    """A log, and what candidate parts leave over of it, many at once."""

    def __init__(
        self,
        joint: Joint,
        time_s: np.ndarray,
        angle_rad: np.ndarray,
        volt: np.ndarray,
        axes: list[Axis],
    ) -> None:
        """Prepare a powered stretch, shape (n,) each. Raises ValueError."""
        self.joint, self.axes = joint, axes
        self.tick_s = joint.settings.tick_s
        self.angle = replay.on_ticks(self.tick_s, time_s, angle_rad)
        self.volt = replay.on_ticks(self.tick_s, time_s, volt)
        self.rate = 1.0 / self.tick_s
        self.step = max(1, round(self.rate / (2.0 * CUTOFF_HZ)))
        self.skip = round(SKIP_S * self.rate)
        self.count = len(self.thin(self.angle))
        self.cut = int(0.8 * self.count)
        """Rows from here on are held out."""

    def thin(self, values: np.ndarray) -> np.ndarray:
        """Low-pass, leave out the observer's beginning, keep two rows a period of the cut-off."""
        return low_pass(values, self.rate, CUTOFF_HZ)[..., self.skip :: self.step]

    def left(self, points: np.ndarray, observer_Hz: float = OBSERVER_HZ[-1]) -> np.ndarray:
        """Thinned innovations (rad) of candidates (points, axes): (points, rows)."""
        parts = [part_of(self.joint, self.axes, z) for z in points]
        for part in parts:  # the recorded voltage is what the bridge gave
            part.supply_V, part.supply_ohm = 1.0, 0.0
        substeps = np.array([substeps_for(part, self.tick_s, LONGEST_S) for part in parts])
        delays = np.rint(substeps * self.joint.delay_s / self.tick_s).astype(np.int64)
        plants = kernels.as_array([start_plant(part, float(self.angle[0]), 25.0) for part in parts])
        outs = np.zeros((len(parts), len(self.angle)))
        w = 2.0 * pi * observer_Hz
        gains = (1.4 * w * self.tick_s, w * w * self.tick_s)
        run = kernels.twin().driven.follow_many
        records = kernels.as_array(parts)
        rest: tuple[Any, ...] = (
            self.volt, self.angle, outs, substeps.astype(np.int64), delays, self.tick_s, *gains,
        )  # fmt: skip
        with ThreadPoolExecutor(min(os.cpu_count() or 1, len(parts))) as pool:
            jobs = [
                pool.submit(run, *[records, plants, *rest, k, k + 1]) for k in range(len(parts))
            ]
            for job in jobs:
                job.result()
        return self.thin(outs)


def widening(left: np.ndarray) -> float:
    """How much correlation from row to row widens variances: (1 + rho) / (1 - rho)."""
    rho = float(np.corrcoef(left[:-1], left[1:])[0, 1]) if len(left) > 3 else 0.0
    rho = min(max(rho, 0.0), 0.95)
    return (1.0 + rho) / (1.0 - rho)


def fit(
    joint: Joint,
    time_s: np.ndarray,
    angle_rad: np.ndarray,
    volt: np.ndarray,
    ohm_known: bool = False,
    listener: Listener | None = None,
) -> Fit:
    """Fit a powered stretch of a recording (s, rad, V; shape (n,)). Raises ValueError."""
    axes = axes_of(joint, ohm_known)
    problem = Problem(joint, time_s, angle_rad, volt, axes)
    used = slice(0, problem.cut)
    count = len(axes)
    draws = np.vstack([np.zeros(count), np.random.default_rng(1).normal(0.0, 1.0, (DRAWS, count))])
    sizes = (problem.left(draws, OBSERVER_HZ[0])[:, used] ** 2).mean(axis=1)
    ends = [
        _descend(problem, draws[k], used, listener, (number, STARTS))
        for number, k in enumerate(np.argsort(sizes)[:STARTS])
    ]
    z, covariance, _ = min(ends, key=lambda one: one[2])
    left = problem.left(z[None])[0]
    moved = problem.thin(problem.angle)
    spread = float(np.std(moved))
    found = Fit(
        axes, z, covariance, part_of(joint, axes, z),
        1.0 - float(np.sqrt(np.mean(left[used] ** 2))) / spread,
        1.0 - float(np.sqrt(np.mean(left[problem.cut :] ** 2))) / spread,
    )  # fmt: skip
    found.remarks = remarks_of(found, problem)
    return found


def _descend(
    problem: Problem,
    z: np.ndarray,
    used: slice,
    listener: Listener | None,
    which: tuple[int, int],
) -> tuple[np.ndarray, np.ndarray, float]:
    """Follow one start downhill: point, covariance, mean square left."""
    count = len(z)
    damping, covariance, size = 1.0, np.eye(count), float("inf")
    for step in range(ITERATIONS):
        near = STEPS[step] * np.eye(count)
        left = problem.left(np.vstack([z, z + near, z - near]), OBSERVER_HZ[step])[:, used]
        size = float(np.mean(left[0] ** 2))
        sigma = sqrt(size * widening(left[0]))
        slopes = (left[1 : 1 + count] - left[1 + count :]) / (2.0 * STEPS[step])  # d left / dz
        gradient = -z - slopes @ left[0] / sigma**2
        curvature = np.eye(count) + slopes @ slopes.T / sigma**2
        covariance = np.linalg.inv(curvature)
        if step == ITERATIONS - 1:
            break
        _, z, damping = _best_step(problem, z, gradient, curvature, damping, sigma, used,
                                   OBSERVER_HZ[step])  # fmt: skip
        if listener is not None:
            listener(which[0] * ITERATIONS + step + 1, which[1] * ITERATIONS, sqrt(size))
    return z, covariance, size


def _best_step(
    problem: Problem,
    z: np.ndarray,
    gradient: np.ndarray,
    curvature: np.ndarray,
    damping: float,
    sigma: float,
    used: slice,
    observer_Hz: float,
) -> tuple[float, np.ndarray, float]:
    """Try several dampings at once; return cost, point and damping of the best."""
    tries = [0.0, 0.1 * damping, 0.5 * damping, 2.0 * damping, 10.0 * damping, 50.0 * damping]
    points = [z]
    for one in tries:
        step = np.linalg.solve(curvature + one * np.diag(np.diag(curvature)), gradient)
        longest = float(np.abs(step).max())
        points.append(z + step * min(1.0, 1.5 / max(longest, 1e-9)))
    batch = np.clip(np.array(points), -3.5, 3.5)
    left = problem.left(batch, observer_Hz)[:, used]
    costs = (batch**2).sum(axis=1) + (left**2).sum(axis=1) / sigma**2
    k = int(np.argmin(costs))
    after = damping * 5.0 if k == 0 else max(tries[k - 1], 1e-3)
    return float(costs[k]), batch[k], min(after, 1e3)


COMBINATIONS: dict[str, tuple[str, dict[str, float]]] = {
    "inertia_by_drive": ("J R / K", {"rotor_inertia": 1.0, "resistance": 1.0, "torque_constant": -1.0}),
    "friction_by_drive": ("F_c R / K",
                          {"motor_friction": 1.0, "resistance": 1.0, "torque_constant": -1.0}),
}  # fmt: skip
"""What angle and voltage tell without an anchor: products that scale alike."""


def remarks_of(found: Fit, problem: Problem) -> list[str]:
    """Plain statements of what the log tells, and what it cannot."""
    rows = []
    untold = found.untold()
    if untold:
        words = ", ".join(name.replace("_", " ") for name in untold)
        rows.append(f"The log tells nothing of: {words}. They stay as the spread has them.")
    if "stiffness" in untold or "cable_damping" in untold:
        rows.append(
            f"Nothing above {CUTOFF_HZ:.0f} Hz is compared: the cable's resonance lies beyond."
        )
    deviation = np.sqrt(np.diag(found.covariance))
    correlation = found.covariance / np.outer(deviation, deviation)
    for i in range(len(found.axes)):
        for k in range(i):
            if abs(correlation[i, k]) > 0.9:
                rows.append(f"{found.axes[k].name} and {found.axes[i].name} cannot be told apart "
                            f"(correlation {correlation[i, k]:+.2f}); an anchor would: the winding's "
                            "resistance by ohmmeter, or a known weight.")  # fmt: skip
    if np.abs(problem.volt).max() > 0.0:
        top = float(np.mean(np.abs(problem.volt) > 0.98 * np.abs(problem.volt).max()))
        if top > 0.05:
            rows.append(f"The drive stands at its largest value for {100 * top:.0f} % of the time.")
    return rows
