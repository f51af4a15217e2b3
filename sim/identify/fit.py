"""A joint's constants from its own recording.

The plant is driven by the recorded voltage and held to the recorded angle by a
weak observer (``sim/model/observer_loop.py``). What a candidate leaves over, low-passed and
thinned, is noise if the candidate is right. Unknown are the entries of the part
spread, known beforehand as far as the spread says (A. Tarantola, "Inverse Problem
Theory", 2005, sec. 3.2).

Friction and backlash make what is left over rough: a descent ends in one of many
small valleys, and its Jacobian there tells of that valley only (tried: intervals
three to four times too narrow). So a cloud of candidates is drawn instead (``cloud.py``).
"""

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from math import sqrt

import numpy as np
from scipy.special import ndtri

from sim.identify.anchors import Anchors
from sim.identify.cloud import FURTHEST, ROUNDS, Listener, narrowed
from sim.identify.problem import CUTOFF_HZ, Problem
from sim.identify.space import (
    BACKLASH,
    EVEN,
    ODD,
    WINDING,
    Axis,
    axes_of,
    part_of,
    recording_axes,
)
from sim.joint.identified import LOGARITHMIC, Known
from sim.joint.part import Part
from sim.run.closed_loop import Joint

EDGE, WIDENED, MOST_RAW = 2.5, 2.0, 4.9
"""A result beyond EDGE deviations is at the edge of that box: its prior is taken WIDENED times as wide
and all is fitted again, as far as a joint file can keep the number (sim/joint/identified.py: 5)."""
OUTSIDE = 2.0
"""Ends of the spread in deviations: an interval beyond lies outside what the spread allows."""
DRAWS = 300
LEAST_GAP = 0.02
"""Share of the datasheet's backlash below which a file keeps it as so much."""
NORMAL = ndtri((np.arange(201) + 0.5) / 201)
"""Standard normal deviates, evenly likely."""
WARMER_K = 5.0
STRAIGHT = 0.002
"""Deviation of a linearity error that matters little."""
UNTOLD = 0.75
"""A deviation above this share of the prior's: the log tells nothing of that number."""


@dataclass
class Fit:
    """What a log says of a joint. z: standard numbers, shape (axes,); covariance beside."""

    joint: Joint
    axes: list[Axis]
    z: np.ndarray
    covariance: np.ndarray
    part: Part
    fit: float
    """Share of the measured angle's course that the fitted simulation explains."""
    held_out_fit: float
    """The same on the last fifth of the log, which took no part in the fit."""
    own: dict[str, tuple[float, float, float]] = field(default_factory=dict)
    """Numbers of this recording's own, by name (``space.py``): low, middle and high (95 %)."""
    spread: list[Axis] = field(default_factory=list)
    """The axes as the spread has them; ``axes`` are wider where the answer lay at the edge."""
    remarks: list[str] = field(default_factory=list)
    drawn: list[Part] = field(default_factory=list, repr=False)
    """Parts drawn from the fit, for `combination`."""

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

    def known(self) -> Known:
        """The same as a table of the joint file keeps it: of factors the logarithm."""
        scale = np.array([axis.deviation for axis in self.axes])
        middle = np.array([axis.mean for axis in self.axes]) + scale * self.z
        for k, axis in enumerate(self.axes):
            if axis.name == BACKLASH:
                deviation = self.deviation(axis.name)
                values = [max(axis.value(self.z[k] + deviation * one), LEAST_GAP) for one in NORMAL]
                middle[k], scale[k] = np.mean(np.log(values)), np.std(np.log(values)) / deviation
        return Known(tuple(axis.name for axis in self.axes), middle,
                     self.covariance * np.outer(scale, scale))  # fmt: skip

    def untold(self) -> list[str]:
        """Numbers of which the log tells nothing."""
        return [axis.name for axis in self.axes if self.deviation(axis.name) > UNTOLD]

    def combination(self, what: Callable[[Part], float]) -> tuple[float, float]:
        """Middle of the logarithm of a number that a part has, and its deviation.

        Taken over parts drawn from the fit: products keep what their factors cannot tell.
        """
        if not self.drawn:
            rng = np.random.default_rng(2)
            for z in rng.multivariate_normal(self.z, self.covariance, DRAWS):
                bounded = np.clip(z, -FURTHEST, FURTHEST)
                self.drawn.append(part_of(self.joint, self.axes, bounded))
        values = np.log([what(part) for part in self.drawn])
        return float(values.mean()), float(values.std())


