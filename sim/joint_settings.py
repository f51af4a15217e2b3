"""From the joint file to the controller's settings: every threshold by a formula.

Each function states its formula; ``part`` is the nominal part of the file. The
numbers behind "worst part" are the defaults of the spread (``tolerance.py``).
"""

from math import ceil, log, pi, sqrt

from controller import heat as heat_model
from controller.records import get, leaves
from controller.settings import BRIDGE, CONTINUOUS, LIMITED, PULSE, Settings
from controller.settings_check import contradiction
from sim import calibration, datasheet, gains, tolerance
from sim.errors import InputError
from sim.joint_file import JointFile
from sim.part import DIRECT, PAIR, SPRING_RETURN, Part

DEG = pi / 180.0
COLD_C = 10.0
HOT_PART = 1.12  # winding resistance of the stiffest part over nominal
WEAK_PART = 0.9  # torque constant of the weakest part over nominal
SOFT_END_RAD = 2.0 * DEG  # soft ends beyond the commanded range


def drum_per_joint(part: Part) -> float:
    """Drum angle per joint angle (and joint torque per drum torque)."""
    if part.cable.kind == DIRECT:
        return 1.0
    return part.cable.joint_m / part.cable.drum_m


def wrap_gain(part: Part) -> float:
    """Share of a cable's pull that passes the guides: 1 - mu_w."""
    return 1.0 if part.cable.kind == DIRECT else 1.0 - part.cable.wrap_loss


def current_for_tip_force(part: Part, force_N: float) -> float:
    """Winding current (A) that presses with ``force_N`` at the fingertip, at rest.

    joint torque = F l;  cable = joint torque / r2 / (1 - mu_w);
    drum torque = cable * r1;  motor torque = drum torque / (1 - mu_g) + F_c;
    current = motor torque / K.
    """
    drum = force_N * part.hinge.tip_m / drum_per_joint(part) / wrap_gain(part)
    motor = drum / (1.0 - part.motor.load_loss) + part.motor.coulomb_Nm
    return motor / part.motor.emf_V_s


def tip_force_of_current(part: Part, current_A: float) -> float:
    """Fingertip force (N) that a current (A) holds: the same chain backwards."""
    motor = part.motor.emf_V_s * current_A - part.motor.coulomb_Nm
    if motor <= 0.0:
        return 0.0
    drum = motor * (1.0 - part.motor.load_loss)
    return drum * wrap_gain(part) * drum_per_joint(part) / part.hinge.tip_m


def cable_of_tip_force(part: Part, force_N: float) -> float:
    """Tension (N) at the drum of the pulling cable at a fingertip force (N).

    The other cable slackens by as much as this one gains, until it is slack:
    T = max(P + F l / (2 r2 (1 - mu_w)), F l / (r2 (1 - mu_w))) for a pair.
    """
    if part.cable.kind == DIRECT:
        return 0.0
    pull = force_N * part.hinge.tip_m / part.cable.joint_m / wrap_gain(part)
    preload = part.cable.flexor_stretch_m * part.cable.flexor_N_m
    if part.cable.kind == SPRING_RETURN:
        return pull + preload
    return max(preload + 0.5 * pull, pull)


def hold_current(part: Part) -> float:
    """Current (A) that the winding stands for ever at its warm limit.

    (T_warm - T_air) = (R1 + R2) R(T_warm) I^2.
    """
    h = part.heat
    ohm = heat_model.resistance(h.resistance_25_ohm, h.warm_C)
    return float(sqrt((h.warm_C - h.air_C) / ((h.winding_K_W + h.case_K_W) * ohm)))


def no_load_speed(part: Part, volt: float) -> float:
    """Joint speed (rad/s) at which the motor runs free at a voltage (V)."""
    m = part.motor
    ohm = m.resistance_25_ohm + m.driver_ohm
    drum = (volt - ohm * m.coulomb_Nm / m.emf_V_s) / (m.emf_V_s + ohm * m.viscous_Nms / m.emf_V_s)
    return max(drum, 0.0) / drum_per_joint(part)


