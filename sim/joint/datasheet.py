"""From the joint file to the nominal part: datasheet values to constants.

At the output, at the datasheet's voltage V:
    R_total = V / I_stall                      R = R_total - R_amplifier
    K       = (V - R_total I_noload) / w_noload
    F_c     = s T_stall r / (1 - s r)             dry friction; r = I_noload / I_stall
    mu_g    = 1 - (T_stall + F_c) / (K I_stall)   load-dependent gear loss
    b       = (1 - s) (1 - mu_g) K I_noload / w_noload
    J_m     = J_rotor * ratio^2
The gear passes on (1 - mu_g) K i, also of the current that runs it free: F_c + b w =
(1 - mu_g) K I_noload at no load, F_c + T_stall = (1 - mu_g) K I_stall at stall, of which s
is the dry share of the former. (Textbook relations of the permanent-magnet DC motor; the
share s is a guess.)
Numbers of a datasheet that contradict each other are refused, saying which and
by how much.
"""

from dataclasses import dataclass
from math import exp

from sim.errors import InputError
from sim.joint import identified, materials
from sim.joint.file import JointFile, MotorTable
from sim.joint.part import (
    BRIDGE,
    BUILTIN,
    DIRECT,
    PAIR,
    PROPORTIONAL_AMPLIFIER,
    SPRING_RETURN,
    STRETCHED_AMPLIFIER,
    Part,
)
from sim.units import DEG

TURN_RAD = 6.283185307179586


@dataclass(frozen=True)
class MotorConstants:
    """Constants at the output, SI: ohm, N*m/A, N*m, N*m*s/rad, kg*m^2, 1."""

    resistance_ohm: float
    emf_V_s: float
    coulomb_Nm: float
    stiction_Nm: float
    viscous_Nms: float
    load_loss: float
    inertia: float


def _from_constants(motor: MotorTable) -> MotorConstants:
    for key in ("torque_constant", "output_inertia"):
        if getattr(motor, key) is None:
            raise InputError(
                "",
                f"motor.{key}",
                None,
                "is missing; a motor by constants needs resistance, "
                "torque_constant and output_inertia",
            )
    assert motor.resistance and motor.torque_constant and motor.output_inertia
    coulomb = motor.coulomb or 0.0
    return MotorConstants(
        motor.resistance,
        motor.torque_constant,
        coulomb,
        coulomb * motor.stiction_ratio,
        motor.viscous or 0.0,
        motor.load_loss or 0.0,
        motor.output_inertia,
    )


_DATASHEET = (
    "voltage",
    "stall_torque",
    "stall_current",
    "no_load_speed",
    "no_load_current",
    "gear_ratio",
    "rotor_inertia",
)


def motor_constants(motor: MotorTable) -> MotorConstants:
    """Return the constants of a motor table. Raises InputError on contradictions."""
    if motor.resistance is not None:
        return _from_constants(motor)
    for key in _DATASHEET:
        if getattr(motor, key) is None:
            raise InputError(
                "",
                f"motor.{key}",
                None,
                "is missing; a motor needs datasheet "
                "values (" + ", ".join(_DATASHEET) + ") or constants",
            )
    assert motor.voltage and motor.stall_torque and motor.stall_current
    assert motor.no_load_speed and motor.no_load_current
    assert motor.gear_ratio and motor.rotor_inertia
    if motor.no_load_current >= motor.stall_current:
        raise InputError(
            "",
            "motor.no_load_current",
            motor.no_load_current,
            f"must be below motor.stall_current ({motor.stall_current:g} A)",
        )
    total = motor.voltage / motor.stall_current
    if motor.amplifier_resistance >= total:
        raise InputError(
            "",
            "motor.amplifier_resistance",
            motor.amplifier_resistance,
            f"must be below voltage / stall_current = {total:.3g} ohm",
        )
    emf = (motor.voltage - total * motor.no_load_current) / motor.no_load_speed
    dry = motor.coulomb_share * motor.no_load_current / motor.stall_current
    coulomb = dry / (1.0 - dry) * motor.stall_torque
    ideal = emf * motor.stall_current
    found = 1.0 - (motor.stall_torque + coulomb) / ideal
    if found < 0.0:
        raise InputError(
            "",
            "motor.stall_torque",
            motor.stall_torque,
            f"contradicts the other datasheet values: {motor.voltage:g} V, "
            f"{motor.stall_current:g} A and {motor.no_load_speed:.3g} rad/s allow at most "
            f"{ideal - coulomb:.3g} N*m; it is {100 * (motor.stall_torque / (ideal - coulomb) - 1):.0f}"
            " % more",
        )
    if found > 0.7:
        raise InputError(
            "",
            "motor.stall_torque",
            motor.stall_torque,
            f"contradicts the other datasheet values: they give {ideal:.3g} N*m, of which only "
            f"{100 * (1 - found):.0f} % would reach the output",
        )
    load_loss = motor.load_loss if motor.load_loss is not None else found
    free = (1.0 - load_loss) * emf * motor.no_load_current
    coulomb = motor.coulomb_share * free
    return MotorConstants(
        total - motor.amplifier_resistance,
        emf,
        coulomb,
        coulomb * motor.stiction_ratio,
        (1.0 - motor.coulomb_share) * free / motor.no_load_speed,
        load_loss,
        motor.rotor_inertia * motor.gear_ratio**2,
    )


