"""One concrete joint: the constants of the plant, and its state.

The joint file describes a kind of joint; a Part is one sample of it, nominal
or drawn from the part-to-part spread. Symbols in the meanings are those of
``sim/README.md``.
"""

from controller.joint.settings.safety_settings import Heat
from controller.portable import const
from controller.records import Record, integer, part, real

PAIR = const(0)
SPRING_RETURN = const(1)
DIRECT = const(2)

# Part.amplifier: what the output of the controller drives
BRIDGE = const(0)
PROPORTIONAL_AMPLIFIER = const(1)
STRETCHED_AMPLIFIER = const(2)
BUILTIN = const(3)


class Motor(Record):
    """Gear motor, all constants seen at its output."""

    resistance_25_ohm = real(6.257, "ohm")
    "R0: winding resistance at 25 degC."
    driver_ohm = real(0.6, "ohm")
    "R_ds: driver resistance."
    emf_V_s = real(0.393, "V*s/rad")
    "K: torque and back-EMF constant at 25 degC (N*m/A and V*s/rad)."
    emf_per_K = real(-0.0015, "1/K")
    "Relative change of K with winding temperature."
    inertia = real(6.25e-4, "kg*m^2")
    "J_m: rotor inertia seen at the output."
    coulomb_Nm = real(0.0236, "N*m")
    "F_c: dry friction while sliding."
    stiction_Nm = real(0.0318, "N*m")
    "F_s: dry friction at rest."
    stribeck_rad_s = real(0.5, "rad/s")
    "v_s: speed over which stiction falls to sliding friction."
    viscous_Nms = real(1.5e-3, "N*m*s/rad")
    "b_m."
    load_loss = real(0.223)
    "mu_g: friction level per transmitted torque."
    half_gap_rad = real(0.0131, "rad")
    "b/2: half the backlash, at the output."


class Cable(Record):
    """Cables between drum and joint."""

    kind = integer(0)
    "0 pair, 1 one cable against a spring, 2 drum and joint are one body."
    drum_m = real(6.0e-3, "m")
    "r1: drum radius."
    joint_m = real(6.0e-3, "m")
    "r2: moment arm at the joint, at angle zero."
    arm_1 = real(0.0, "1/rad")
    "Moment arm r2*(1 + arm_1*q + arm_2*q^2): zero for a pulley."
    arm_2 = real(0.0, "1/rad^2")
    flexor_N_m = real(2.5e4, "N/m")
    "k_f: stiffness of the flexing cable; 0 is a broken one."
    extensor_N_m = real(2.5e4, "N/m")
    "k_e: stiffness of the extending cable, or of the return spring."
    damping_Ns_m = real(1.0, "N*s/m")
    "c."
    flexor_stretch_m = real(2.0e-4, "m")
    "Pretension of the flexing cable over its stiffness."
    extensor_stretch_m = real(2.0e-4, "m")
    wrap_loss = real(0.18)
    "mu_w = 1 - exp(-mu*wrap): joint friction per cable tension."


class Hinge(Record):
    """Phalanx and what it meets."""

    inertia = real(5.0e-6, "kg*m^2")
    "J_j."
    viscous_Nms = real(0.0, "N*m*s/rad")
    "b_j."
    coulomb_Nm = real(1.0e-3, "N*m")
    stribeck_rad_s = real(0.2, "rad/s")
    stiction_Nm = real(1.2e-3, "N*m")
    gravity_Nm = real(1.2e-3, "N*m")
    "m g l: torque of gravity where it is greatest."
    gravity_at_rad = real(0.0, "rad")
    "q_g: angle at which gravity's torque is greatest."
    tip_m = real(0.04, "m")
    "l: joint to fingertip."
    stop_low_rad = real(-0.14, "rad")
    stop_high_rad = real(1.885, "rad")
    stop_Nm_rad = real(60.0, "N*m/rad")
    stop_Nms = real(0.01, "N*m*s/rad")
    stops = integer(1)
    "0: no hard stops (continuous travel)."