def time_constant(part: Part) -> float:
    """Mechanical time constant (s) seen by the joint: J R / (K^2 + b R)."""
    m = part.motor
    ohm = m.resistance_25_ohm + m.driver_ohm
    inertia = m.inertia + part.hinge.inertia / drum_per_joint(part) ** 2
    return float(inertia * ohm / (m.emf_V_s**2 + m.viscous_Nms * ohm))


def sliding_V(part: Part) -> float:
    """Voltage (V) that dry friction of the nominal part takes while sliding, at 25 degC."""
    m, c = part.motor, part.cable
    hinge = part.hinge.coulomb_Nm
    if c.kind != DIRECT:
        tension = c.flexor_stretch_m * c.flexor_N_m + c.extensor_stretch_m * c.extensor_N_m
        hinge += c.wrap_loss * c.joint_m * tension
    torque = m.coulomb_Nm + hinge / drum_per_joint(part)
    return torque * (m.resistance_25_ohm + m.driver_ohm) / m.emf_V_s


def breakaway_V(part: Part) -> float:
    """Voltage (V) that moves the stiffest, hottest, weakest part of the spread.

    1.4 F_s of the motor, 2.5 F of the hinge, twice the wrap loss at 1.6 times
    the pretension, twice gravity; R at 80 degC of the 1.12-fold winding.
    """
    m = part.motor
    hinge = 2.5 * part.hinge.coulomb_Nm + 2.0 * part.hinge.gravity_Nm
    c = part.cable
    if c.kind != DIRECT:
        tension = c.flexor_stretch_m * c.flexor_N_m
        tension += c.extensor_stretch_m * c.extensor_N_m
        hinge += min(2.0 * c.wrap_loss, 0.6) * c.joint_m * 1.6 * tension
    torque = 1.4 * m.stiction_Nm + hinge / drum_per_joint(part)
    ohm = HOT_PART * heat_model.resistance(m.resistance_25_ohm, 80.0) + m.driver_ohm
    return torque * ohm / (WEAK_PART * m.emf_V_s)


def joint_settings(file: JointFile, part: Part, name: str = "") -> Settings:
    """Return the settings of a joint file with its nominal part, gains included.

    Raises InputError where the file's gains or limits cannot be met.
    """
    settings = Settings()
    settings.tick_s = 1.0 / file.control.rate
    _fill_sensing(settings, file, part, name)
    _fill_limits(settings, file, part)
    _fill_watch(settings, file, part, name)
    _fill_stopping(settings, file, part)
    _fill_drive(settings, file, part)
    calibration.apply_calibration(settings, calibration.read_calibration(file, name), name)
    gains.fill_gains(settings, file, part, name)
    _refuse_contradictions(settings, name)
    return settings


CAUSES = {
    "sensing.rail_low_counts": "sensor.effective_bits", "sensing.correction_rad": "sensor.pull_down",
    "sensing.jump_rad": "control.rate", "limits.current_A": "limits.tip_force",
    "limits.grip_current_A": "limits.grip_force", "limits.check_current_A": "joint.gravity_torque",
    "limits.newton_per_A": "joint.tip_distance", "limits.speed_rad_s": "drive.supply",
    "limits.brake_rad_s2": "limits.tip_force", "watch.friction_V": "joint.gravity_torque",
    "stopping.check_V": "joint.gravity_torque", "stopping.release_V": "joint.gravity_torque",
    "watch.link_silence_s": "limits.link_silence", "heat.winding_J_K": "motor.winding_heat",
    "heat.case_J_K": "motor.case_heat", "heat.hot_C": "motor.winding_limit",
    "profile.speed_rad_s": "limits.speed", "gains.integral_limit_V": "sensor.effective_bits",
}  # fmt: skip
"""Setting to the key of the file that most often is behind it."""


def _refuse_contradictions(settings: Settings, name: str) -> None:
    """Hold the settings against what the board will accept. Raises InputError."""
    wrong = contradiction(settings)
    if wrong is None:
        return
    fields = dict(leaves(Settings))
    field = fields[wrong]
    value = get(settings, wrong)
    shown = f"{value:.6g}" if isinstance(value, float | int) else "a table"
    raise InputError(
        name,
        CAUSES.get(wrong, wrong),
        None,
        f"with the other values gives the setting {wrong} = {shown} {field.unit}, which must lie in "
        f"{field.low:g} .. {field.high:g} and agree with the other settings",
    )


