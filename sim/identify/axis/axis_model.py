"""From logs of one axis to its constants: by free runs, or by a regression where the axis is not the model.

Free runs (``axis_fit.py``) are as good as a log allows while the model holds: what they leave over is the
sensor's noise. Where it is many times that, friction depends on place or load, free runs drift, and the
regression on derivatives (``regression.py``), which forgets at once, is nearer to the truth.
"""

from dataclasses import dataclass, field

import numpy as np

from sim.identify.axis import axis_fit, predict
from sim.identify.axis.axis_fit import AxisFit, Stretch, noise_of, rest_speed
from sim.identify.axis.log import Log
from sim.identify.axis.regression import BLOCKS, Regression, regress

STRUCTURE = 5.0
"""What free runs leave over, over the sensor's noise, beyond which the axis is not the model."""
HELD_OUT = 0.25


@dataclass
class AxisModel:
    """What was found, by which way, and how well it predicts what it has not seen."""

    fit: AxisFit
    how: str
    """"free runs" or "regression"."""
    held_out: predict.Prediction | None
    by: Regression | None = None
    remarks: list[str] = field(default_factory=list)


def model_of(logs: list[Log], gravity: bool = False, cutoff_Hz: float | None = None) -> AxisModel:
    """Fit logs of one rig together. Raises ValueError where they tell nothing."""
    is_speed = logs[0].is_speed
    if any((one.is_speed, one.drive_unit, one.motion_unit) != (is_speed, logs[0].drive_unit, logs[0].motion_unit)
           for one in logs):  # fmt: skip
        raise ValueError("the logs are not in the same units: one rig, one kind of log")
    stretches = [piece for log in logs for piece in log.pieces]
    fit, how, by = _fit(stretches, is_speed, gravity, cutoff_Hz)
    held = None
    seen, unseen = zip(*(_parted(one) for one in stretches), strict=True)
    try:
        early = _fit(list(seen), is_speed, gravity, cutoff_Hz)[0]
        held = predict.predict(early, list(unseen), is_speed)
    except ValueError:
        fit.remarks.append("too short to hold a part of it out")
    return AxisModel(fit, how, held, by, fit.remarks)


def _parted(one: Stretch) -> tuple[Stretch, Stretch]:
    at = round((1.0 - HELD_OUT) * len(one.drive))
    return (
        Stretch(one.h, one.drive[:at], one.measured[:at]),
        Stretch(one.h, one.drive[at:], one.measured[at:]),
    )


def _fit(
    stretches: list[Stretch], is_speed: bool, gravity: bool, cutoff_Hz: float | None
) -> tuple[AxisFit, str, Regression | None]:
    found = axis_fit.fit_axis(stretches, is_speed, gravity)
    noise = max(noise_of(one.measured) for one in stretches)
    if found.noise <= STRUCTURE * noise and cutoff_Hz is None:
        return found, "free runs", None
    longest = max(stretches, key=lambda one: len(one.drive))
    if is_speed or "offset" not in found.names or len(longest.drive) < 500:
        found.remarks.append(f"what is left over is {found.noise / noise:.0f} times the sensor's noise: friction that "
                             "depends on place, load or time is no part of the model")  # fmt: skip
        return found, "free runs", None
    t = longest.h * np.arange(len(longest.drive))
    by = regress(t, longest.drive, longest.measured, cutoff_Hz, gravity, rest_speed(longest, False))
    made = AxisFit(by.names, by.values, by.covariance, BLOCKS, by.rows, found.noise, found.share,
                   [f"free runs leave {found.noise / noise:.0f} times the sensor's noise over: friction depends on "
                    "place, load or time; by regression"])  # fmt: skip
    axis_fit.judge(made)
    if len(stretches) > 1:
        made.remarks.append("of several pieces the longest is used")
    return made, "regression", by


def band_of(found: AxisFit, shown: predict.Prediction, draws: int = 40) -> np.ndarray:
    """Lowest and highest course over draws of the constants (95 %), shape (2, rows of the windows)."""
    rng = np.random.default_rng(1)
    values, vectors = np.linalg.eigh(found.covariance)
    courses = []
    starts = predict.begun(found.whole(), shown.windows)
    for _ in range(draws):
        away = vectors @ (np.sqrt(np.maximum(values, 0.0)) * rng.normal(size=len(values)))
        drawn = found.values + away
        drawn[0] = max(drawn[0], 0.1 * found.values[0])
        other = AxisFit(found.names, drawn, found.covariance, found.windows, 0, 0.0, 0.0)
        courses.append(predict.follow(other.whole(), shown.windows, starts))
    return np.percentile(courses, (2.5, 97.5), axis=0)
