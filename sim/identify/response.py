"""Frequency response of a joint from a recording's multisine: measured, simulated, linear.

Closed loop or not, angle over drive at a tone of the multisine is the plant's response where
the tone is far above the noise (P. Wellstead, "Non-parametric methods of system
identification", Automatica 17 (1981) 55-69, sec. 3). Friction makes it depend on the size of
the motion: the simulation has it, the linear model has not.
"""

from dataclasses import dataclass
from math import pi

import numpy as np

from sim.identify.excite import TONES_HZ
from sim.joint.part import Part
from sim.tune import margins


@dataclass
class Response:
    """Complex responses (rad/V) at ``hertz``, shape (tones,)."""

    hertz: np.ndarray
    measured: np.ndarray
    simulated: np.ndarray
    smooth_Hz: np.ndarray
    smooth: np.ndarray
    """The linear model on a fine grid."""


def tones(time_s: np.ndarray, values: np.ndarray) -> np.ndarray:
    """Complex amplitudes at the tones of the multisine, by least squares, shape (tones,)."""
    t = time_s - time_s[0]
    columns = [np.ones_like(t), t]
    for hertz in TONES_HZ:
        columns += [np.cos(2.0 * pi * hertz * t), np.sin(2.0 * pi * hertz * t)]
    solved, *_ = np.linalg.lstsq(np.column_stack(columns), values, rcond=None)
    return np.asarray(solved[2::2] - 1j * solved[3::2])


def response(
    part: Part,
    tick_s: float,
    delay_s: float,
    time_s: np.ndarray,
    measured: tuple[np.ndarray, np.ndarray],
    simulated: tuple[np.ndarray, np.ndarray],
) -> Response:
    """Responses from (drive V, angle rad) pairs over the multisine's stretch, shape (n,) each.

    The linear model (by python-control) is of ``part``.
    """
    import control

    found = [tones(time_s, angle) / tones(time_s, volt) for volt, angle in (measured, simulated)]
    grid = np.geomspace(0.3, 8.0, 60)
    a, b, c = margins.sampled(part, tick_s, delay_s)
    system = control.ss(a, b, c, np.zeros((1, 1)), tick_s)
    smooth = control.frequency_response(system, 2.0 * pi * grid)
    return Response(np.array(TONES_HZ), found[0], found[1], grid,
                    np.asarray(smooth.frdata).reshape(-1))  # fmt: skip
