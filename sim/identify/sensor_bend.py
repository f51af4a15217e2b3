"""A sensor's linearity error as a recording tells it: its shape over the angle, and what a calibration makes of it."""

import numpy as np

from controller.joint.settings.settings import CORRECTION_POINTS
from sim.joint.calibration import SensorCalibration, fit_sensor
from sim.joint.part import Potentiometer
from sim.run.closed_loop import Joint

POINTS = min(9, CORRECTION_POINTS)


def bends_of(joint: Joint, angle_rad: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """What linearity errors of one, even and odd, add to measured angles (n,): the shapes of
    sim/model/sensor.py, in rad of the joint. Where two angles were calibrated, a line through them is
    taken off: it is in the calibration already.
    """  # fmt: skip
    made, calibration = [], joint.file.calibration
    for even, odd in ((1.0, 0.0), (0.0, 1.0)):
        bend = _bend(joint.part.sensor, angle_rad, even, odd)
        if calibration is not None and len(calibration.points) > 1:
            ends = np.array([calibration.points[0][0], calibration.points[-1][0]])
            at = _bend(joint.part.sensor, ends, even, odd)
            bend = bend - (at[0] + (angle_rad - ends[0]) * (at[1] - at[0]) / (ends[1] - ends[0]))
        made.append(bend)
    return made[0], made[1]


def _bend(sensor: Potentiometer, angle_rad: np.ndarray, even: float, odd: float) -> np.ndarray:
    x = sensor.zero_fraction + sensor.sign * angle_rad / sensor.electrical_rad
    x = np.clip(x - np.floor(x) if sensor.turning == 1 else x, 0.0, 1.0)
    rest = x * (1.0 - x)
    shape = 4.0 * even * rest + 20.785 * odd * rest * (0.5 - x)
    return sensor.sign * sensor.electrical_rad * shape


def calibration_with(joint: Joint, even: float, odd: float) -> SensorCalibration:
    """The joint's calibration with a bend taken off (shares of full scale): points over its travel. Raises InputError."""
    s, limits = joint.settings.sensor, joint.settings.limits
    ends = [s.zero_counts + one / s.rad_per_count
            for one in (limits.travel_low_rad, limits.travel_high_rad)]  # fmt: skip
    counts = np.linspace(min(ends), max(ends), POINTS)
    angle = (counts - s.zero_counts) * s.rad_per_count
    if s.correction_points:
        grid = np.linspace(0.0, s.counts_top, s.correction_points)
        angle = angle + np.interp(counts, grid, s.correction_rad[: s.correction_points])
    bends = bends_of(joint, angle)
    true = angle - even * bends[0] - odd * bends[1]
    noise = joint.part.sensor.noise_counts
    return fit_sensor([(float(a), float(c)) for a, c in zip(true, counts, strict=True)], noise)
