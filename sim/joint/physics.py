"""What friction, speed, force and voltage a part has.

All for a joint that moves or presses towards closing. Radii are those at angle zero (the change of
a moment arm with the angle is left out), and gravity counts against the motion where it counts.
"""

from collections.abc import Mapping
from math import pi, sqrt

from controller.joint import heat as heat_model
from sim.joint.part import DIRECT, PAIR, SPRING_RETURN, Part

RULE_HZ = 45.0
"""Lowest cable resonance (Hz) at which a joint is inside the resonance rule."""


def drum_per_joint(part: Part) -> float:
    """Drum angle per joint angle (and joint torque per drum torque)."""
    if part.cable.kind == DIRECT:
        return 1.0
    return part.cable.joint_m / part.cable.drum_m


def wrap_gain(part: Part) -> float:
    """Share of a cable's pull that passes the guides: 1 - mu_w."""
    return 1.0 if part.cable.kind == DIRECT else 1.0 - part.cable.wrap_loss


def current_for_tip_force(part: Part, force_N: float, angle_rad: float = 0.0) -> float:
    """Winding current (A) that presses slowly with ``force_N`` at the fingertip.

    What joint and guides take of the cables' pull D = drum torque / r1 (``pull_for``), then
    the gear: K i (1 - mu_g) = r1 D + F_c. Gravity is left out; at ``angle_rad`` where a spring pulls.
    """
    joint = force_N * part.hinge.tip_m + part.hinge.coulomb_Nm
    if part.cable.kind == DIRECT:
        return current_of_drum(part, joint)
    return current_of_drum(part, part.cable.drum_m * pull_for(part, joint, angle_rad))


def pull_for(part: Part, joint_Nm: float, angle_rad: float = 0.0) -> float:
    """Pull (N) of the closing cable less that of the opening one, for a torque at the joint (N*m).

    The guides take mu_w of both. Pair: r2 D = torque + mu_w r2 S while both pull, S their sum at
    rest, and torque / (1 - mu_w) where the opening one is slack. Spring return, T_e the spring's:
    r2 T_f (1 - mu_w) = torque + r2 T_e (1 + mu_w).
    """
    c = part.cable
    rest = joint_Nm / c.joint_m
    if c.kind == SPRING_RETURN:
        spring = spring_load(part, angle_rad) / c.drum_m
        return (rest + spring * (1.0 + c.wrap_loss)) / wrap_gain(part)
    tension = c.flexor_stretch_m * c.flexor_N_m + c.extensor_stretch_m * c.extensor_N_m
    return max(rest + c.wrap_loss * tension, rest / wrap_gain(part))


def current_of_drum(part: Part, drum_Nm: float) -> float:
    """Winding current (A) that turns the drum slowly against a torque (N*m).

    The gear takes F_c and mu_g of the motor's torque: K i (1 - mu_g) = drum torque + F_c.
    """
    m = part.motor
    return (drum_Nm + m.coulomb_Nm) / (1.0 - m.load_loss) / m.emf_V_s


def drum_of_current(part: Part, current_A: float) -> float:
    """Torque (N*m) at the drum that a current (A) gives: ``current_of_drum`` backwards."""
    m = part.motor
    return max(m.emf_V_s * current_A * (1.0 - m.load_loss) - m.coulomb_Nm, 0.0)


def tip_force_of_current(part: Part, current_A: float, angle_rad: float = 0.0) -> float:
    """Fingertip force (N) that a current (A) holds: ``current_for_tip_force`` backwards."""
    c = part.cable
    drum = drum_of_current(part, current_A)
    if c.kind == DIRECT:
        joint = drum
    elif c.kind == SPRING_RETURN:
        spring = spring_load(part, angle_rad) / c.drum_m
        joint = c.joint_m * (drum / c.drum_m * wrap_gain(part) - spring * (1.0 + c.wrap_loss))
    else:
        pull = drum / c.drum_m
        tension = c.flexor_stretch_m * c.flexor_N_m + c.extensor_stretch_m * c.extensor_N_m
        joint = c.joint_m * min(pull - c.wrap_loss * tension, pull * wrap_gain(part))
    return max(joint - part.hinge.coulomb_Nm, 0.0) / part.hinge.tip_m