def _fill_sensing(settings: Settings, file: JointFile, part: Part, name: str) -> None:
    s = settings.sensing
    p = part.probe
    s.travel = CONTINUOUS if file.joint.travel == "continuous" else LIMITED
    s.counts_top = p.top_counts
    s.zero_counts = p.zero_fraction * p.top_counts
    s.rad_per_count = p.sign * p.electrical_rad / p.top_counts
    s.rail_low_counts = ceil(0.005 * p.top_counts + 4.0 * p.noise_counts)
    s.rail_high_counts = p.top_counts - s.rail_low_counts
    s.tracks = file.sensor.wipers
    noise_rad = p.noise_counts * p.electrical_rad / p.top_counts
    fastest = no_load_speed(part, 1.06 * file.drive.supply)
    # Twice the no-load speed (an object lets go, a cable unwinds) and ten
    # sigma of the difference of two readings.
    s.jump_rad = 2.0 * fastest * settings.tick_s + 14.0 * noise_rad
    s.held_ticks = held_ticks(p.noise_counts, file.control.rate)
    s.speed_filter_s = 0.005
    s.bad_ticks = 3
    _fill_correction(settings, part)
    if s.travel == CONTINUOUS:
        s.gap_rad = 2.0 * pi - p.electrical_rad
        s.gap_from_rad = p.electrical_rad * (1.0 - p.zero_fraction)
        if p.sign < 0:
            s.gap_from_rad = p.electrical_rad * p.zero_fraction
        margin = s.rail_low_counts * abs(s.rad_per_count)
        s.gap_rad += 2.0 * margin
        s.gap_from_rad -= margin
        s.second_zero_counts = s.zero_counts + (
            p.second_offset_rad / p.electrical_rad * p.top_counts * p.sign
        )
        if s.tracks == 2 and s.gap_rad > 0.9 * p.second_offset_rad:
            raise InputError(
                name,
                "sensor.second_wiper_at",
                p.second_offset_rad / DEG,
                "the two wipers' gaps meet; set them further apart",
            )


def held_ticks(noise_counts: float, rate_Hz: float) -> int:
    """Identical readings in a row that happen by chance less than 1e-6 an hour.

    Two readings with Gaussian noise of s counts are equal with probability
    1 / (2 s sqrt(pi)); 0 (off) where the noise is too small to tell.
    """
    if noise_counts < 0.8:
        return 0
    equal = 1.0 / (2.0 * noise_counts * sqrt(pi))
    return max(8, ceil(log(1e-6 / (3600.0 * rate_Hz)) / log(equal)))


def _fill_correction(settings: Settings, part: Part) -> None:
    """Undo the pull-down's loading (known from its value) by the linearity table."""
    s = settings.sensing
    m = part.probe.load_ratio
    if m <= 0.0 or s.travel == CONTINUOUS:
        return
    points = 33
    s.correction_points = points
    for k in range(points):
        y = k / (points - 1)
        x = y
        for _ in range(60):  # x = y (1 + x(1-x)/m), a contraction for m > 1
            x = y * (1.0 + x * (1.0 - x) / m)
        s.correction_rad[k] = (x - y) * s.counts_top * s.rad_per_count


