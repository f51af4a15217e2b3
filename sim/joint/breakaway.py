"""The voltage that moves a joint at all, over the spread of its parts."""

from math import exp, log, sqrt

from controller.records import copy
from sim.joint import spread
from sim.joint.file import JointFile
from sim.joint.part import Part
from sim.joint.physics import drum_per_joint, rest_load, spring_load, time_constant, volts_per_Nm

STIFF = 3.1
"""Deviations of the logarithm from the middle to a part that one in a thousand passes (normal
distribution: 1 - 0.999 = P(z > 3.09); NIST/SEMATECH e-Handbook, sec. 1.3.6.7.1)."""
_AGAINST = {
    "motor_friction": 1.0, "stiction_ratio": 1.0, "joint_friction": 1.0, "wrap_loss": 1.0,
    "pretension": 1.0, "load_loss": 1.0, "resistance": 1.0, "winding_temperature": 1.0,
    "gravity": 1.0, "torque_constant": -1.0, "radius_ratio": -1.0,
}  # fmt: skip
"""Entries of the spread that make a joint stiffer: to their high end (1) or to their low one (-1)."""
_HALF = {"uniform": sqrt(3.0), "log": sqrt(3.0)}
"""Deviations from the middle of an entry to its end; two where its ends are two deviations."""


def breakaway_spread(file: JointFile, part: Part, spring: bool = False) -> tuple[float, float]:
    """Breakaway voltage (V) in the middle of the file's spread, and what one part in a thousand needs.

    The logarithm's deviation is the root of the sum of the squares of what each entry alone does
    (propagation of uncertainty: JCGM 100:2008, 5.1.2), at the closed end of the range; with
    ``spring`` the pull of the return spring there comes on top.
    """
    entries = spread.spread_of(file)
    middle = {key: spread.middle_of(entries[key]) for key in _AGAINST}
    closed = closed_rad(file)

    def volt(v: dict[str, float]) -> float:
        load = rest_load(part, closed, v) + (spring_load(part, closed, v) if spring else 0.0)
        return load * volts_per_Nm(part, v["winding_temperature"], v)

    base = volt(middle)
    total = 0.0
    for key, way in _AGAINST.items():
        entry = entries[key]
        end = volt({**middle, key: entry.high if way > 0.0 else entry.low})
        total += (log(max(end, 1e-9) / max(base, 1e-9)) / _HALF.get(entry.kind, 2.0)) ** 2
    return base, base * exp(STIFF * sqrt(total))


def spring_hold_V(file: JointFile, part: Part) -> float:
    """Voltage (V) below which a return spring may turn the drive back, in the worst part.

    At the closed end, gear and guides helping the drive as little as they can: r1 T_e R / K, each
    entry of the spread at its end; nothing without a spring.
    """
    e = spread.spread_of(file)
    v = {"pretension": e["pretension"].high, "resistance": e["resistance"].high,
         "torque_constant": e["torque_constant"].low, "load_loss": -1.0}  # fmt: skip
    load = spring_load(part, closed_rad(file), v)
    return load * volts_per_Nm(part, e["winding_temperature"].high, v)


def closed_rad(file: JointFile) -> float:
    """Angle (rad) of the closed end of the range; 0 where there is no range."""
    return file.joint.range[1] if file.joint.range is not None else 0.0


def slowest_speed(file: JointFile, part: Part) -> float:
    """Joint speed (rad/s) of a part that one in a thousand is slower than; 0 where it may not move.

    What the lowest supply leaves beyond friction and spring, over the highest back-EMF:
        (V_low - V_stiffest) / (K_high r2/r1), the spring's pull in V_stiffest.
    """
    e = spread.spread_of(file)
    low = file.drive.supply * e["supply"].low
    left = low - breakaway_spread(file, part, spring=True)[1]
    return max(left, 0.0) / (part.motor.emf_V_s * e["torque_constant"].high * drum_per_joint(part))


def heavy_time_constant(file: JointFile, part: Part) -> float:
    """Mechanical time constant (s) with the heaviest phalanx of the spread."""
    heavy = Part()
    copy(part, heavy)
    heavy.hinge.inertia *= spread.spread_of(file)["joint_inertia"].high
    return time_constant(heavy)