def cable_of_tip_force(part: Part, force_N: float, angle_rad: float = 0.0) -> float:
    """Tension (N) at the drum of the pulling cable while the tip presses with a force (N).

    The other cable slackens by as much as this one gains, until it is slack: with D of
    ``pull_for`` and the preload P, T = max(P + D / 2, D) for a pair, D against a spring.
    """
    if part.cable.kind == DIRECT:
        return 0.0
    pull = pull_for(part, force_N * part.hinge.tip_m + part.hinge.coulomb_Nm, angle_rad)
    if part.cable.kind == SPRING_RETURN:
        return pull
    return max(part.cable.flexor_stretch_m * part.cable.flexor_N_m + 0.5 * pull, pull)


def hold_current(part: Part) -> float:
    """Current (A) that the winding stands continuously at its warm limit.

    (T_warm - T_air) = (R1 + R2) R(T_warm) I^2.
    """
    h = part.heat
    ohm = heat_model.resistance(h.resistance_25_ohm, h.warm_C)
    return float(sqrt((h.warm_C - h.air_C) / ((h.winding_K_W + h.case_K_W) * ohm)))


def spring_load(part: Part, angle_rad: float = 0.0, v: Mapping[str, float] | None = None) -> float:
    """Torque (N*m) of the return spring at the drum, at a joint angle; none without a spring."""
    c = part.cable
    if c.kind != SPRING_RETURN:
        return 0.0
    stretch = c.extensor_stretch_m * (v or {}).get("pretension", 1.0)
    return c.drum_m * c.extensor_N_m * (stretch + c.joint_m * max(angle_rad, 0.0))


def friction_load(
    part: Part, hinge_Nm: float, angle_rad: float = 0.0, v: Mapping[str, float] | None = None
) -> float:
    """Dry friction (N*m) at the drum of what the motor turns: hinge and guides.

    Pair: r1 (F/r2 + mu_w (T_f + T_e)). Spring return: the cable pulls as hard as spring and
    friction ask, T_f = T_e + (F/r2 + 2 mu_w T_e) / (1 - mu_w).
    v: factors of the spread's entries (``spread.DEFAULTS``), as in ``identified.part_with``.
    """
    f = v or {}
    c = part.cable
    hinge = hinge_Nm * f.get("joint_friction", 1.0)
    if c.kind == DIRECT:
        return hinge
    wrap = min(c.wrap_loss * f.get("wrap_loss", 1.0), 0.8)
    tight = f.get("pretension", 1.0)
    rest = hinge / (c.joint_m * f.get("radius_ratio", 1.0))
    if c.kind == SPRING_RETURN:
        spring = c.extensor_stretch_m * tight + c.joint_m * max(angle_rad, 0.0)
        return c.drum_m * (rest + 2.0 * wrap * c.extensor_N_m * spring) / (1.0 - wrap)
    tension = c.flexor_stretch_m * c.flexor_N_m + c.extensor_stretch_m * c.extensor_N_m
    return c.drum_m * (rest + wrap * tension * tight)


def no_load_speed(
    part: Part, volt: float, winding_C: float = 25.0, angle_rad: float = 0.0
) -> float:
    """Joint speed (rad/s) at a voltage (V) with nothing held: hinge, guides, spring and gear turned.

    Where torque and losses balance, with n the drum's turns per joint turn:
        w = (V - R (F_c + F_load) / ((1 - mu_g) K)) / (K + R (b + d / n^2) / ((1 - mu_g) K)).
    Gravity is left out. R includes bridge and supply. At ``angle_rad`` where a spring pulls.
    """
    n = drum_per_joint(part)
    load = friction_load(part, part.hinge.coulomb_Nm, angle_rad) + spring_load(part, angle_rad)
    return _balance(part, volt, load, part.hinge.viscous_Nms / (n * n), winding_C) / n


