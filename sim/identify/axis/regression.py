"""Linear regression on the inverse dynamic model of one axis.

    drive = inertia * acceleration + viscous * speed + coulomb * sign(speed) + offset
            [+ gravity_sin * sin(angle) + gravity_cos * cos(angle)]

Speed and acceleration are central differences of the smoothed angle (Butterworth,
order 4, forward and backward). Then *every* column, sign(speed) and the drive
included, goes through the same zero-phase filter and is decimated: filtering
only some columns biases the inertia. (Method: M. Gautier, Ph. Poignet, "Extended
Kalman filtering and weighted least squares dynamic identification of robot",
Control Engineering Practice 9 (2001) 1361-1372, sec. 3; W. Khalil, E. Dombre,
"Modeling, Identification and Control of Robots", 2002, ch. 12.) Rows at rest are
left out: friction there is whatever holds. Rows that lie further off than ``HUBER`` robust
sigma count less (P. J. Huber, Ann. Math. Statist. 35 (1964) 73-101). What is left over is
correlated in time: deviations come from blocks of it as clusters (K.-Y. Liang, S. Zeger,
Biometrika 73 (1986) 13-22).
"""

from dataclasses import dataclass, field

import numpy as np

HUBER = 6.0
"""Robust sigma (1.4826 times the median deviation) beyond which a row counts less."""
BLOCKS = 30
"""Blocks of time that are taken for independent of each other."""


@dataclass
class Regression:
    """Parameters in the units of drive over angle units; standard deviations; quality."""

    names: list[str]
    values: np.ndarray
    deviations: np.ndarray
    condition: float
    """Condition number of the scaled regressor; below 100 is wanted (Gautier and Khalil, from memory)."""
    residual_share: float
    """Norm of the residual over norm of the drive."""
    cutoff_Hz: float
    rows: int
    time_s: np.ndarray = field(default_factory=lambda: np.zeros(0))
    measured: np.ndarray = field(default_factory=lambda: np.zeros(0))
    predicted: np.ndarray = field(default_factory=lambda: np.zeros(0))
    covariance: np.ndarray = field(default_factory=lambda: np.zeros((0, 0)))

    def value(self, name: str) -> float:
        """One parameter by name."""
        return float(self.values[self.names.index(name)])

    def deviation(self, name: str) -> float:
        """One standard deviation by name."""
        return float(self.deviations[self.names.index(name)])


def low_pass(values: np.ndarray, rate_Hz: float, cutoff_Hz: float) -> np.ndarray:
    """Zero-phase low-pass of a column, shape (n,)."""
    from scipy.signal import butter, sosfiltfilt

    sos = butter(4, cutoff_Hz, fs=rate_Hz, output="sos")
    return np.asarray(sosfiltfilt(sos, values))


def central_difference(values: np.ndarray, h: float) -> np.ndarray:
    """Central difference of a column with step ``h`` (s); one-sided at the ends."""
    return np.gradient(values, h)


def regress(
    time_s: np.ndarray,
    drive: np.ndarray,
    angle: np.ndarray,
    cutoff_Hz: float | None = None,
    gravity: bool = False,
    rest: float = 0.0,
) -> Regression:
    """Fit the model to a log, shape (n,) each, evenly spaced. Raises ValueError.

    rest: speed at and below which a row is at rest, and tells nothing.

    cutoff_Hz: of the filter; None tries several and takes the one with the least
    relative standard deviations.
    """
    h = float(np.median(np.diff(time_s)))
    rate = 1.0 / h
    if cutoff_Hz is not None:
        return _fit(time_s, drive, angle, rate, cutoff_Hz, gravity, rest)
    best: Regression | None = None
    for share in (0.1, 0.08, 0.06, 0.05, 0.04, 0.03, 0.02, 0.015, 0.01):
        found = _fit(time_s, drive, angle, rate, share * rate, gravity, rest)
        if best is None or _doubt(found) < 0.8 * _doubt(best):
            best = found
    assert best is not None
    return best