def _fill_limits(settings: Settings, file: JointFile, part: Part) -> None:
    limits = settings.limits
    m = part.motor
    ratio = drum_per_joint(part)
    supply = file.drive.supply
    limits.current_A = force_current(file, part)
    gentle = hold_current(part)
    if file.limits.grip_force is not None:
        gentle = min(gentle, current_for_tip_force(part, file.limits.grip_force))
    limits.grip_current_A = min(limits.current_A, gentle)
    limits.loss_A = m.coulomb_Nm / m.emf_V_s
    limits.newton_per_A = tip_force_of_current(part, 2.0 * limits.loss_A + 1.0) / (
        limits.loss_A + 1.0
    )
    limits.current_fitted = 1 if file.drive.current_sensor else 0
    limits.resistance_ohm = heat_model.resistance(m.resistance_25_ohm, COLD_C) + m.driver_ohm
    limits.back_emf_V_s = m.emf_V_s * ratio
    limits.supply_low_V = file.limits.supply_low or 0.7 * supply
    limits.supply_ticks = max(2, ceil(0.01 / settings.tick_s))
    limits.slew_V_s = supply / 0.001
    limits.speed_rad_s = file.limits.speed or no_load_speed(part, 1.06 * supply)
    limits.grip_speed_rad_s = min(file.limits.grip_speed, limits.speed_rad_s)
    inertia = m.inertia * ratio  # voltage to joint acceleration at the drum: J ratio R / K
    ohm = m.resistance_25_ohm + m.driver_ohm
    limits.speed_gain_V_s = ohm * inertia / m.emf_V_s / 0.02
    limits.friction_V = gains.friction_V(part)
    limits.brake_rad_s2 = 0.5 * m.emf_V_s * limits.current_A / inertia
    if file.joint.range is not None:
        limits.command_low_rad, limits.command_high_rad = file.joint.range
        limits.travel_low_rad = file.joint.range[0] - SOFT_END_RAD
        limits.travel_high_rad = file.joint.range[1] + SOFT_END_RAD
    h = settings.heat
    for key in (
        "resistance_25_ohm",
        "driver_ohm",
        "winding_J_K",
        "case_J_K",
        "winding_K_W",
        "case_K_W",
        "air_C",
        "warm_C",
        "hot_C",
    ):
        setattr(h, key, getattr(part.heat, key))


def force_current(file: JointFile, part: Part) -> float:
    """Current (A) of the tip force limit, or of the cable's allowed pull if lower."""
    amps = current_for_tip_force(part, file.limits.tip_force)
    strength = datasheet.cable_strength(file)
    if strength is not None and part.cable.kind != DIRECT:
        pull = strength / file.cable.safety_factor
        motor = pull * part.cable.drum_m / (1.0 - part.motor.load_loss) + part.motor.coulomb_Nm
        amps = min(amps, motor / part.motor.emf_V_s)
    return amps


def stiffest_V(file: JointFile, part: Part, name: str = "") -> float:
    """Voltage (V) that moves a part at the bad end of every entry of the file's spread at once."""
    e = tolerance.spread_of(file, name)
    m, c = part.motor, part.cable
    hinge = part.hinge.stiction_Nm * e["joint_friction"].high
    hinge += part.hinge.gravity_Nm * e["gravity"].high
    if c.kind != DIRECT:
        pull = c.flexor_stretch_m * c.flexor_N_m
        pull += (
            spring_pull(file, part)
            if c.kind == SPRING_RETURN
            else (c.extensor_stretch_m * c.extensor_N_m)
        )
        wrap = min(c.wrap_loss * e["wrap_loss"].high, 0.8)
        hinge += wrap * c.joint_m * pull * e["pretension"].high
    rest = m.coulomb_Nm * e["motor_friction"].high * e["stiction_ratio"].high
    warm = heat_model.resistance(m.resistance_25_ohm * e["resistance"].high,
                                 e["winding_temperature"].high)  # fmt: skip
    torque = rest + hinge / drum_per_joint(part)
    return torque * (warm + m.driver_ohm) / (m.emf_V_s * e["torque_constant"].low)


def spring_pull(file: JointFile, part: Part) -> float:
    """Pull (N) of the return spring at the closed end of the range."""
    c = part.cable
    span = file.joint.range[1] if file.joint.range is not None else 0.0
    return c.extensor_N_m * (c.extensor_stretch_m + c.joint_m * max(span, 0.0))


def spring_V(file: JointFile, part: Part) -> float:
    """Voltage (V) that the return spring takes at the closed end, from the weakest, hottest part.

    r1 (P + k r2 (q_high - q_low)), as motor torque; nothing without a spring.
    """
    m = part.motor
    if part.cable.kind != SPRING_RETURN:
        return 0.0
    ohm = HOT_PART * heat_model.resistance(m.resistance_25_ohm, 80.0) + m.driver_ohm
    return (
        spring_pull(file, part)
        * part.cable.joint_m
        / drum_per_joint(part)
        * ohm
        / (WEAK_PART * m.emf_V_s)
    )


