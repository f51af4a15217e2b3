"""Prediction of an axis from its drive: the model of ``regression.py`` run forward."""

import numpy as np


def predict(
    time_s: np.ndarray,
    drive: np.ndarray,
    angle: np.ndarray,
    values: np.ndarray,
    window_s: float,
) -> np.ndarray:
    """Angle over a log, begun anew from the measured state every ``window_s``, shape (n,).

    values: inertia, viscous, coulomb, offset. Semi-implicit Euler with a tenth of the
    log's step; dry friction stops the axis, it never drives it. All windows run at once.
    """
    h = float(np.median(np.diff(time_s)))
    count = max(1, round(window_s / h))
    speed = np.gradient(angle, h)
    starts = np.arange(0, len(angle) - count, count)
    x, v = angle[starts].copy(), speed[starts].copy()
    inertia, viscous, coulomb, offset = values[:4]
    made = angle.copy()
    small = h / 10.0
    for k in range(count):
        push = drive[starts + k] - offset
        for _ in range(10):
            momentum = inertia * v + small * (push - viscous * v)
            momentum = np.sign(momentum) * np.maximum(np.abs(momentum) - small * coulomb, 0.0)
            v = momentum / inertia
            x = x + small * v
        made[starts + k + 1] = x
    return made
