"""The part spread as a prior: a vector of standard numbers, and the part that it stands for.

Each entry of the spread is one number z, standard normal before a log is seen: a
factor exp(mu + sigma z) where the entry is relative (its ends are two sigma), a
value where it has a unit. Gravity has two, for its direction is not known.
"""

from dataclasses import dataclass
from math import exp, hypot, log, sqrt

import numpy as np

from controller.records import copy
from sim.closed_loop import Joint
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


FACTORS = (
    "torque_constant", "resistance", "motor_friction", "stiction_ratio", "motor_damping", "rotor_inertia",
    "backlash", "radius_ratio", "stiffness", "cable_damping", "pretension", "wrap_loss", "joint_inertia",
    "joint_friction",
)  # fmt: skip
KNOWN_OHM = 0.015
"""Relative deviation of a winding resistance by ohmmeter (common practice, no source)."""


def axes_of(joint: Joint, ohm_known: bool = False) -> list[Axis]:
    """The axes of a joint's spread. ohm_known: the winding's resistance was measured."""
    entries = spread_of(joint.file, joint.path)
    axes = [_factor(name, entries[name]) for name in FACTORS if _moves(name, entries[name], joint)]
    low, high = entries["load_loss"].low, entries["load_loss"].high
    axes.append(Axis("load_loss", 0.5 * (low + high), 0.25 * (high - low) * 1.15, False))
    if ohm_known:
        axes = [
            Axis("resistance", 0.0, KNOWN_OHM, True) if axis.name == "resistance" else axis
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
    v = {axis.name: axis.value(float(one)) for axis, one in zip(axes, z, strict=True)}
    part = Part()
    copy(joint.part, part)
    m, c, j = part.motor, part.cable, part.hinge
    m.emf_V_s *= v.get("torque_constant", 1.0)
    m.resistance_25_ohm *= v.get("resistance", 1.0)
    part.heat.resistance_25_ohm = m.resistance_25_ohm
    m.coulomb_Nm *= v.get("motor_friction", 1.0)
    ratio = joint.part.motor.stiction_Nm / max(joint.part.motor.coulomb_Nm, 1e-12)
    m.stiction_Nm = m.coulomb_Nm * max(v.get("stiction_ratio", ratio), 1.0)
    m.viscous_Nms *= v.get("motor_damping", 1.0)
    m.load_loss = min(max(m.load_loss + v.get("load_loss", 0.0), 0.0), 0.8)
    m.inertia *= v.get("rotor_inertia", 1.0)
    m.half_gap_rad *= v.get("backlash", 1.0)
    j.inertia *= v.get("joint_inertia", 1.0)
    j.coulomb_Nm *= v.get("joint_friction", 1.0)
    j.stiction_Nm *= v.get("joint_friction", 1.0)
    if "gravity_cos" in v:
        j.gravity_Nm = hypot(v["gravity_cos"], v["gravity_sin"])
        j.gravity_at_rad = float(np.arctan2(v["gravity_sin"], v["gravity_cos"]))
    if c.kind != DIRECT:
        c.joint_m *= v.get("radius_ratio", 1.0)
        for name in ("flexor_N_m", "extensor_N_m") if c.kind == 0 else ("flexor_N_m",):
            setattr(c, name, getattr(c, name) * v.get("stiffness", 1.0))
        c.damping_Ns_m *= v.get("cable_damping", 1.0)
        pull = joint.part.cable.flexor_stretch_m * joint.part.cable.flexor_N_m
        pull *= v.get("pretension", 1.0)
        c.flexor_stretch_m = pull / c.flexor_N_m
        if c.extensor_N_m > 0.0:
            c.extensor_stretch_m = pull / c.extensor_N_m
        c.wrap_loss = min(c.wrap_loss * v.get("wrap_loss", 1.0), 0.8)
    return part
