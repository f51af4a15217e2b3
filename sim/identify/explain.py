"""Which number of the part would explain what its simulation leaves over of a recording.

The part is driven by the recorded voltage (``fit.py``); each number of the spread is moved by
one deviation both ways, and what is left over is laid over the change: the share of its power
that the best plausible multiple of that change takes away. Plausible is what lies within three
deviations: a number that would have to move further explains no more than it does there. The
sensor is a candidate like the part: an angle that is off, or bent by what its datasheet allows.
Numbers that look alike in this recording share the blame.
"""

from copy import copy as copy_of
from dataclasses import dataclass
from math import cos, exp, sin

import numpy as np

from controller.records import copy
from sim.identify.problem import Problem
from sim.identify.space import Axis, axes_of
from sim.joint.identified import part_with
from sim.joint.part import Part
from sim.run.closed_loop import Joint

OBSERVER_HZ, LONGEST_S = 3.0, 24.0
PLAUSIBLE = 3.0
"""Deviations beyond which a number is no explanation."""
OFFSET_RAD = 0.0175
"""Deviation of a sensor's zero (1 deg, common practice, no source)."""


@dataclass(frozen=True)
class Reason:
    """One number: how far it would have to move (in deviations, plausible ones), and the share it explains then."""

    name: str
    deviations: float
    share: float


def reasons(
    joint: Joint,
    time_s: np.ndarray,
    angle_rad: np.ndarray,
    volt: np.ndarray,
    winding_C: np.ndarray | None = None,
) -> list[Reason]:
    """Reasons for what the joint's part leaves over of a recording (shape (n,)), the best first."""
    axes = axes_of(joint)
    problem = Problem(joint, time_s, angle_rad, volt, axes, winding_C)
    base = Part()
    copy(joint.part, base)
    moved = [_moved(joint.part, axis, sign) for axis in axes for sign in (1.0, -1.0)]
    left = _left(problem, [base, *moved])
    gap = left[0] - left[0].mean()
    changes = {axis.name: 0.5 * (left[2 + 2 * k] - left[1 + 2 * k]) for k, axis in enumerate(axes)}
    changes.update(_sensor_changes(problem, base))  # less is left where it is moved so
    found = [_reason(name, gap, change) for name, change in changes.items()]
    return sorted((one for one in found if one is not None), key=lambda one: -one.share)


def _reason(name: str, gap: np.ndarray, change: np.ndarray) -> Reason | None:
    """What the best plausible multiple of a change takes away of a gap, shape (n,) both."""
    change = change - change.mean()
    power, whole = float(change @ change), float(gap @ gap)
    if power <= 0.0 or whole <= 0.0:
        return None
    along = float(gap @ change)
    much = min(max(along / power, -PLAUSIBLE), PLAUSIBLE)
    return Reason(name, much, (2.0 * much * along - much * much * power) / whole)


def _sensor_changes(problem: Problem, base: Part) -> dict[str, np.ndarray]:
    """What one deviation of each of the sensor's errors takes away of what is left over."""
    probe, file = problem.joint.part.sensor, problem.joint.file.sensor
    x = np.clip(probe.zero_fraction + probe.sign * problem.angle / probe.electrical_rad, 0.0, 1.0)
    rest = x * (1.0 - x)
    reach = 0.5 * file.linearity * probe.electrical_rad  # the datasheet's bound is two deviations
    errors = {
        "sensor_offset": np.full(len(x), OFFSET_RAD),
        "sensor_linearity_even": reach * 4.0 * rest,
        "sensor_linearity_odd": reach * 20.785 * rest * (0.5 - x),
    }  # fmt: skip  the shapes of sim/model/sensor.py
    made = {}
    for name, error in errors.items():
        both = []
        for sign in (1.0, -1.0):
            other = copy_of(problem)
            other.angle = problem.angle - sign * error  # what it was, if the sensor added this
            both.append(_left(other, [base])[0])
        made[name] = 0.5 * (both[1] - both[0])
    return made


def _left(problem: Problem, parts: list[Part]) -> np.ndarray:
    """What parts leave over, with the file's delay and the recording's winding: (parts, rows)."""
    delays = np.full(len(parts), problem.joint.delay_s)
    begun = np.full(len(parts), problem.winding_C[0])
    return problem.left_of(parts, OBSERVER_HZ, problem.pieces(LONGEST_S), delays, begun)


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