def lost_motion(file: JointFile, part: Part, name: str = "") -> float:
    """Joint motion (rad) that a reversal can lose in the worst part of the spread.

    Backlash, and the stretch that turns the friction on the guides and in the hinge round:
        gap r1/r2 + 2 (mu_w (T_f + T_e) + F_c / r2) / (k_f + k_e) / r2,
    each at the end of its spread.
    """
    entries = tolerance.spread_of(file, name)
    c = part.cable
    gap = 2.0 * part.motor.half_gap_rad / drum_per_joint(part) * entries["backlash"].high
    if c.kind == DIRECT:
        return gap
    pull = c.flexor_stretch_m * c.flexor_N_m + c.extensor_stretch_m * c.extensor_N_m
    wrap = min(c.wrap_loss * entries["wrap_loss"].high, 0.8)
    drag = wrap * pull * entries["pretension"].high
    drag += part.hinge.stiction_Nm * entries["joint_friction"].high / c.joint_m
    stiff = c.flexor_N_m * entries["stiffness"].low
    if c.kind == PAIR:
        stiff += c.extensor_N_m * entries["stiffness"].low
    return min(gap + 2.0 * drag / stiff / c.joint_m, 3.0)


def _fill_watch(settings: Settings, file: JointFile, part: Part, name: str) -> None:
    w = settings.watch
    limits = settings.limits
    noise_rad = part.probe.noise_counts * abs(settings.sensing.rad_per_count)
    w.friction_V = max(breakaway_V(part), stiffest_V(file, part, name)) + spring_V(file, part)
    w.emf_V_s = limits.back_emf_V_s
    w.lag_s = 1.25 * time_constant(part)
    w.window_s = 0.06
    gap = 2.0 * part.motor.half_gap_rad / drum_per_joint(part)
    # Less expected motion than the backlash and the noise is no evidence.
    w.lost_rad = lost_motion(file, part, name)
    w.least_rad = 0.01 + 0.5 * gap + 3.0 * noise_rad
    w.wrong_rad = 3.0 * DEG + gap + 6.0 * noise_rad
    w.over_travel_rad = 0.0
    if file.joint.range is not None:
        low, high = datasheet.hard_stops(file)
        room = max(high - limits.travel_high_rad, limits.travel_low_rad - low)
        w.over_travel_rad = max(room, 0.0) + 3.0 * DEG + 4.0 * noise_rad
    w.over_speed_rad_s = 2.0 * no_load_speed(part, 1.06 * file.drive.supply)
    span = 1.0
    if file.joint.range is not None:
        span = file.joint.range[1] - file.joint.range[0]
    w.following_rad = 0.3 * span
    w.following_s = 1.0
    if file.drive.kind == "builtin":
        # The motor's original loop answers angles, not our voltage: nothing to compare with.
        w.still_s = w.slow_s = w.wrong_rad = w.following_rad = 0.0
    w.link_silence_s = file.limits.link_silence
    if file.drive.kind == "pulse":
        # a frame long the motor may still do what it was told before
        w.wrong_rad += 0.5 * part.board_frame_s * no_load_speed(part, file.drive.supply)
        w.still_s += 0.02
        w.slow_s += 0.04
        w.window_s = 0.1


def _fill_stopping(settings: Settings, file: JointFile, part: Part) -> None:
    s = settings.stopping
    tested = file.limits.self_test and file.drive.kind != "builtin"
    s.check_V = 1.25 * settings.watch.friction_V if tested else 0.0
    s.check_s = 0.8
    noise_rad = part.probe.noise_counts * abs(settings.sensing.rad_per_count)
    s.check_rad = 1.0 * DEG + 8.0 * noise_rad
    # The self-test and the release may use what moves the stiffest part, no more.
    settings.limits.check_current_A = (
        1.4 * settings.watch.friction_V / settings.limits.resistance_ohm
    )
    s.release_V = 1.2 * settings.watch.friction_V
    s.release_s = 0.1
    s.release_rad = 10.0 * DEG


def _fill_drive(settings: Settings, file: JointFile, part: Part) -> None:
    d = settings.drive
    d.kind = BRIDGE if file.drive.kind == "bridge" else PULSE
    d.frame_s = part.board_frame_s
    d.neutral_s = part.board_neutral_s
    d.dead_s = part.board_dead_s
    d.full_s = part.board_full_s
