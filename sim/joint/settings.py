"""From the joint file to the controller's settings: every threshold by a formula.

Each function states its formula; ``part`` is the nominal part of the file. The
numbers behind "worst part" are the defaults of the spread (``spread.py``).
"""

from math import ceil, log, pi, sqrt

from controller.joint import heat as heat_model
from controller.joint.settings.contradictions import contradiction
from controller.joint.settings.settings import BRIDGE, BUILTIN, CONTINUOUS, LIMITED, PULSE, Settings
from controller.records import get, leaves
from sim.errors import InputError
from sim.joint import calibration, datasheet, gains, spread
from sim.joint.breakaway import breakaway_spread, heavy_time_constant, slowest_speed, spring_hold_V
from sim.joint.file import JointFile
from sim.joint.materials import COLD_C
from sim.joint.part import DIRECT, PAIR, Part
from sim.joint.physics import (
    current_for_tip_force,
    current_of_drum,
    drum_per_joint,
    hold_current,
    motor_speed,
    time_constant,
    tip_force_of_current,
)
from sim.units import DEG

LONGEST_S = 10.0
"""Longest time (s) that a part which hardly moves is waited for."""
SOFT_END_RAD = 2.0 * DEG  # soft ends beyond the commanded range


def joint_settings(file: JointFile, part: Part) -> Settings:
    """Return the settings of a joint file with its nominal part, gains included.

    Raises InputError where the file's gains or limits cannot be met.
    """
    settings = Settings()
    settings.tick_s = 1.0 / file.control.rate
    _fill_sensor(settings, file, part)
    _fill_limits(settings, file, part)
    _fill_watch(settings, file, part)
    _fill_stopping(settings, file, part)
    _fill_drive(settings, file, part)
    if file.calibration is not None:
        calibration.apply_calibration(settings, file.calibration)
    gains.fill_gains(settings, file, part)
    _refuse_contradictions(settings)
    return settings


CAUSES = {
    "sensor.rail_low_counts": "sensor.effective_bits", "sensor.correction_rad": "sensor.pull_down",
    "sensor.jump_rad": "control.rate", "limits.current_A": "limits.tip_force",
    "limits.grip_current_A": "limits.grip_force", "limits.check_current_A": "joint.gravity_torque",
    "limits.newton_per_A": "joint.tip_distance", "limits.speed_rad_s": "drive.supply",
    "limits.brake_rad_s2": "limits.tip_force", "watch.friction_V": "joint.gravity_torque",
    "stopping.check_V": "joint.gravity_torque", "stopping.release_V": "joint.gravity_torque",
    "watch.link_silence_s": "limits.link_silence", "heat.winding_J_K": "motor.winding_heat",
    "heat.case_J_K": "motor.case_heat", "heat.hot_C": "motor.winding_limit",
    "profile.speed_rad_s": "limits.speed", "gains.integral_limit_V": "sensor.effective_bits",
}  # fmt: skip
"""Setting to the key of the file that most often is behind it."""


def _refuse_contradictions(settings: Settings) -> None:
    """Hold the settings against what the board will accept. Raises InputError."""
    wrong = contradiction(settings)
    if wrong is None:
        return
    fields = dict(leaves(Settings))
    field = fields[wrong]
    value = get(settings, wrong)
    shown = f"{value:.6g}" if isinstance(value, float | int) else "a table"
    raise InputError(
        "",
        CAUSES.get(wrong, wrong),
        None,
        f"with the other values gives the setting {wrong} = {shown} {field.unit}, which must lie in "
        f"{field.low:g} .. {field.high:g} and agree with the other settings",
    )


