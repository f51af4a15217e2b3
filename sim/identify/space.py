"""The part spread as a prior: a vector of standard numbers, and the part that it stands for.

Each entry of the spread is one number z, standard normal before a log is seen: a
factor exp(mu + sigma z) where the entry is relative (its ends are two sigma), a
value where it has a unit. Gravity has two, for its direction is not known. Backlash is a factor
mu + sigma z, none at the least: of a small one a log says "at most so much". The friction law's speed
varies in no spread (it changes no joint much), but here it is unknown, within four times either way.

A recording has numbers of its own, which are not kept with the joint: how long after the reading the
drive counted, how warm the winding was, how the sensor's track is bent, where a weight hung.
"""

from dataclasses import dataclass
from math import exp, hypot, inf, log, sqrt

import numpy as np

from controller.joint.settings.settings import PULSE
from sim.identify.anchors import Anchors
from sim.identify.axis.motor import KNOWN_OHM
from sim.joint.identified import LOGARITHMIC, part_with
from sim.joint.part import DIRECT, Part
from sim.joint.spread import Entry, spread_of
from sim.run.closed_loop import Joint


@dataclass(frozen=True)
class Axis:
    """One number: name, mean and deviation (of the logarithm of value less base, where ``log``)."""

    name: str
    mean: float
    deviation: float
    log: bool
    base: float = 0.0
    least: float = -inf
    """Of a number that is no logarithm: what it cannot fall below."""

    def value(self, z: float) -> float:
        """The factor or value that z stands for."""
        raw = self.mean + self.deviation * z
        return self.base + exp(raw) if self.log else max(raw, self.least)

    def standard(self, value: float) -> float:
        """The z of a factor or value (above the base, where ``log``)."""
        raw = log(value - self.base) if self.log else value
        return (raw - self.mean) / self.deviation


DELAY_TICKS = 0.5
"""Deviation of the computing delay about what the file says, in ticks: from none to two, 95 %."""
ROOM_K, WARMTH = 3.0, 0.2
"""Deviation of a winding's temperature that is known: of the room's (K, common practice, no source),
and of its rise above that, as a share (the spread of the thermal constants, sim/joint/spread.py)."""
COLD_K, COLD_WIDTH, COLD_RISE_K = 2.0, 1.3, 5.0
"""A winding that is only taken as cold is warmer by COLD_K in the median, by 26 K at two deviations, by
80 K at three: somebody used the joint before. One that the board reckons COLD_RISE_K above the air is no
longer taken as cold. Own assumption."""
STRIBECK_WIDTH = 0.5 * log(4.0)
"""Of the logarithm of the speed over which stiction falls: four times either way are two deviations
(0.1 to 1 rad/s at gear outputs; B. Armstrong-Helouvry, P. Dupont, C. Canudas de Wit, "A survey of models,
analysis tools and compensation methods for the control of machines with friction", Automatica 30 (1994)
1083-1138, read second-hand: the range from memory)."""
CALIBRATED = 0.1
"""What a calibration against three points or more leaves of the datasheet's linearity."""
LEVEL_RAD = 0.05
"""Deviation of the angle at which a weight is said to pull most (3 deg, common practice, no source)."""
DELAY, WINDING, LEVEL = "delay", "winding", "weight_level"
EVEN, ODD = "sensor_even", "sensor_odd"
"""Linearity errors of the sensor, shares of full scale (the shapes of sim/model/sensor.py)."""
STRIBECK, BACKLASH = "stribeck_speed", "backlash"


def axes_of(joint: Joint, winding_ohm: float | None = None) -> list[Axis]:
    """The axes of a joint's spread. winding_ohm: measured resistance at 25 degC, if it was.

    The joint must stand for its datasheet values: nothing identified before.
    """
    entries = spread_of(joint.file)
    axes = [_factor(name, entries[name]) for name in LOGARITHMIC
            if name in entries and _moves(name, entries[name], joint)]  # fmt: skip
    low, high = entries["load_loss"].low, entries["load_loss"].high
    axes.append(Axis("load_loss", 0.5 * (low + high), 0.25 * (high - low) * 1.15, False))
    axes.append(Axis(STRIBECK, 0.0, STRIBECK_WIDTH, True))
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


def recording_axes(joint: Joint, winding_C: float, anchors: Anchors) -> list[Axis]:
    """The numbers that a recording has of its own: delay (s), winding when it began (degC), sensor, weight.

    winding_C: as the board reckoned or somebody said (``anchors``).
    """
    tick_s, mean = joint.settings.tick_s, joint.delay_s
    deviation = DELAY_TICKS * tick_s
    if joint.settings.drive.kind == PULSE:  # and its pulses begin anywhere in the board's frame
        frame_s = joint.settings.drive.frame_s
        mean += 0.5 * frame_s
        deviation = hypot(deviation, frame_s / sqrt(12.0))
    axes = [
        Axis(DELAY, mean, deviation, False, least=0.0),
        _winding(joint, winding_C, anchors.winding_said),
    ]
    bend = 0.5 * joint.file.sensor.linearity  # the datasheet's bound is two deviations
    calibration = joint.file.calibration
    if calibration is not None and len(calibration.points) > 2:
        bend *= CALIBRATED
    if bend > 0.0:
        axes += [Axis(EVEN, 0.0, bend, False), Axis(ODD, 0.0, bend, False)]
    if anchors.weight is not None:
        axes.append(Axis(LEVEL, anchors.weight.level_rad, LEVEL_RAD, False))
    return axes


def _winding(joint: Joint, begun_C: float, said: bool) -> Axis:
    """Temperature of the winding when a recording began (degC)."""
    rise = max(begun_C - joint.part.heat.air_C, 0.0)
    if said or rise > COLD_RISE_K:
        return Axis(WINDING, begun_C, hypot(ROOM_K, WARMTH * rise), False)
    return Axis(WINDING, log(COLD_K), COLD_WIDTH, True, base=begun_C - COLD_K)


def _moves(name: str, entry: Entry, joint: Joint) -> bool:
    """Whether an entry varies at all, and the joint has such a thing."""
    if entry.high <= entry.low:
        return False
    cable = joint.part.cable
    if cable.kind == DIRECT:
        return name not in ("radius_ratio", "stiffness", "cable_damping", "pretension", "wrap_loss")
    return not (name == "wrap_loss" and cable.wrap_loss == 0.0)


def _factor(name: str, entry: Entry) -> Axis:
    """An axis of a relative entry: its ends are two sigma of the logarithm, of the value for backlash."""
    low, high = max(entry.low, 1e-3), max(entry.high, 2e-3)
    even = entry.kind in ("uniform", "log")
    if name == BACKLASH:
        width = (high - low) / (sqrt(12.0) if even else 4.0)
        return Axis(name, 0.5 * (low + high), width, False, least=0.0)
    width = 0.25 * (log(high) - log(low))
    if even:
        width = (log(high) - log(low)) / sqrt(12.0)  # deviation of an even spread
    return Axis(name, 0.5 * (log(low) + log(high)), width, True)


def part_of(joint: Joint, axes: list[Axis], z: np.ndarray) -> Part:
    """The part that a vector of standard numbers stands for, shape (axes,)."""
    return part_with(joint.part, {axis.name: axis.value(float(one))
                                  for axis, one in zip(axes, z, strict=True)})  # fmt: skip
