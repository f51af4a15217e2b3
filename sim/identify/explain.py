"""Which number of the part would explain what its simulation leaves over of a recording.

The part is driven by the recorded voltage (``fit.py``); each number of the spread is moved by
one deviation both ways, and what is left over is laid over the change: the share of its power
that the best multiple of that change takes away. Numbers that look alike in this recording
share the blame.
"""

from dataclasses import dataclass
from math import cos, exp, sin

import numpy as np

from controller.records import copy
from sim.closed_loop import Joint
from sim.identified import part_with
from sim.identify.fit import Problem
from sim.identify.space import Axis, axes_of
from sim.part import Part

OBSERVER_HZ, LONGEST_S = 3.0, 24.0


@dataclass(frozen=True)
class Reason:
    """One number: how far it would have to move (in deviations), and the share it explains."""

    name: str
    deviations: float
    share: float


def reasons(
    joint: Joint, time_s: np.ndarray, angle_rad: np.ndarray, volt: np.ndarray
) -> list[Reason]:
    """Reasons for what the joint's part leaves over of a recording (shape (n,)), the best first."""
    axes = axes_of(joint)
    problem = Problem(joint, time_s, angle_rad, volt, axes)
    base = Part()
    copy(joint.part, base)
    moved = [_moved(joint.part, axis, sign) for axis in axes for sign in (1.0, -1.0)]
    left = problem.left_of([base, *moved], OBSERVER_HZ, problem.pieces(LONGEST_S))
    gap = left[0] - left[0].mean()
    whole = float(gap @ gap)
    found = []
    for k, axis in enumerate(axes):
        change = 0.5 * (left[2 + 2 * k] - left[1 + 2 * k])  # less is left where it is moved so
        change = change - change.mean()
        power = float(change @ change)
        if power > 0.0 and whole > 0.0:
            much = float(gap @ change) / power
            found.append(Reason(axis.name, much, much * much * power / whole))
    return sorted(found, key=lambda one: -one.share)


def _moved(part: Part, axis: Axis, sign: float) -> Part:
    """A part with one number moved by one deviation, up or down."""
    if axis.name.startswith("gravity"):
        g, at = part.hinge.gravity_Nm, part.hinge.gravity_at_rad
        v = {"gravity_cos": g * cos(at), "gravity_sin": g * sin(at)}
        v[axis.name] += sign * axis.deviation
        return part_with(part, v)
    if not axis.log:
        return part_with(part, {axis.name: sign * axis.deviation})
    ratio = part.motor.stiction_Nm / max(part.motor.coulomb_Nm, 1e-12)
    base = ratio if axis.name == "stiction_ratio" else 1.0
    return part_with(part, {axis.name: base * exp(sign * axis.deviation)})
