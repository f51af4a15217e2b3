"""The part spread as a prior: a vector of standard numbers, and the part that it stands for.

Each entry of the spread is one number z, standard normal before a log is seen: a
factor exp(mu + sigma z) where the entry is relative (its ends are two sigma), a
value where it has a unit. Gravity has two, for its direction is not known.
"""

from dataclasses import dataclass
from math import exp, log, sqrt

import numpy as np

from sim.closed_loop import Joint
from sim.identified import LOGARITHMIC, part_with
from sim.part import DIRECT, Part
from sim.tolerance import Entry, spread_of


@dataclass(frozen=True)
class Axis:
    """One number: name, mean and deviation (of the logarithm where ``log``)."""

    name: str
    mean: float
    deviation: float
    log: bool

    def value(self, z: float) -> float:
        """The factor or value that z stands for."""
        raw = self.mean + self.deviation * z
        return exp(raw) if self.log else raw


KNOWN_OHM = 0.015
"""Relative deviation of a winding resistance by ohmmeter (common practice, no source)."""


def axes_of(joint: Joint, winding_ohm: float | None = None) -> list[Axis]:
    """The axes of a joint's spread. winding_ohm: measured resistance at 25 degC, if it was.

    The joint must stand for its datasheet values: nothing identified before.
    """
    entries = spread_of(joint.file, joint.path)
    axes = [
        _factor(name, entries[name]) for name in LOGARITHMIC if _moves(name, entries[name], joint)
    ]
    low, high = entries["load_loss"].low, entries["load_loss"].high
    axes.append(Axis("load_loss", 0.5 * (low + high), 0.25 * (high - low) * 1.15, False))
    if winding_ohm is not None:
        middle = log(winding_ohm / joint.part.motor.resistance_25_ohm)
        axes = [
            Axis("resistance", middle, KNOWN_OHM, True) if axis.name == "resistance" else axis
            for axis in axes
        ]
    if joint.part.hinge.gravity_Nm > 0.0:
        reach = joint.part.hinge.gravity_Nm * max(entries["gravity"].high, 1.0) / sqrt(3.0)
        axes += [Axis("gravity_cos", 0.0, reach, False), Axis("gravity_sin", 0.0, reach, False)]
    return axes


def _moves(name: str, entry: Entry, joint: Joint) -> bool:
    """Whether an entry varies at all, and the joint has such a thing."""
    if entry.high <= entry.low:
        return False
    cable = joint.part.cable
    if cable.kind == DIRECT:
        return name not in ("radius_ratio", "stiffness", "cable_damping", "pretension", "wrap_loss")
    return not (name == "wrap_loss" and cable.wrap_loss == 0.0)


def _factor(name: str, entry: Entry) -> Axis:
    """An axis of a relative entry: its ends are two sigma of the logarithm."""
    low, high = max(entry.low, 1e-3), max(entry.high, 2e-3)
    width = 0.25 * (log(high) - log(low))
    if entry.kind in ("uniform", "log"):
        width = (log(high) - log(low)) / sqrt(12.0)  # deviation of an even spread
    return Axis(name, 0.5 * (log(low) + log(high)), width, True)


def part_of(joint: Joint, axes: list[Axis], z: np.ndarray) -> Part:
    """The part that a vector of standard numbers stands for, shape (axes,)."""
    return part_with(joint.part, {axis.name: axis.value(float(one))
                                  for axis, one in zip(axes, z, strict=True)})  # fmt: skip