class Potentiometer(Record):
    """Potentiometer and converter."""

    electrical_rad = real(5.934, "rad")
    "Angle over which the wiper runs from 0 to full."
    zero_fraction = real(0.1)
    "Share of the electrical angle at joint angle zero."
    sign = integer(1)
    "1, or -1 where the reading falls with the angle."
    turning = integer(0)
    "1: turns without end, with a dead gap of 2 pi - electrical_rad."
    odd_error = real(0.0)
    "Linearity: antisymmetric part, share of full scale."
    even_error = real(0.0)
    "Linearity: symmetric part, share of full scale."
    load_ratio = real(47.0)
    "Pull-down over track resistance; 0 means none fitted."
    top_counts = integer(16380, "count")
    "Highest reading (sum of the oversampled conversions)."
    noise_counts = real(6.5, "count")
    "Total noise, rms."
    step_counts = real(0.0, "count")
    "Converter: jump at its four major codes (integral non-linearity)."
    fall_s = real(0.002, "s")
    "Time constant with which the pull-down empties an open wiper; 0: it floats."
    second_offset_rad = real(3.14159, "rad")
    "Second wiper: angle by which it leads the first."


class Part(Record):
    """One joint: everything the plant needs."""

    motor = part(Motor)
    cable = part(Cable)
    hinge = part(Hinge)
    sensor = part(Potentiometer)
    heat = part(Heat)
    supply_V = real(5.0, "V")
    "V_oc: open-circuit voltage of the supply."
    supply_ohm = real(0.2, "ohm")
    "R_int."
    wires = integer(1)
    "1, or -1 where the motor's two wires are the other way round."
    amplifier = integer(0)
    "0 bridge, 1 or 2 the motor's own pulse amplifier, 3 its original loop."
    amplifier_full_s = real(1.5e-4, "s")
    amplifier_dead_s = real(5.0e-6, "s")
    amplifier_neutral_s = real(1.5e-3, "s")
    amplifier_frame_s = real(0.02, "s")
    amplifier_full_rad = real(0.26, "rad")
    "Original loop: error that gives full voltage."
    amplifier_dead_rad = real(0.017, "rad")


class Plant(Record):
    """State of the plant, and what acts on it from outside."""

    drum_rad = real(0.0, "rad")
    drum_rad_s = real(0.0, "rad/s")
    joint_rad = real(0.0, "rad")
    joint_rad_s = real(0.0, "rad/s")
    winding_C = real(25.0, "degC")
    case_C = real(25.0, "degC")
    flexor_N = real(0.0, "N")
    extensor_N = real(0.0, "N")
    tip_N = real(0.0, "N")
    current_A = real(0.0, "A")
    bus_V = real(5.0, "V")
    heat_A2s = real(0.0, "A^2*s")
    "Integral of current squared since the heat was last accounted."
    energy_J = real(0.0, "J")
    "Electrical energy taken from the supply."
    peak_cable_N = real(0.0, "N")
    peak_tip_N = real(0.0, "N")
    held_N = real(0.0, "N")
    "Tip force through a low-pass of 50 ms: what presses, without the blow."
    peak_held_N = real(0.0, "N")
    # what acts from outside
    load_Nm = real(0.0, "N*m")
    "Torque on the joint, against closing."
    object_rad = real(1.0e9, "rad")
    "Angle at which an object begins."
    object_Nm_rad = real(0.0, "N*m/rad")
    object_Nms = real(0.0, "N*m*s/rad")
    others_A = real(0.0, "A")
    "Current drawn from the supply by others."
    extra_m = real(0.0, "m")
    "Path of the cable over other joints, at their angles."
    extra_m_s = real(0.0, "m/s")
    supply_drop_V = real(0.0, "V")
    motor_open = integer(0)
    coasting = integer(0)
    "1 while the bridge is off: no current flows (its diodes are left out)."
    wired_wrong = integer(0)
    # constants of one tick
    volt_V = real(0.0, "V")
    emf_V_s = real(0.393, "V*s/rad")
    siemens = real(0.0, "1/ohm")
    rest_m = real(0.0, "m")
    "z: take-up at which the cables pull equally."


class Sense(Record):
    """State of the sensor, and its faults."""

    word = integer(1)
    "Random state."
    fraction = real(0.0)
    "Wiper voltage over the sensor's supply."
    held_counts = integer(0, "count")
    wander = real(0.0)
    fault = integer(0)
    "0 sound, 1 wiper open, 2 shorted high, 3 held, 4 floating."