def fit(
    joint: Joint,
    time_s: np.ndarray,
    angle_rad: np.ndarray,
    volt: np.ndarray,
    winding_C: np.ndarray | None = None,
    anchors: Anchors | None = None,
    listener: Listener | None = None,
) -> Fit:
    """Fit a powered stretch of a recording (s, rad, V; shape (n,)). Raises ValueError.

    volt: what the motor had (``drive.py``); winding_C: as reckoned in it, None: 25 degC;
    anchors: what was measured beside.
    """
    anchors = anchors or Anchors()
    axes = axes_of(joint, anchors.winding_ohm)
    begun_C = 25.0 if winding_C is None else float(winding_C[0])
    spread = axes + recording_axes(joint, begun_C, anchors)
    problem = Problem(joint, time_s, angle_rad, volt, spread, winding_C, anchors)
    mean, covariance = narrowed(problem, listener)
    if (np.abs(mean) > EDGE).any():
        problem.axes = [wider(axis) if abs(z) > EDGE else axis
                        for axis, z in zip(spread, mean, strict=True)]  # fmt: skip
        mean, covariance = narrowed(problem, listener)
    fits = explained(problem, mean)
    reach = 1.96 * np.sqrt(np.diag(covariance))
    own = {axis.name: (axis.value(z - r), axis.value(z), axis.value(z + r))
           for axis, z, r in list(zip(problem.axes, mean, reach, strict=True))[len(axes) :]}  # fmt: skip
    axes = problem.axes[: len(axes)]
    mean, covariance = mean[: len(axes)], covariance[: len(axes), : len(axes)]
    part = part_of(joint, axes, mean)
    found = Fit(joint, axes, mean, covariance, part, *fits, own, spread[: len(axes)])
    found.remarks = remarks_of(found, problem)
    return found


def wider(axis: Axis) -> Axis:
    """A prior that holds what lay at the edge of the one before."""
    most = (MOST_RAW - abs(axis.mean)) / FURTHEST
    reach = axis.deviation * WIDENED
    return replace(axis, deviation=min(reach, most) if axis.log else reach)


def explained(problem: Problem, mean: np.ndarray) -> tuple[float, float]:
    """Share of the course that a candidate explains: where it was fitted, and held out."""
    fits = []
    for piece in (slice(0, problem.cut), slice(problem.cut, len(problem.angle))):
        left = problem.left(mean[None], ROUNDS[-1][0], [piece])
        course = problem.thin(problem.coarse(problem.angle[piece]))
        fits.append(1.0 - float(np.std(left)) / float(np.std(course)))
    return fits[0], fits[1]


def outside(found: Fit) -> list[str]:
    """Numbers whose 95 % lie outside what the spread allows, in words."""
    rows = []
    for k, axis in enumerate(found.spread):
        low, middle, high = found.interval(axis.name)
        away = [axis.standard(one) for one in (low, high)]
        if max(away) > -OUTSIDE and min(away) < OUTSIDE:
            continue
        factor = axis.name in LOGARITHMIC and axis.name != "stiction_ratio"
        unit = " times the datasheet" if factor else ""
        ends = [axis.value(z) for z in (-OUTSIDE, OUTSIDE)]
        again = ": its spread was widened and all fitted again" if found.axes[k] != axis else ""
        edge = "; at the edge of that too" if again and abs(found.z[k]) > EDGE else ""
        rows.append(f"{axis.name.replace('_', ' ')}, {middle:.3g}{unit}, lies outside what the spread allows "
                    f"({ends[0]:.3g} .. {ends[1]:.3g}){again}{edge}. Is its datasheet value right? That "
                    "the intervals hold 95 % was measured on parts of the spread, which this is not.")  # fmt: skip
    return rows


def bent(found: Fit, problem: Problem) -> list[str]:
    """The sensor's bend, where the log tells of one, in words."""
    told = [f"{name.removeprefix('sensor_')} part {100 * middle:+.2f} % of full scale ({100 * low:+.2f} .. {100 * high:+.2f})"
            for name, (low, middle, high) in found.own.items() if name in (EVEN, ODD) and low * high > 0.0]  # fmt: skip
    if not told:
        wide = [axis for axis in problem.axes if axis.name == EVEN and axis.deviation > STRAIGHT]
        return ["The sensor is not calibrated against many known angles: what its datasheet allows widens every "
                "interval here (`jointloop calibrate --points`)."] if wide else []  # fmt: skip
    return [f"The sensor's track is bent, it seems: {', '.join(told)}. Calibrate against many known angles "
            "(`jointloop calibrate --points`); the fit has taken it off."]  # fmt: skip


def remarks_of(found: Fit, problem: Problem) -> list[str]:
    """Plain statements of what the log tells, and what it cannot."""
    rows = outside(found)
    taken_C, (least_C, likely_C, most_C) = float(problem.winding_C[0]), found.own[WINDING]
    if least_C > taken_C + WARMER_K:
        rows.append(f"The winding was warmer when it began, it seems: {likely_C:.0f} degC ({least_C:.0f} .. "
                    f"{most_C:.0f}, 95 %) fit better than {taken_C:.0f} degC. Record cold, or say how warm.")  # fmt: skip
    rows += bent(found, problem)
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
                names = (found.axes[k].name, found.axes[i].name)
                anchor = "; the winding's resistance by ohmmeter would tell"
                rows.append(f"{names[0]} and {names[1]} can hardly be told apart (correlation "
                            f"{correlation[i, k]:+.2f}){anchor if 'resistance' in names else ''}.")  # fmt: skip
    if np.abs(problem.volt).max() > 0.0:
        top = float(np.mean(np.abs(problem.volt) > 0.98 * np.abs(problem.volt).max()))
        if top > 0.05:
            rows.append(f"The drive stands at its largest value for {100 * top:.0f} % of the time.")
    return rows
