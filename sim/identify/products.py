"""Products of a joint's constants that angle and voltage tell without an anchor."""

from collections.abc import Callable

from sim.joint.part import DIRECT, Part
from sim.joint.physics import drum_per_joint


def inertia_by_drive(part: Part) -> float:
    """(J_m + J_j (r1/r2)^2) R / K at 25 degC, V*s^2/rad."""
    m = part.motor
    inertia = m.inertia + part.hinge.inertia / drum_per_joint(part) ** 2
    return inertia * (m.resistance_25_ohm + m.driver_ohm) / m.emf_V_s


def damping_by_drive(part: Part) -> float:
    """K + b R / K at 25 degC, V*s/rad: what holds the speed."""
    m = part.motor
    return m.emf_V_s + m.viscous_Nms * (m.resistance_25_ohm + m.driver_ohm) / m.emf_V_s


def friction_by_drive(part: Part) -> float:
    """F R / K at 25 degC, V: what keeps the joint sliding.

    F = (F_c + D) / (1 - mu_g): D is what hinge and pretensioned guides need at the drum.
    """
    m, c = part.motor, part.cable
    drum = part.hinge.coulomb_Nm / drum_per_joint(part)
    if c.kind != DIRECT:
        pulls = c.flexor_N_m * c.flexor_stretch_m + c.extensor_N_m * c.extensor_stretch_m
        drum += c.wrap_loss * c.drum_m * pulls
    friction = (m.coulomb_Nm + drum) / (1.0 - m.load_loss)
    return friction * (m.resistance_25_ohm + m.driver_ohm) / m.emf_V_s


COMBINATIONS: dict[str, tuple[str, str, Callable[[Part], float]]] = {
    "inertia_by_drive": ("J R / K", "V*s^2/rad", inertia_by_drive),
    "damping_by_drive": ("K + b R / K", "V*s/rad", damping_by_drive),
    "friction_by_drive": ("F R / K", "V", friction_by_drive),
}
"""What angle and voltage tell without an anchor: products that scale alike. Label, unit, function."""