def _fill_sensor(settings: Settings, file: JointFile, part: Part) -> None:
    s = settings.sensor
    p = part.sensor
    s.travel = CONTINUOUS if file.joint.travel == "continuous" else LIMITED
    s.counts_top = p.top_counts
    s.zero_counts = p.zero_fraction * p.top_counts
    s.rad_per_count = p.sign * p.electrical_rad / p.top_counts
    s.rail_low_counts = ceil(0.005 * p.top_counts + 4.0 * p.noise_counts)
    s.rail_high_counts = p.top_counts - s.rail_low_counts
    s.wipers = file.sensor.wipers
    noise_rad = p.noise_counts * p.electrical_rad / p.top_counts
    fastest = motor_speed(part, 1.06 * file.drive.supply)
    # Twice the no-load speed (an object lets go, a cable unwinds) and ten
    # sigma of the difference of two readings.
    s.jump_rad = 2.0 * fastest * settings.tick_s + 14.0 * noise_rad
    s.held_ticks = held_ticks(p.noise_counts, file.control.rate)
    s.speed_filter_s = 0.005
    s.bad_ticks = 3
    _fill_correction(settings, part)
    if s.travel == CONTINUOUS:
        s.gap_rad = 2.0 * pi - p.electrical_rad
        s.blind_limit_s = blind_limit(file, part, s.gap_rad)
        s.gap_from_rad = p.electrical_rad * (1.0 - p.zero_fraction)
        if p.sign < 0:
            s.gap_from_rad = p.electrical_rad * p.zero_fraction
        margin = s.rail_low_counts * abs(s.rad_per_count)
        s.gap_rad += 2.0 * margin
        s.gap_from_rad -= margin
        s.second_zero_counts = s.zero_counts + (
            p.second_offset_rad / p.electrical_rad * p.top_counts * p.sign
        )
        if s.wipers == 2 and s.gap_rad > 0.9 * p.second_offset_rad:
            raise InputError(
                "",
                "sensor.second_wiper_at",
                p.second_offset_rad / DEG,
                "the two wipers' gaps meet; set them further apart",
            )


def blind_limit(file: JointFile, part: Part, gap_rad: float) -> float:
    """Longest time (s) in the dead gap: twice what the slowest part takes, and 0.1 s to get there.

    At most a second: a joint that takes longer must not stop or creep there.
    """
    slow = slowest_speed(file, part)
    return min(0.1 + 2.0 * gap_rad / slow, 1.0) if slow > 2.0 * gap_rad else 1.0


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
    s = settings.sensor
    m = part.sensor.load_ratio
    if m <= 0.0:
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
    limits.loss_A = current_of_drum(part, 0.0)
    pressing = max(limits.current_A, 2.0 * limits.loss_A)
    limits.newton_per_A = tip_force_of_current(part, pressing) / (pressing - limits.loss_A)
    limits.current_fitted = 1 if file.drive.current_sensor else 0
    limits.resistance_ohm = heat_model.resistance(m.resistance_25_ohm, COLD_C) + m.driver_ohm
    limits.back_emf_V_s = m.emf_V_s * ratio
    limits.supply_low_V = file.limits.supply_low or 0.7 * supply
    limits.supply_ticks = max(2, ceil(0.01 / settings.tick_s))
    limits.slew_V_s = supply / 0.001
    limits.speed_rad_s = file.limits.speed or motor_speed(part, 1.06 * supply)
    limits.grip_speed_rad_s = min(file.limits.grip_speed, limits.speed_rad_s)
    inertia = m.inertia * ratio  # voltage to joint acceleration at the drum: J ratio R / K
    ohm = m.resistance_25_ohm + m.driver_ohm
    limits.speed_gain_V_s = ohm * inertia / m.emf_V_s / 0.02
    limits.friction_V = breakaway_spread(file, part)[0]
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
        if part.cable.kind == PAIR:  # while both cables pull, this one pulls P + D/2
            preload = part.cable.flexor_stretch_m * part.cable.flexor_N_m
            pull = max(min(pull, 2.0 * (pull - preload)), 0.0)
        amps = min(amps, current_of_drum(part, pull * part.cable.drum_m))
    return amps


def lost_motion(file: JointFile, part: Part) -> float:
    """Joint motion (rad) that a reversal can lose in the worst part of the spread.

    Backlash, and the stretch that turns the friction on the guides and in the hinge round:
        gap r1/r2 + 2 (mu_w (T_f + T_e) + F_c / r2) / (k_f + k_e) / r2,
    each at the end of its spread.
    """
    entries = spread.spread_of(file)
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