def cable_stiffness(file: JointFile) -> float:
    """Stiffness of one cable (N/m), as given or from material, diameter, length."""
    cable = file.cable
    if cable.stiffness is not None:
        return cable.stiffness
    if cable.kind == "direct" or cable.material is None:
        return 1.0e4
    assert cable.diameter and cable.length
    return materials.stiffness(cable.material, cable.diameter, cable.length)


def cable_strength(file: JointFile) -> float | None:
    """Breaking strength (N), as given or from material and diameter; None unknown."""
    cable = file.cable
    if cable.breaking_strength is not None:
        return cable.breaking_strength
    if cable.material is not None and cable.diameter is not None:
        return materials.strength(cable.material, cable.diameter)
    return None


def allowed_pull(file: JointFile) -> float | None:
    """Pull (N) that the cable may get: breaking strength over safety factor; None unknown."""
    strength = cable_strength(file)
    if strength is None or file.cable.kind == "direct":
        return None
    return strength / file.cable.safety_factor


def overpull(file: JointFile, pull_N: float) -> str | None:
    """What to say of a run whose greatest cable pull (N) is more than is allowed; None where not."""
    allowed = allowed_pull(file)
    if allowed is None or pull_N <= allowed:
        return None
    return (f"The cable was pulled with up to {pull_N:.0f} N, above the {allowed:.0f} N allowed "
            f"({cable_strength(file):.0f} N over a safety factor of {file.cable.safety_factor:g}). "
            "Use a stronger cable, a larger pulley at the joint, or less speed and force.")  # fmt: skip


def hard_stops(file: JointFile) -> tuple[float, float]:
    """Hard stops (rad): as given, or 5 deg beyond the range."""
    joint = file.joint
    if joint.stops is not None:
        return joint.stops
    if joint.range is None:
        return (-1e9, 1e9)
    return (joint.range[0] - 0.0873, joint.range[1] + 0.0873)


def zero_fraction(file: JointFile) -> float:
    """Share of the track at joint angle zero, from where the dead gap is mounted."""
    sensor = file.sensor
    turn = sensor.electrical_angle
    if sensor.dead_gap_at is not None:
        start = sensor.dead_gap_at + 0.5 * (TURN_RAD - turn) - TURN_RAD
        if turn > TURN_RAD:
            start = sensor.dead_gap_at
        share = -start / turn
        if file.joint.travel == "continuous":
            share -= int(share / (TURN_RAD / turn)) * (TURN_RAD / turn)
        elif turn <= TURN_RAD and file.joint.range is not None:
            # the place of the gap is an angle: of its whole turns, the one nearest to the travel
            middle = share + 0.5 * (file.joint.range[0] + file.joint.range[1]) / turn
            share -= round((middle - 0.5) * turn / TURN_RAD) * TURN_RAD / turn
    elif file.joint.range is not None:
        share = 0.5 - 0.5 * (file.joint.range[0] + file.joint.range[1]) / turn
    else:
        share = 0.0
    return 1.0 - share if sensor.reversed else share


def noise_counts(file: JointFile) -> float:
    """Converter noise (counts of the oversampled sum, rms) at the effective bits.

    Total noise of b effective bits is a full scale over 2^b over sqrt(12)
    (W. Kester, MT-001: quantisation noise); the sum's own quantisation is part.
    """
    sensor = file.sensor
    full = (2**sensor.converter_bits) * sensor.oversampling
    total = full / 2.0**sensor.effective_bits / 12.0**0.5
    rest = total * total - 1.0 / 12.0
    return rest**0.5 if rest > 0.0 else 0.0


_KINDS = {"pair": PAIR, "spring_return": SPRING_RETURN, "direct": DIRECT}


def nominal_part(file: JointFile) -> Part:
    """Return the part that a joint file stands for: as identified, or by datasheet. Raises InputError."""
    part = datasheet_part(file)
    return part if file.identified is None else identified.known(file.identified).part(part)