def motor_speed(part: Part, volt: float) -> float:
    """Joint speed (rad/s) of the motor by itself at a voltage (V): nothing turns quicker.

    What a datasheet calls its no-load speed, over the pulleys' ratio.
    """
    return _balance(part, volt, 0.0, 0.0, 25.0) / drum_per_joint(part)


def _balance(
    part: Part, volt: float, load_Nm: float, damping_Nms: float, winding_C: float
) -> float:
    m = part.motor
    emf = m.emf_V_s * (1.0 + m.emf_per_K * (winding_C - 25.0))
    ohm = heat_model.resistance(m.resistance_25_ohm, winding_C) + m.driver_ohm + part.supply_ohm
    per_Nm = ohm / ((1.0 - m.load_loss) * emf)
    free = volt - per_Nm * (m.coulomb_Nm + load_Nm)
    return max(free, 0.0) / (emf + per_Nm * (m.viscous_Nms + damping_Nms))


def time_constant(part: Part) -> float:
    """Mechanical time constant (s) seen by the joint: J R / (K^2 + b R)."""
    m = part.motor
    ohm = m.resistance_25_ohm + m.driver_ohm
    inertia = m.inertia + part.hinge.inertia / drum_per_joint(part) ** 2
    return float(inertia * ohm / (m.emf_V_s**2 + m.viscous_Nms * ohm))


def sliding_V(part: Part) -> float:
    """Voltage (V) that dry friction of the part takes while sliding, at 25 degC."""
    m = part.motor
    amps = current_of_drum(part, friction_load(part, part.hinge.coulomb_Nm))
    return amps * (m.resistance_25_ohm + m.driver_ohm)


def breakaway_V(
    part: Part,
    winding_C: float = 25.0,
    angle_rad: float = 0.0,
    v: Mapping[str, float] | None = None,
) -> float:
    """Voltage (V) at the bridge that just moves the joint from rest, gravity against it.

    (F_s + r1 (F/r2 + mu_w (T_f + T_e)) + G r1/r2) / (1 - mu_g) R(T) / K(T).
    At ``angle_rad`` a spring's own pull is not in it: ``spring_load``.
    v: factors of the spread's entries, as in ``identified.part_with``.
    """
    f = v or {}
    torque = rest_load(part, angle_rad, f)
    return torque * volts_per_Nm(part, winding_C, f)


def rest_load(part: Part, angle_rad: float, f: Mapping[str, float]) -> float:
    """Torque (N*m) at the drum that friction and gravity hold at rest."""
    m = part.motor
    ratio = f.get("stiction_ratio", m.stiction_Nm / max(m.coulomb_Nm, 1e-12))
    torque = m.coulomb_Nm * f.get("motor_friction", 1.0) * max(ratio, 1.0)
    torque += friction_load(part, part.hinge.stiction_Nm, angle_rad, f)
    torque += part.hinge.gravity_Nm * f.get("gravity", 1.0) / drum_per_joint(part)
    return torque


def volts_per_Nm(part: Part, winding_C: float, f: Mapping[str, float]) -> float:
    """Voltage (V) at standstill for a torque of 1 N*m at the drum: R(T) / ((1 - mu_g) K(T))."""
    m = part.motor
    loss = min(max(m.load_loss + f.get("load_loss", 0.0), 0.0), 0.8)
    warm = heat_model.resistance(m.resistance_25_ohm * f.get("resistance", 1.0), winding_C)
    emf = m.emf_V_s * (1.0 + m.emf_per_K * (winding_C - 25.0)) * f.get("torque_constant", 1.0)
    return (warm + m.driver_ohm) / ((1.0 - loss) * emf)


def resonance_Hz(part: Part) -> float:
    """Frequency (Hz) of the phalanx on its cables, both live: r sqrt(k/J) / 2 pi."""
    if part.cable.kind == DIRECT:
        return float("inf")
    k = part.cable.flexor_N_m
    if part.cable.kind == PAIR:
        k += part.cable.extensor_N_m
    return part.cable.joint_m * sqrt(k / part.hinge.inertia) / (2.0 * pi)
