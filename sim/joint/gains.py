"""Gains of a joint: the first guess by rule, and the table of the joint file.

First guess: SIMC PID (S. Skogestad, "Simple analytic rules for model reduction
and PID controller tuning", J. Process Control 13 (2003) 291-309), integrating
process with lag, k' e^(-theta s) / (s (tau s + 1)):
    Kc = 1 / (k' (tau_c + theta)),  tau_I = 4 (tau_c + theta),  tau_D = tau  (series)
    kp = Kc (1 + tau_D/tau_I),  ki = Kc / tau_I,  kd = Kc tau_D              (parallel)
with tau_c = theta, k' = 1 / (K + b R / K) at the joint, tau the mechanical time
constant, theta = delay + half a tick (hold) + filter. Below a cable resonance
of 45 Hz all three are scaled by (f / 45 Hz)^2 (own study: the plant's).
"""

import hashlib
import json
from math import sqrt
from typing import Any

from controller.joint.settings.settings import Gains, Profile, Settings
from controller.records import Record, fields
from sim.errors import InputError
from sim.joint import breakaway
from sim.joint.file import JointFile
from sim.joint.part import Part
from sim.joint.physics import RULE_HZ, drum_per_joint, no_load_speed, resonance_Hz, time_constant
from sim.joint.result_tables import PROFILE_KEYS, Written, priceless


def compute_delay(file: JointFile) -> float:
    """Time from reading to drive (s): as given, at most one tick."""
    tick = 1.0 / file.control.rate
    given = file.control.compute_delay
    return tick if given is None else min(given, tick)


def integrating_model(part: Part) -> tuple[float, float]:
    """Return (k', tau): joint speed per volt (rad/s/V), time constant (s)."""
    m = part.motor
    ohm = m.resistance_25_ohm + m.driver_ohm
    ratio = drum_per_joint(part)
    return 1.0 / ((m.emf_V_s + m.viscous_Nms * ohm / m.emf_V_s) * ratio), time_constant(part)


def simc_pid(gain: float, tau: float, theta: float) -> tuple[float, float, float]:
    """Parallel (kp, ki, kd) of SIMC for gain/(s(tau s+1)) with dead time theta."""
    kc = 1.0 / (gain * 2.0 * theta)
    tau_i = 8.0 * theta
    return kc * (1.0 + tau / tau_i), kc / tau_i, kc * tau


def first_guess(file: JointFile, part: Part) -> tuple[Gains, Profile]:
    """Return the gains and profile of the rule for a nominal part."""
    gains = Gains()
    tick = 1.0 / file.control.rate
    frame = part.amplifier_frame_s if file.drive.kind != "bridge" else 0.0
    gain, tau = integrating_model(part)
    gains.derivative_filter_s = max(0.005, 1.5 * tick)
    theta = compute_delay(file) + 0.5 * tick + gains.derivative_filter_s + 0.75 * frame
    kp, ki, kd = simc_pid(gain, tau, theta)
    soft = min(1.0, resonance_Hz(part) / RULE_HZ) ** 2
    gains.kp, gains.ki, gains.kd = kp * soft, ki * soft, kd * soft
    friction, _ = breakaway.breakaway_spread(file, part)
    gains.tracking_s = sqrt((gains.kp / gains.ki) * (gains.kd / gains.kp))
    gains.friction_feed_V = gains.breakaway_feed_V = 0.5 * friction
    gains.rest_filter_s = 0.05
    gains.integral_limit_V = 1.5 * friction
    gains.rest_in_rad = (
        2.0 * part.sensor.noise_counts * part.sensor.electrical_rad / (part.sensor.top_counts)
    )
    gains.rest_out_rad = 1.25 * gains.rest_in_rad
    gains.rate_weight = 1.0
    gains.speed_feed = 1.0 / gain
    gains.acceleration_feed = tau / gain
    return gains, first_profile(file, part)


def first_profile(file: JointFile, part: Part) -> Profile:
    """Profile at 90 % of the no-load speed, reached in about one time constant."""
    profile = Profile()
    speed = 0.9 * no_load_speed(part, file.drive.supply)
    _, tau = integrating_model(part)
    cap = profile_caps(file)
    profile.speed_rad_s = min(speed, cap[0])
    profile.acceleration_rad_s2 = min(profile.speed_rad_s / tau, cap[1])
    profile.jerk_rad_s3 = min(profile.acceleration_rad_s2 / (0.25 * tau), cap[2])
    profile.plan_ticks = file.control.plan_ticks
    return profile


def profile_caps(file: JointFile) -> tuple[float, float, float]:
    """Highest speed, acceleration and jerk that the file allows (rad/s...)."""
    limits = file.limits
    return (limits.speed or 1e3, limits.acceleration or 1e6, limits.jerk or 1e9)


def joint_digest(tables: dict[str, Any]) -> str:
    """Digest (12 hex digits) of what gains depend on: the file less its results."""
    no_say = ("gains", "calibration", "identified", "goals")
    kept = {k: priceless(v) for k, v in tables.items() if k not in no_say}
    text = json.dumps(kept, sort_keys=True, default=str)
    return hashlib.sha256(text.encode()).hexdigest()[:12]


def gain_table(gains: Gains, profile: Profile) -> dict[str, str]:
    """Return gains and profile as the file's table: names to text with units."""
    table = {}
    for name, field in fields(Gains):
        table[name] = f"{getattr(gains, name)!r} {field.unit}".replace(" 1", "")
    for name, field in fields(Profile):
        if name in PROFILE_KEYS:
            table[f"profile_{name}"] = f"{getattr(profile, name)!r} {field.unit}"
    return table


def put_gains(table: Written, gains: Gains, profile: Profile) -> None:
    """Put what a [gains] table says into ``gains`` and ``profile``; what is left out stays."""
    for key in table.model_fields_set - {"digest", "provenance"}:
        record: Record = profile if key.startswith("profile_") else gains
        setattr(record, key.removeprefix("profile_"), getattr(table, key))


def fill_gains(settings: Settings, file: JointFile, part: Part) -> None:
    """Put the file's gains, or the first guess, into ``settings``. Raises InputError."""
    gains, profile = first_guess(file, part)
    if file.gains is not None:
        put_gains(file.gains, gains, profile)
    settings.gains = gains
    settings.profile = profile
    caps = profile_caps(file)
    for key, cap in zip(PROFILE_KEYS, caps, strict=True):
        if getattr(profile, key) > cap * (1.0 + 1e-9):
            raise InputError(
                "",
                f"gains.profile_{key}",
                getattr(profile, key),
                f"is above the file's own limit ({cap:.4g}); tune again",
            )