def swing(file: JointFile, part: Part) -> float:
    """How far (rad) the heaviest phalanx swings on the softest cables when the drive reverses.

    Twice the static stretch (a suddenly applied load; any textbook on vibration) under its
    inertia at the motor's own acceleration: 2 J (w0 / tau) / (r2^2 k).
    """
    c = part.cable
    if c.kind == DIRECT:
        return 0.0
    e = spread.spread_of(file)
    k = (c.flexor_N_m + (c.extensor_N_m if c.kind == PAIR else 0.0)) * e["stiffness"].low
    inertia = part.hinge.inertia * e["joint_inertia"].high
    quickest = motor_speed(part, file.drive.supply) / time_constant(part)
    return min(2.0 * inertia * quickest / (c.joint_m**2 * k), 0.2)


def _fill_watch(settings: Settings, file: JointFile, part: Part) -> None:
    w = settings.watch
    limits = settings.limits
    noise_rad = part.sensor.noise_counts * abs(settings.sensor.rad_per_count)
    w.friction_V = max(breakaway_spread(file, part)[1], spring_hold_V(file, part))
    w.spring_V = max(breakaway_spread(file, part, spring=True)[1] - w.friction_V, 0.0)
    w.emf_V_s = limits.back_emf_V_s
    w.lag_s = 1.25 * heavy_time_constant(file, part)
    w.window_s = 0.06
    gap = 2.0 * part.motor.half_gap_rad / drum_per_joint(part)
    # Less expected motion than the backlash and the noise is no evidence.
    w.lost_rad = lost_motion(file, part)
    w.least_rad = 0.01 + 0.5 * gap + 3.0 * noise_rad
    w.wrong_rad = 3.0 * DEG + gap + 6.0 * noise_rad + swing(file, part)
    w.over_travel_rad = 0.0
    if file.joint.range is not None:
        low, high = datasheet.hard_stops(file)
        room = max(high - limits.travel_high_rad, limits.travel_low_rad - low)
        w.over_travel_rad = max(room, 0.0) + 3.0 * DEG + 4.0 * noise_rad
    w.over_speed_rad_s = 2.0 * motor_speed(part, 1.06 * file.drive.supply)
    w.following_rad, w.following_s = _following(file, part)
    if file.drive.kind == "builtin":
        # The motor's original loop answers angles, not our voltage: nothing to compare with.
        w.still_s = w.slow_s = w.wrong_rad = w.following_rad = 0.0
    w.link_silence_s = file.limits.link_silence
    if file.drive.kind == "pulse":
        # a frame long the motor may still do what it was told before
        w.wrong_rad += 0.5 * part.amplifier_frame_s * motor_speed(part, file.drive.supply)
        w.still_s += 0.02
        w.slow_s += 0.04
        w.window_s = 0.1


def _following(file: JointFile, part: Part) -> tuple[float, float]:
    """How far (rad) a sound joint lies behind a move at most, and how long (s).

    0.3 of the way, for as long as the slowest part takes for all of it, and half a second. The
    way is the range, half a turn without one; no part is given more than ten seconds.
    """
    way = pi
    if file.joint.range is not None:
        way = file.joint.range[1] - file.joint.range[0]
    slow = slowest_speed(file, part)
    lasts = way / slow if slow * LONGEST_S > way else LONGEST_S
    return 0.3 * way, 0.5 + lasts


def _fill_stopping(settings: Settings, file: JointFile, part: Part) -> None:
    s = settings.stopping
    tested = file.limits.self_test and file.drive.kind != "builtin"
    watch = settings.watch
    s.check_V = 1.25 * watch.friction_V + watch.spring_V if tested else 0.0
    s.check_s = 0.8
    noise_rad = part.sensor.noise_counts * abs(settings.sensor.rad_per_count)
    s.check_rad = 1.0 * DEG + 8.0 * noise_rad
    # The self-test and the release may use what moves the stiffest part, no more.
    settings.limits.check_current_A = (
        1.4 * watch.friction_V + watch.spring_V
    ) / settings.limits.resistance_ohm
    s.release_V = 1.2 * watch.friction_V
    s.release_s = 0.1
    s.release_rad = 10.0 * DEG


def _fill_drive(settings: Settings, file: JointFile, part: Part) -> None:
    d = settings.drive
    d.kind = {"bridge": BRIDGE, "pulse": PULSE, "builtin": BUILTIN}[file.drive.kind]
    d.sign = -1 if file.drive.reversed else 1
    d.frame_s = part.amplifier_frame_s
    d.neutral_s = part.amplifier_neutral_s
    d.dead_s = part.amplifier_dead_s
    d.full_s = part.amplifier_full_s
