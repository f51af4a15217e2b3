"""Which one number would explain what a part's simulation leaves over of a recording.

The part is driven by the recorded voltage (``fit.py``). Each number of the spread, and of the
recording's own (delay, winding, sensor), is moved by itself to several places, and what is left over
there is weighed: a place is as plausible as its likelihood (what is left over against the sensor's
noise) times its prior (how many deviations away it lies). So a number that explains a little more but
would have to lie far off does not win over one that lies near; and nothing is blamed where moving
nothing is about as plausible (D. MacKay, "Information Theory, Inference, and Learning Algorithms",
2003, ch. 28, read second-hand: Occam's factor is the prior's here).

Where no number explains all, what the best one leaves over stands for what no single number can:
it counts as noise, in as many independent rows as its correlation leaves (M. Bartlett, "Some aspects of
the time-correlation problem", J. Royal Statistical Society 98 (1935) 536-543, from memory).
"""

from dataclasses import dataclass
from math import cos, exp, log, sin

import numpy as np
from scipy.special import logsumexp

from sim.identify.anchors import Anchors
from sim.identify.problem import CUTOFF_HZ, Problem
from sim.identify.space import DELAY, EVEN, ODD, WINDING, Axis, axes_of, recording_axes
from sim.joint.identified import part_with
from sim.joint.part import Part
from sim.run.closed_loop import Joint

OBSERVER_HZ, LONGEST_S = 3.0, 24.0
PLACES = (-3.0, -2.25, -1.5, -1.0, -0.5, 0.5, 1.0, 1.5, 2.25, 3.0)
"""Deviations at which a number is tried: beyond three it is no explanation."""
NEAR = (-0.35, -0.2, -0.1, 0.1, 0.2, 0.35)
"""Deviations about the best of them that are tried in a second round."""
LEAST_GAIN = 3.0
"""Logarithm of the odds, over the count of numbers tried, from which on one is blamed (20 to 1)."""
LEAST_SHARE = 0.3
"""Share of what is left over that a cause must take away: stick and slip make what is left rough, so that
small moves of any number take some of it away by chance."""
OFFSET, OFFSET_RAD = "sensor_offset", 0.0175
"""Deviation of a sensor's zero (1 deg, common practice, no source)."""


@dataclass(frozen=True)
class Reason:
    """One number: where it would have to be (deviations from the file), what that explains, how likely it is."""

    name: str
    deviations: float
    share: float
    """Share of what is left over, of its power, that it takes away."""
    plausibility: float
    """Against all numbers and against none being wrong: they sum to one."""


def reasons(
    joint: Joint,
    time_s: np.ndarray,
    angle_rad: np.ndarray,
    volt: np.ndarray,
    winding_C: np.ndarray | None = None,
) -> list[Reason]:
    """Numbers to blame for what the joint's part leaves over of a recording (shape (n,)), the likeliest first.

    Empty where none being wrong is about as likely.
    """
    axes = axes_of(joint)
    problem = Problem(joint, time_s, angle_rad, volt, axes, winding_C)
    begun_C = float(problem.winding_C[0])
    axes = [*axes, *recording_axes(joint, begun_C, Anchors(winding_said=True)),
            Axis(OFFSET, 0.0, OFFSET_RAD, False)]  # fmt: skip
    tried = [list(PLACES) for _ in axes]
    left = _left_at(problem, [(axis, place) for axis in axes for place in PLACES])
    base, found = (
        left[0],
        [list(left[1 + k * len(PLACES) :][: len(PLACES)]) for k in range(len(axes))],
    )
    variance, rows = _noise(problem, left)

    def gain(k: int) -> np.ndarray:
        """Logarithm of likelihood and prior of one number's places, over those of the file's."""
        power = np.array([one @ one for one in found[k]])
        return (rows / len(base) * (base @ base - power) / (2.0 * variance)
                - 0.5 * np.square(tried[k]))  # fmt: skip

    near = [(k, float(np.clip(tried[k][int(np.argmax(gain(k)))] + one, PLACES[0], PLACES[-1])))
            for k in range(len(axes)) for one in NEAR]  # fmt: skip
    left = _left_at(problem, [(axes[k], place) for k, place in near])
    for (k, place), one in zip(near, left[1:], strict=True):
        tried[k].append(place)
        found[k].append(one)
    best = []
    for k, axis in enumerate(axes):
        at = int(np.argmax(gain(k)))
        share = 1.0 - float(found[k][at] @ found[k][at]) / max(float(base @ base), 1e-30)
        best.append((axis.name, tried[k][at], float(gain(k)[at]), share))
    return _weighed(best, len(axes))


