"""Calibration of one joint: sensor, pulse drive, force. Computed here, kept in the joint file.

Sensor: two or more known angles with the reading at each. Two give a straight
line; more give, besides the least-squares line, a linearity table: what is left
over at each point, joined by straight lines. Force: a known force at the
fingertip at a known current limit, with the winding's resistance and
temperature, scales the current that the force limit allows.
"""

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from controller.joint import heat
from controller.joint.angles import TURN_RAD
from controller.joint.settings.settings import CONTINUOUS, CORRECTION_POINTS, Settings
from sim.errors import InputError
from sim.joint.materials import COLD_C
from sim.joint.result_tables import CalibrationTable
from sim.units import DEG


@dataclass
class SensorCalibration:
    """Result: straight line, what is left, noise (counts)."""

    zero_counts: float
    rad_per_count: float
    noise_counts: float
    points: list[tuple[float, float]] = field(default_factory=list)
    """(angle rad, counts), sorted by counts."""
    residual_rad: float = 0.0
    """Largest departure of the points from the line."""


def fit_sensor(points: list[tuple[float, float]], noise_counts: float) -> SensorCalibration:
    """Fit known angles (rad) and readings (counts). Raises InputError."""
    if len(points) < 2 or len(points) > CORRECTION_POINTS:
        raise InputError("", "points", len(points), f"needs 2 to {CORRECTION_POINTS} points")
    rows = sorted(points, key=lambda one: one[1])
    counts = np.array([c for _, c in rows])
    angles = np.array([a for a, _ in rows])
    if (np.diff(counts) < max(20.0, 6.0 * noise_counts)).any():
        raise InputError("", "points", None, "two points have nearly the same reading: was the "
                         "joint moved, and is the sensor connected?")  # fmt: skip
    rises = np.diff(angles)
    if not ((rises > 0.0).all() or (rises < 0.0).all()):
        raise InputError("", "points", None, "the reading does not follow the angle one way: "
                         "check the angles given and the track")  # fmt: skip
    slope, offset = np.polyfit(counts, angles, 1)
    left = angles - (slope * counts + offset)
    return SensorCalibration(float(-offset / slope), float(slope), noise_counts, rows,
                             float(np.abs(left).max()))  # fmt: skip


def sensor_table(found: SensorCalibration) -> dict[str, Any]:
    """The calibration as the joint file's table."""
    return {
        "zero": f"{found.zero_counts!r} count",
        "slope": f"{found.rad_per_count!r} rad/count",
        "noise": f"{found.noise_counts!r} count",
        "points": [[f"{a!r} rad", f"{c!r} count"] for a, c in found.points],
    }


def apply_calibration(settings: Settings, found: CalibrationTable) -> None:
    """Put a calibration into the settings. Raises InputError where travel meets the gap."""
    s = settings.sensor
    if found.zero is not None and found.slope is not None:
        before = (s.zero_counts, s.rad_per_count)
        s.zero_counts, s.rad_per_count = found.zero, found.slope
        if len(found.points) == 2 and s.correction_points > 1:
            _keep_bend(settings, found.points, before[1])
        else:
            _correct(settings, found.points)
        _move_gap(settings, *before)
        _refuse_rails(settings)
    if found.pulse_neutral is not None:
        settings.drive.neutral_s = found.pulse_neutral
    if found.pulse_dead is not None:
        settings.drive.dead_s = found.pulse_dead
    if found.resistance_25 is not None:
        settings.heat.resistance_25_ohm = found.resistance_25
        cold = heat.resistance(found.resistance_25, COLD_C) + settings.heat.driver_ohm
        settings.limits.resistance_ohm = cold
    if found.force_factor is not None:
        limits = settings.limits
        factor = found.force_factor  # measured over estimated force
        limits.newton_per_A *= factor
        for key in ("current_A", "grip_current_A"):
            amps = getattr(limits, key)
            setattr(limits, key, limits.loss_A + (amps - limits.loss_A) / factor)


def _correct(settings: Settings, points: list[tuple[float, float]]) -> None:
    """Linearity table from points: what the straight line leaves over, at equal steps of counts."""
    s = settings.sensor
    s.correction_points = 0
    if len(points) < 3:
        return
    counts = np.array([c for _, c in points])
    left = np.array([a for a, _ in points]) - (counts - s.zero_counts) * s.rad_per_count
    s.correction_points = CORRECTION_POINTS
    grid = np.linspace(0.0, s.counts_top, CORRECTION_POINTS)
    for k, value in enumerate(np.interp(grid, counts, left)):
        s.correction_rad[k] = float(value)


def _keep_bend(settings: Settings, points: list[tuple[float, float]], slope: float) -> None:
    """Two points and the bend that is known from the pull-down: the line through straightened counts.

    slope: of the line that the table was made for (rad/count).
    """
    s = settings.sensor
    grid = np.linspace(0.0, s.counts_top, s.correction_points)
    bend = np.array(s.correction_rad[: s.correction_points]) / slope
    (low, at_low), (high, at_high) = points
    straight = [at + float(np.interp(at, grid, bend)) for at in (at_low, at_high)]
    s.rad_per_count = (high - low) / (straight[1] - straight[0])
    s.zero_counts = straight[0] - low / s.rad_per_count
    for k, counts in enumerate(bend):
        s.correction_rad[k] = float(counts * s.rad_per_count)


def _move_gap(settings: Settings, zero: float, slope: float) -> None:
    """Put the dead gap, and a second wiper, where the calibrated line has them.

    zero, slope: of the line before. The gap begins where the track ends.
    """
    s = settings.sensor
    if s.travel != CONTINUOUS:
        return
    apart = (s.second_zero_counts - zero) * slope
    s.second_zero_counts = s.zero_counts + apart / s.rad_per_count
    margin = s.rail_low_counts * abs(s.rad_per_count)
    end = s.counts_top if s.rad_per_count > 0.0 else 0.0
    s.gap_from_rad = (end - s.zero_counts) * s.rad_per_count - margin
    s.gap_rad = TURN_RAD - s.counts_top * abs(s.rad_per_count) + 2.0 * margin


def _refuse_rails(settings: Settings) -> None:
    """Refuse a calibrated travel whose ends read at a rail: it meets the dead gap."""
    if settings.sensor.travel == 1:
        return
    s, limits = settings.sensor, settings.limits
    for angle in (limits.travel_low_rad, limits.travel_high_rad):
        counts = s.zero_counts + angle / s.rad_per_count
        if not s.rail_low_counts < counts < s.rail_high_counts:
            raise InputError(
                "", "calibration", f"{angle / DEG:.1f} deg",
                f"would read {counts:.0f} counts, outside {s.rail_low_counts} .. "
                f"{s.rail_high_counts}: the travel meets the sensor's dead gap; turn the sensor",
            )  # fmt: skip