def _doubt(found: Regression) -> float:
    """Sum of squared relative standard deviations of inertia, viscous and Coulomb friction."""
    shares = found.deviations[:3] / np.maximum(np.abs(found.values[:3]), 1e-300)
    return float(np.sum(shares**2))


def decimate(values: np.ndarray, factor: int) -> np.ndarray:
    """Zero-phase low-pass (Chebyshev, order 8, 0.05 dB) and every ``factor``-th row."""
    from scipy.signal import cheby1, sosfiltfilt

    if factor <= 1:
        return values
    sos = cheby1(8, 0.05, 0.8 / factor, output="sos")
    return np.asarray(sosfiltfilt(sos, values, axis=0))[::factor]


def _columns(
    angle: np.ndarray, rate: float, cutoff: float, gravity: bool
) -> tuple[np.ndarray, list[str]]:
    """Regressor (n, p) and the names of its columns."""
    smooth = low_pass(angle, rate, cutoff)
    speed = central_difference(smooth, 1.0 / rate)
    acceleration = central_difference(speed, 1.0 / rate)
    columns = [acceleration, speed, np.sign(speed), np.ones_like(speed)]
    names = ["inertia", "viscous", "coulomb", "offset"]
    if gravity:
        columns += [np.sin(smooth), np.cos(smooth)]
        names += ["gravity_sin", "gravity_cos"]
    return np.column_stack(columns), names


def _fit(
    time_s: np.ndarray,
    drive: np.ndarray,
    angle: np.ndarray,
    rate: float,
    cutoff: float,
    gravity: bool,
    rest: float,
) -> Regression:
    if len(time_s) < 50:
        raise ValueError(f"{len(time_s)} samples are too few; at least 50 are needed")
    matrix, names = _columns(angle, rate, cutoff, gravity)
    factor = max(1, round(rate / cutoff))
    matrix, force, at = decimate(matrix, factor), decimate(drive, factor), time_s[::factor]
    inner = slice(1, len(at) - 1)  # the filters' own beginning and end
    matrix, force, at = matrix[inner], force[inner], at[inner]
    count, wanted = matrix.shape
    if count < 4 * wanted:
        raise ValueError("the log is too short for this cut-off: too few rows are left")
    scale = np.sqrt((matrix**2).mean(axis=0))
    if (scale == 0.0).any() or np.ptp(force) == 0.0:
        raise ValueError("drive or angle is constant: nothing can be told from this log")
    scaled = matrix / scale
    weight = (np.abs(matrix[:, 1]) > rest).astype(float)
    if weight.sum() < 4 * wanted:
        raise ValueError("hardly moves: too few rows beyond noise and resolution")
    moves = weight.copy()
    for _ in range(30):
        root = np.sqrt(weight)
        solved, *_ = np.linalg.lstsq(scaled * root[:, None], force * root, rcond=None)
        left = force - scaled @ solved
        own = left[moves > 0.0]
        sigma = 1.4826 * float(np.median(np.abs(own - np.median(own)))) or 1e-300
        new = moves * np.minimum(1.0, HUBER * sigma / np.maximum(np.abs(left), 1e-300))
        if np.abs(new - weight).max() < 1e-6:
            break
        weight = new
    bread = np.linalg.pinv(scaled.T @ (scaled * weight[:, None]))
    scores = scaled * (weight * left)[:, None]
    blocks = np.array([part.sum(axis=0) for part in np.array_split(scores, BLOCKS)])
    covariance = bread @ (blocks.T @ blocks) @ bread * BLOCKS / (BLOCKS - 1)
    return Regression(
        names,
        solved / scale,
        np.sqrt(np.maximum(np.diag(covariance), 0.0)) / scale,
        float(np.linalg.cond(scaled * np.sqrt(moves)[:, None])),
        float(np.linalg.norm(left * moves) / np.linalg.norm(force * moves)),
        cutoff,
        int(moves.sum()),
        at,
        force,
        scaled @ solved,
        covariance / np.outer(scale, scale),
    )
