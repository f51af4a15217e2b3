"""The part spread as a prior: a vector of standard numbers, and the part that it stands for.

Each entry of the spread is one number z, standard normal before a log is seen: a
factor exp(mu + sigma z) where the entry is relative (its ends are two sigma), a
value where it has a unit. Gravity has two, for its direction is not known.

A recording has numbers of its own, which are no joint's: how long after the reading the drive
counted, and how warm the winding was. They are unknown too, and left out of what is kept.
"""

from dataclasses import dataclass
from math import exp, hypot, log, sqrt

import numpy as np

from controller.joint.settings.settings import PULSE
from sim.joint.identified import LOGARITHMIC, part_with
from sim.joint.part import DIRECT, Part
from sim.joint.spread import Entry, spread_of
from sim.run.closed_loop import Joint


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
DELAY_TICKS = 0.5
"""Deviation of the computing delay about what the file says, in ticks: from none to two, 95 %."""
ROOM_K, WARMTH = 3.0, 0.2
"""Deviation of a winding's temperature that is known: of the room's (K, common practice, no source),
and of its rise above that, as a share (the spread of the thermal constants, sim/joint/spread.py)."""
DELAY, WINDING = "delay", "winding"


def axes_of(joint: Joint, winding_ohm: float | None = None) -> list[Axis]:
    """The axes of a joint's spread. winding_ohm: measured resistance at 25 degC, if it was.

    The joint must stand for its datasheet values: nothing identified before.
    """
    entries = spread_of(joint.file)
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


def recording_axes(joint: Joint, winding_C: float) -> list[Axis]:
    """The numbers that a recording has of its own: delay (s), winding at its beginning (degC)."""
    tick_s, mean = joint.settings.tick_s, joint.delay_s
    deviation = DELAY_TICKS * tick_s
    if joint.settings.drive.kind == PULSE:  # and its pulses begin anywhere in the board's frame
        frame_s = joint.settings.drive.frame_s
        mean += 0.5 * frame_s
        deviation = hypot(deviation, frame_s / sqrt(12.0))
    rise = max(winding_C - joint.part.heat.air_C, 0.0)
    return [Axis(DELAY, mean, deviation, False),
            Axis(WINDING, winding_C, hypot(ROOM_K, WARMTH * rise), False)]  # fmt: skip


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