def datasheet_part(file: JointFile) -> Part:
    """Return the part of the datasheet values alone. Raises InputError."""
    part = Part()
    _fill_motor(part, file)
    _fill_cable(part, file)
    _fill_hinge(part, file)
    _fill_potentiometer(part, file)
    part.supply_V = file.drive.supply
    part.wires = -1 if file.drive.reversed else 1
    part.supply_ohm = file.drive.supply_resistance
    if file.drive.kind == "bridge":
        part.amplifier = BRIDGE
    elif file.drive.kind == "builtin":
        part.amplifier = BUILTIN
    else:
        part.amplifier = (
            PROPORTIONAL_AMPLIFIER
            if file.drive.amplifier == "proportional"
            else STRETCHED_AMPLIFIER
        )
    return part


def _fill_motor(part: Part, file: JointFile) -> None:
    found = motor_constants(file.motor)
    m = part.motor
    m.resistance_25_ohm = found.resistance_ohm
    m.driver_ohm = file.drive.driver_resistance
    m.emf_V_s = found.emf_V_s
    m.inertia = found.inertia
    m.coulomb_Nm = found.coulomb_Nm
    m.stiction_Nm = found.stiction_Nm
    m.viscous_Nms = found.viscous_Nms
    m.load_loss = found.load_loss
    m.half_gap_rad = 0.5 * file.motor.backlash
    if file.motor.resistance is not None:
        m.emf_per_K = 0.0
    heat = part.heat
    heat.resistance_25_ohm = found.resistance_ohm
    heat.driver_ohm = file.drive.driver_resistance
    heat.winding_K_W = file.motor.winding_to_case
    heat.case_K_W = file.motor.case_to_air
    heat.winding_J_K = file.motor.winding_heat
    heat.case_J_K = file.motor.case_heat
    heat.air_C = file.limits.air
    heat.warm_C = file.limits.warm
    heat.hot_C = file.motor.winding_limit


def _fill_cable(part: Part, file: JointFile) -> None:
    c = part.cable
    cable = file.cable
    c.kind = _KINDS[cable.kind]
    c.drum_m = cable.drum_radius
    c.joint_m = cable.joint_radius
    c.arm_1 = cable.arm_1
    c.arm_2 = cable.arm_2
    c.flexor_N_m = cable_stiffness(file)
    c.extensor_N_m = cable.spring_stiffness or c.flexor_N_m
    if cable.kind != "spring_return":
        c.extensor_N_m = c.flexor_N_m
    c.damping_Ns_m = cable.damping
    c.flexor_stretch_m = cable.pretension / c.flexor_N_m
    c.extensor_stretch_m = cable.pretension / c.extensor_N_m
    c.wrap_loss = 1.0 - exp(-cable.guide_friction * cable.guide_wrap)
    if cable.kind == "direct":
        part.motor.half_gap_rad = 0.0


def _fill_hinge(part: Part, file: JointFile) -> None:
    j = part.hinge
    joint = file.joint
    j.inertia = joint.inertia
    j.viscous_Nms = joint.damping
    j.coulomb_Nm = joint.friction
    j.stiction_Nm = 1.2 * joint.friction
    j.gravity_Nm = joint.gravity_torque
    j.gravity_at_rad = joint.gravity_at
    j.tip_m = joint.tip_distance
    j.stop_low_rad, j.stop_high_rad = hard_stops(file)
    j.stops = 1 if joint.travel == "limited" else 0


def _fill_potentiometer(part: Part, file: JointFile) -> None:
    p = part.sensor
    sensor = file.sensor
    p.electrical_rad = sensor.electrical_angle
    p.zero_fraction = zero_fraction(file)
    p.sign = -1 if sensor.reversed else 1
    p.turning = 1 if file.joint.travel == "continuous" else 0
    p.load_ratio = sensor.pull_down / sensor.resistance if sensor.pull_down else 0.0
    p.top_counts = (2**sensor.converter_bits - 1) * sensor.oversampling
    p.noise_counts = noise_counts(file)
    p.fall_s = sensor.pull_down * sensor.capacitance if sensor.pull_down else 0.0
    p.second_offset_rad = sensor.second_wiper_at
    if p.turning == 0:
        _refuse_gap(file, p.zero_fraction, p.sign)


def _refuse_gap(file: JointFile, zero: float, sign: int) -> None:
    """Refuse a travel that meets the dead gap: stops plus 2 % of the track."""
    low, high = hard_stops(file)
    turn = file.sensor.electrical_angle
    ends = sorted((zero + sign * low / turn, zero + sign * high / turn))
    if ends[0] < 0.02 or ends[1] > 0.98:
        raise InputError(
            "",
            "sensor.dead_gap_at",
            None,
            f"travel between the hard stops ({low / DEG:.1f} to {high / DEG:.1f} deg) meets the dead "
            f"gap: the wiper would run from {100 * ends[0]:.1f} to {100 * ends[1]:.1f} % of the track, "
            "allowed are 2 to 98 %; mount the gap elsewhere or use a longer track",
        )
