"""Prediction of an axis from its drive: run forward, begun anew or freely, against what was measured."""

from dataclasses import dataclass

import numpy as np

from sim.identify.axis.axis_fit import (
    NAMES,
    NOTHING,
    AxisFit,
    Problem,
    Stretch,
    Windows,
    settled,
    start_states,
    windows_of,
)
from sim.run import kernels


@dataclass
class Prediction:
    """How well an axis is predicted: error (rms, in units of what was measured), and over its own course."""

    step_rms: float
    """One row ahead."""
    free_rms: float
    """Freely over each stretch of motion, up to ``free_s``."""
    free_share: float
    """The same over the rms of the course, each stretch less its mean."""
    free_s: float
    course: np.ndarray
    """Predicted freely, of every row of the windows."""
    windows: Windows


def follow(whole: np.ndarray, w: Windows, starts: np.ndarray) -> np.ndarray:
    """The course of all windows by the model's six values, in units of what was measured."""
    angles, speeds = np.zeros(len(w.drive)), np.zeros(len(w.drive))
    kernel = kernels.twin().axis_loop.follow_windows
    for h, own in w.groups():
        kernel(whole, w.drive, w.begins[own], w.ends[own], starts[own], h, angles, speeds)
    return speeds if w.is_speed else angles


BEGIN_S = 0.15
"""Of each stretch so much tells where it begins; what follows is predicted."""


def begun(whole: np.ndarray, w: Windows) -> np.ndarray:
    """Angle and speed at the beginning of each window, (windows, 2): the model through its first rows."""
    ends = np.minimum(w.ends, w.begins + np.maximum(8, np.round(BEGIN_S / w.steps).astype(int)))
    short = Windows(w.drive, w.measured, w.begins, ends, w.steps, w.is_speed)
    starts = settled(Problem(short, list(NAMES)), whole, start_states(w))
    free = [1] if w.is_speed else [0, 1]
    reach = np.array([np.ptp(w.measured), max(float(np.abs(starts[:, 1]).max()), 1e-9)]) * 1e-4
    for _ in range(2):
        base = follow(whole, short, starts)
        changed = []
        for j in free:
            other = starts.copy()
            other[:, j] += reach[j]
            changed.append((follow(whole, short, other) - base) / reach[j])
        columns = np.column_stack(changed)
        for k, (a, b) in enumerate(zip(short.begins, short.ends, strict=True)):
            starts[k, free] += np.linalg.lstsq(
                columns[a:b], (w.measured - base)[a:b], rcond=NOTHING
            )[0]
    return starts


def predict(
    found: AxisFit, stretches: list[Stretch], is_speed: bool, longest_s: float = 2.0
) -> Prediction:
    """Predict a log that the fit has not seen. Raises ValueError where nothing moves in it."""
    far = windows_of(stretches, is_speed, longest_s)
    near = windows_of(stretches, is_speed, 12.0 * max(one.h for one in stretches))
    if not len(far.begins):
        raise ValueError("nothing moves in it: there is nothing to predict")
    whole = found.whole()
    course = follow(whole, far, begun(whole, far))
    left = far.measured - course
    level = np.concatenate([far.measured[a:b] - far.measured[a:b].mean()
                            for a, b in zip(far.begins, far.ends, strict=True)])  # fmt: skip
    free = float(np.sqrt(np.mean(left**2)))
    ahead = _one_step(whole, near)
    return Prediction(ahead, free, free / max(float(np.sqrt(np.mean(level**2))), 1e-300),
                      float(np.max((far.ends - far.begins) * far.steps)), course, far)  # fmt: skip


def _one_step(whole: np.ndarray, w: Windows) -> float:
    """Rms of the error one row ahead: from the parabola through the rows before."""
    if not len(w.begins):
        return float("nan")
    left = w.measured - follow(whole, w, start_states(w))
    return float(np.sqrt(np.mean(left[w.begins + 1] ** 2)))