def _noise(problem: Problem, left: np.ndarray) -> tuple[float, float]:
    """Variance that counts as noise in what is left over (candidates, rows), and its independent rows."""
    white = problem.noise_rad**2 * 2.0 * CUTOFF_HZ * problem.tick_s
    best = left[np.argmin((left**2).sum(axis=1))]
    variance = float(best @ best) / len(best)
    if variance <= white:
        return white, float(len(best))
    lags = [float(best[k:] @ best[:-k]) / float(best @ best) for k in range(1, len(best) // 8)]
    over = 1.0
    for one in lags:
        if one <= 0.0:
            break
        over += 2.0 * one**2
    return variance, len(best) / over


def _weighed(found: list[tuple[str, float, float, float]], tried: int) -> list[Reason]:
    """Places of numbers as reasons, where one of so many tried is likelier than none."""
    found = [one for one in found if one[3] >= LEAST_SHARE]
    if not found:
        return []
    gains = np.array([gain for *_, gain, _ in found])
    if gains.max() < LEAST_GAIN + log(tried):
        return []
    chances = np.exp(gains - logsumexp(np.append(gains, log(tried))))
    made = [Reason(name, place, share, float(chance))
            for (name, place, _, share), chance in zip(found, chances, strict=True)]  # fmt: skip
    return sorted(made, key=lambda one: -one.plausibility)


def _left_at(problem: Problem, places: list[tuple[Axis, float]]) -> np.ndarray:
    """What the part leaves over as it is, and with one number moved to each of some places: (1 + places, rows)."""
    joint = problem.joint
    parts = [part_with(joint.part, {})]
    for axis, place in places:
        parts.append(moved(joint.part, axis, place))
    made = problem.usual(parts)
    fields = {
        DELAY: made.delays_s,
        WINDING: made.begun_C,
        EVEN: made.even,
        ODD: made.odd,
        OFFSET: made.offset_rad,
    }
    for k, (axis, place) in enumerate(places, 1):
        if axis.name in fields:
            fields[axis.name][k] = max(fields[axis.name][k] + axis.deviation * place, axis.least)
    left = problem.left_of(made, OBSERVER_HZ, problem.pieces(LONGEST_S))
    return np.asarray(left - left.mean(axis=1, keepdims=True))


def moved(part: Part, axis: Axis, place: float) -> Part:
    """A part with one number moved by so many deviations; one of the recording's own moves nothing here."""
    if axis.name.startswith("gravity"):
        g, at = part.hinge.gravity_Nm, part.hinge.gravity_at_rad
        v = {"gravity_cos": g * cos(at), "gravity_sin": g * sin(at)}
        v[axis.name] += place * axis.deviation
        return part_with(part, v)
    if not axis.log:
        base = 1.0 if axis.name == "backlash" else 0.0
        return part_with(part, {axis.name: max(base + place * axis.deviation, axis.least)})
    ratio = part.motor.stiction_Nm / max(part.motor.coulomb_Nm, 1e-12)
    base = ratio if axis.name == "stiction_ratio" else 1.0
    return part_with(part, {axis.name: base * exp(place * axis.deviation)})
