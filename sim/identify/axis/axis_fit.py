"""Constants of one axis by its free run: what a log tells of inertia, friction and offset, and what it cannot.

The axis is run forward from its drive (``sim/model/axis_loop.py``), window by window over the stretches in
which it moves, and held against what was measured: noise then stays noise, where a regression on derivatives
turns it into bias (output error against equation error: L. Ljung, "System Identification", 2nd ed. 1999,
sec. 3.2 and 7.4). Each window begins anew at its own angle and speed, which are solved for with the rest
(variable projection: G. Golub, V. Pereyra, SIAM J. Numer. Anal. 10 (1973) 413-432). What is left over is
correlated within a window, so that deviations come from windows as clusters (K.-Y. Liang, S. Zeger,
Biometrika 73 (1986) 13-22; the G/(G-1) correction and Student's t with G-1 degrees: common practice, as in
A. C. Cameron, D. L. Miller, J. Human Resources 50 (2015) 317-372).
"""

import itertools
from dataclasses import dataclass, field

import numpy as np

from sim.run import kernels

NAMES = ("inertia", "viscous", "coulomb", "offset", "gravity_sin", "gravity_cos")
MOVING_S = 0.02
"""Speeds are judged over so long."""
TOLD = 0.25
"""Relative deviation above which a term is not told by the log."""
ALIKE = 0.995
"""Correlation above which two terms cannot be told apart."""
NOTHING = 1e-4
"""Below this share of the other a window's start cannot be told: at rest its speed changes nothing."""
PHASES = 40
"""At which the sensor's steps are tried."""
HUBER = 3.0
"""Robust deviations beyond which a row counts less (P. J. Huber, Ann. Math. Statist. 35 (1964) 73-101)."""


@dataclass
class Stretch:
    """Rows of a log without a gap: time step (s), drive, what was measured, shape (n,)."""

    h: float
    drive: np.ndarray
    measured: np.ndarray


@dataclass
class AxisFit:
    """Constants with deviations; what could not be told apart; what the fit leaves over."""

    names: list[str]
    values: np.ndarray
    covariance: np.ndarray
    windows: int
    rows: int
    noise: float
    """Root mean square of what is left over, in units of what was measured."""
    share: float
    """The same over the root mean square of what was measured, window by window less its mean."""
    remarks: list[str] = field(default_factory=list)
    untold: list[str] = field(default_factory=list)

    @property
    def deviations(self) -> np.ndarray:
        """Standard deviations."""
        return np.sqrt(np.maximum(np.diag(self.covariance), 0.0))

    @property
    def factor(self) -> float:
        """Deviations to the end of a 95 % interval: Student's t by the number of windows."""
        from scipy.stats import t

        return float(t.ppf(0.975, max(self.windows - 1, 2)))

    def value(self, name: str) -> float:
        """A constant by name; 0 where it is none of the model."""
        return float(self.values[self.names.index(name)]) if name in self.names else 0.0

    def whole(self) -> np.ndarray:
        """All six values of the model, shape (6,)."""
        return np.array([self.value(name) for name in NAMES])


# --- what the log holds


def slope(values: np.ndarray, h: float, span_s: float = MOVING_S) -> np.ndarray:
    """Derivative by straight lines over ``span_s``, shape (n,)."""
    from scipy.signal import savgol_filter

    width = min(max(5, 2 * round(0.5 * span_s / h) + 1), len(values) - (1 - len(values) % 2))
    return np.asarray(savgol_filter(values, width, 1, deriv=1, delta=h))


def resolution_of(values: np.ndarray) -> float:
    """Least step that occurs between rows; 0 where nothing is quantised (a step is as good as any other)."""
    steps = np.abs(np.diff(values))
    steps = steps[steps > 1e-12 * max(float(np.abs(values).max()), 1e-300)]
    if len(steps) < 10:
        return 0.0
    least = float(steps.min())
    whole = np.abs(steps / least - np.round(steps / least))  # of a step anywhere up to a half
    return least if np.percentile(whole, 90) < 0.05 else 0.0


def noise_of(values: np.ndarray) -> float:
    """Noise of a column (one deviation): of third differences, at least that of its resolution."""
    third = np.diff(values, 3)
    rough = 1.4826 * float(np.median(np.abs(third - np.median(third)))) / 20.0**0.5
    return max(rough, resolution_of(values) / 12.0**0.5)


def span_of(stretch: Stretch) -> float:
    """Over how long (s) speeds are judged: ``MOVING_S``, or more where noise would hide a twentieth of the fastest."""
    noise = noise_of(stretch.measured)
    for times in (1.0, 2.5, 5.0, 10.0):
        span = times * MOVING_S
        fastest = float(np.abs(slope(stretch.measured, stretch.h, span)).max())
        if 5.0 * _speed_noise(noise, stretch.h, span) < 0.05 * fastest:
            break
    return span


def _speed_noise(noise: float, h: float, span_s: float) -> float:
    """Deviation of a slope over ``span_s`` (straight line through its rows)."""
    return noise * (12.0 / max(span_s / h, 2.0)) ** 0.5 / span_s


def rest_speed(stretch: Stretch, is_speed: bool) -> float:
    """Speed below which nothing can be said to move: from noise and resolution."""
    noise = noise_of(stretch.measured)
    if is_speed:
        return 4.0 * noise
    span = span_of(stretch)
    return max(
        5.0 * _speed_noise(noise, stretch.h, span), 2.0 * resolution_of(stretch.measured) / span
    )


def speed_of(stretch: Stretch, is_speed: bool) -> np.ndarray:
    """Speed as measured, or as slope of the angle, shape (n,)."""
    return stretch.measured if is_speed else slope(stretch.measured, stretch.h, span_of(stretch))


def moving(stretch: Stretch, is_speed: bool) -> np.ndarray:
    """Which rows move, reversals included, shape (n,)."""
    found = np.abs(speed_of(stretch, is_speed)) > rest_speed(stretch, is_speed)
    span = MOVING_S if is_speed else span_of(stretch)
    return _closed(found, max(1, round(2.0 * span / stretch.h)))


def _closed(found: np.ndarray, least: int) -> np.ndarray:
    """Pauses shorter than ``least`` rows filled, then moves shorter than twice that dropped."""
    made = found.copy()
    for begin, end in _runs(~made):
        if end - begin < least and begin > 0 and end < len(made):
            made[begin:end] = True
    for begin, end in _runs(made):
        if end - begin < 2 * least:
            made[begin:end] = False
    return made


def _runs(found: np.ndarray) -> list[tuple[int, int]]:
    edges = np.flatnonzero(np.diff(np.concatenate(([0], found.astype(np.int8), [0]))))
    return [(int(a), int(b)) for a, b in edges.reshape(-1, 2)]


# --- windows


@dataclass
class Windows:
    """Rows of all stretches in one line, and where the windows begin and end in it."""

    drive: np.ndarray
    measured: np.ndarray
    begins: np.ndarray
    ends: np.ndarray
    steps: np.ndarray
    """Time step (s) of each window."""
    is_speed: bool

    def means(self, column: np.ndarray) -> np.ndarray:
        """Mean of a column over each window, shape (windows,)."""
        whole = np.concatenate(([0.0], np.cumsum(column)))
        return (whole[self.ends] - whole[self.begins]) / (self.ends - self.begins)

    def groups(self) -> list[tuple[float, np.ndarray]]:
        """Windows of one time step each."""
        return [(float(h), np.flatnonzero(self.steps == h)) for h in np.unique(self.steps)]


def windows_of(stretches: list[Stretch], is_speed: bool, longest_s: float | None = None) -> Windows:
    """Windows over all that moves: so long that there are some thirty, 0.25 s to 2 s."""
    pieces = [(one, run) for one in stretches for run in _runs(moving(one, is_speed))]
    whole = sum((b - a) * one.h for one, (a, b) in pieces)
    length = longest_s or min(max(whole / 30.0, 0.25), 2.0)
    drive, measured, begins, ends, steps = [], [], [], [], []
    at = 0
    for one, (first, last) in pieces:
        parts = max(1, round((last - first) * one.h / length))
        edges = np.linspace(first, last, parts + 1).astype(int)
        for a, b in itertools.pairwise(edges):
            if b - a < 8:
                continue
            drive.append(one.drive[a:b])
            measured.append(one.measured[a:b])
            begins.append(at)
            at += b - a
            ends.append(at)
            steps.append(one.h)
    join = np.concatenate if drive else (lambda _: np.zeros(0))
    return Windows(join(drive), join(measured), np.array(begins, int), np.array(ends, int),
                   np.array(steps), is_speed)  # fmt: skip


def start_states(w: Windows) -> np.ndarray:
    """Angle and speed at the beginning of each window, as measured: a parabola through its first rows."""
    made = np.zeros((len(w.begins), 2))
    for k, (a, b) in enumerate(zip(w.begins, w.ends, strict=True)):
        count = min(b - a, max(8, round(2.0 * MOVING_S / w.steps[k])))
        t = w.steps[k] * np.arange(count)
        fit = np.polyfit(t, w.measured[a : a + count], min(2, count - 1))[::-1]
        made[k] = (0.0, fit[0]) if w.is_speed else (fit[0], fit[1])
    return made


# --- the fit


class Problem:
    """Free runs of all windows against what was measured."""

    def __init__(self, w: Windows, names: list[str]) -> None:
        self.w, self.names = w, names
        self.kernel = kernels.twin().axis_loop.follow_windows
        self.angles, self.speeds = np.zeros(len(w.drive)), np.zeros(len(w.drive))

    def left(self, values: np.ndarray, starts: np.ndarray) -> np.ndarray:
        """Measured less run, shape (rows,)."""
        whole = np.zeros(6)
        for name, value in zip(self.names, values, strict=True):
            whole[NAMES.index(name)] = value
        w = self.w
        for h, own in w.groups():
            self.kernel(
                whole, w.drive, w.begins[own], w.ends[own], starts[own], h, self.angles, self.speeds
            )
        return w.measured - (self.speeds if w.is_speed else self.angles)

    def slopes(self, values: np.ndarray, starts: np.ndarray, left: np.ndarray, scale: np.ndarray
               ) -> tuple[np.ndarray, np.ndarray]:  # fmt: skip
        """Change of the run with each constant (rows, p), and with each window's start (rows, 2 or 1)."""
        shared = np.empty((len(left), len(values)))
        for k in range(len(values)):
            moved = values.copy()
            moved[k] += scale[k]
            shared[:, k] = (left - self.left(moved, starts)) / scale[k]
        own = np.empty((len(left), 1 if self.w.is_speed else 2))
        reach = max(float(np.ptp(self.w.measured)), 1e-12)
        for j in range(own.shape[1]):
            moved = starts.copy()
            column = 1 if self.w.is_speed else j
            delta = 1e-4 * (
                reach
                if column == 0 or self.w.is_speed
                else max(float(np.abs(starts[:, 1]).max()), 1e-9)
            )
            moved[:, column] += delta
            own[:, j] = (left - self.left(values, moved)) / delta
        return shared, own


def settled(problem: Problem, values: np.ndarray, starts: np.ndarray) -> np.ndarray:
    """Starts, or those at rest, or those as measured, or others: whichever is nearest to what was measured.

    A run that stands gives no slope to go by: where it should not, or should, no small step tells. Where a
    window is far off for all that, speeds are tried on a grid.
    """
    w = problem.w
    rough = start_states(w)
    still = rough.copy()
    still[:, 1] = 0.0
    if not w.is_speed:
        still[:, 0] = [float(np.median(w.measured[a : a + 3])) for a in w.begins]
    best, cost = starts, _costs(problem, values, starts)
    for one in (still, rough):
        best, cost = _nearer(problem, values, (best, cost), one)
    if not w.is_speed and (cost > FAR * np.median(cost)).any():
        most = 1.5 * float(np.abs(rough[:, 1]).max())
        for share in GRID:
            other = rough.copy()
            other[:, 1] = share * most
            lefts = problem.left(values, other)
            other[:, 0] += w.means(lefts)
            best, cost = _nearer(problem, values, (best, cost), other)
    return best


FAR = 9.0
"""A window that is left with so many times the usual mean square is far off."""
GRID = tuple(sign * 0.5**k for k in range(9) for sign in (1.0, -1.0))


def _costs(problem: Problem, values: np.ndarray, starts: np.ndarray) -> np.ndarray:
    return problem.w.means(problem.left(values, starts) ** 2)


def _nearer(
    problem: Problem, values: np.ndarray, best: tuple[np.ndarray, np.ndarray], other: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Window by window the better of two starts, and its cost; where they are alike, the first."""
    starts, cost = best
    new = _costs(problem, values, other)
    take = new * (1.0 + 1e-9) < cost
    return np.where(take[:, None], other, starts), np.where(take, new, cost)


def weights_of(left: np.ndarray) -> np.ndarray:
    """Square roots of Huber's weights, shape (rows,)."""
    sigma = max(1.4826 * float(np.median(np.abs(left - np.median(left)))), 1e-300)
    return np.sqrt(np.minimum(1.0, HUBER * sigma / np.maximum(np.abs(left), 1e-300)))


@dataclass
class _Normal:
    """Normal equations of one step: the constants alone, each window's start projected out."""

    matrix: np.ndarray
    right: np.ndarray
    scores: np.ndarray
    """Each window's share of ``right``, (windows, p)."""
    solve: list[tuple[np.ndarray, np.ndarray]]
    columns: np.ndarray
    """The constants' columns less what a window's start can do, weighed, (rows, p)."""


def normal(
    w: Windows, left: np.ndarray, shared: np.ndarray, own: np.ndarray, weight: np.ndarray
) -> _Normal:
    """Project each window's start out of the constants' columns."""
    count = shared.shape[1]
    matrix, scores, solve = np.zeros((count, count)), np.zeros((len(w.begins), count)), []
    columns = np.zeros_like(shared)
    for k, (a, b) in enumerate(zip(w.begins, w.ends, strict=True)):
        s = weight[a:b, None]
        big, small, rest = shared[a:b] * s, own[a:b] * s, left[a:b] * s[:, 0]
        q, r = np.linalg.qr(small)
        q = q[:, np.abs(np.diag(r)) > NOTHING * max(float(np.abs(r).max()), 1e-300)]
        solve.append((np.linalg.pinv(small, rcond=NOTHING), big))
        big = big - q @ (q.T @ big)
        columns[a:b] = big * s
        matrix += big.T @ big
        scores[k] = big.T @ (rest - q @ (q.T @ rest))
    return _Normal(matrix, scores.sum(axis=0), scores, solve, columns)


def shifts_by_steps(
    w: Windows, left: np.ndarray, found: _Normal, bread: np.ndarray, step: float
) -> np.ndarray:
    """What the sensor's steps alone do to the constants, whatever their phase: (draws, p).

    Steps are no noise where a motion repeats itself: the same error comes again, and windows are not
    independent of each other. The model's own course is quantised at drawn phases.
    """
    course = w.measured - left
    phases = step * (np.arange(PHASES) + 0.5) / PHASES
    errors = [np.round((course + one) / step) * step - one - course for one in phases]
    return np.array([bread @ (found.columns.T @ one) for one in errors])


MOST_STEPS = 40


def solve(
    w: Windows, names: list[str], values: np.ndarray, starts: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray, _Normal]:
    """Levenberg-Marquardt on constants and starts; (values, starts, left, the last normal equations)."""
    problem = Problem(w, names)
    scale = np.maximum(np.abs(values), 1e-3 * np.abs(values).max())
    starts = settled(problem, values, starts)
    left = problem.left(values, starts)
    damping = 1e-3
    found: _Normal | None = None
    for _ in range(MOST_STEPS):
        weight = weights_of(left)
        shared, own = problem.slopes(values, starts, left, 1e-5 * scale)
        found = normal(w, left, shared, own, weight)
        cost = float(((left * weight) ** 2).sum())
        better = False
        for _ in range(10):
            size = np.sqrt(np.maximum(np.diag(found.matrix), 1e-300))
            scaled = found.matrix / np.outer(size, size) + damping * np.eye(len(values))
            change = np.linalg.lstsq(scaled, found.right / size, rcond=1e-12)[0] / size
            trial = values + change
            if trial[0] <= 0.0 or (len(trial) > 1 and trial[1] < -0.5 * abs(values[1])):
                damping = max(10.0 * damping, 1e-3)
                continue
            begun = starts.copy()
            for k, (inverse, big) in enumerate(found.solve):
                a, b = w.begins[k], w.ends[k]
                move = inverse @ ((left[a:b] * weight[a:b]) - big @ change)
                if w.is_speed:
                    begun[k, 1] += move[0]
                else:
                    begun[k] += move
            new = problem.left(trial, begun)
            if float(((new * weight) ** 2).sum()) <= cost:
                better = True
                break
            damping = max(10.0 * damping, 1e-6)
        if not better:
            other = settled(problem, values, starts)
            if (other == starts).all():
                break
            starts, left = other, problem.left(values, other)
            continue
        small = float(np.max(np.abs(trial - values) / np.maximum(np.abs(scale), 1e-300)))
        values, starts, left = trial, begun, new
        damping = max(0.2 * damping, 1e-9)
        other = settled(problem, values, starts)
        if (other != starts).any():
            starts, left = other, problem.left(values, other)
        elif small < 1e-7:
            break
    assert found is not None
    weight = weights_of(left)
    shared, own = problem.slopes(values, starts, left, 1e-5 * scale)
    return values, starts, left, normal(w, left, shared, own, weight)


INERTIAS = (1.0, 2.0, 4.0, 0.5)
"""Times the first guess: smoothing eats acceleration, and a bad inertia can end in a valley beside the true one."""
GOOD = 2.0


def best_of_starts(
    w: Windows, names: list[str], first: np.ndarray, stretches: list[Stretch]
) -> tuple[np.ndarray, np.ndarray, _Normal]:
    """Solve from several inertias until what is left over is the sensor's noise; the best otherwise."""
    noise = max(noise_of(one.measured) for one in stretches)
    best = None
    for factor in INERTIAS:
        values = first.copy()
        values[0] *= factor
        values, _, left, found = solve(w, names, values, start_states(w))
        cost = float(np.mean(left**2)) ** 0.5
        if best is None or cost < best[0]:
            best = cost, values, left, found
        if cost <= GOOD * noise:
            break
    assert best is not None
    return best[1:]


def first_values(stretches: list[Stretch], is_speed: bool, names: list[str]) -> np.ndarray:
    """Where the fit begins: a regression on smoothed derivatives over the rows that move."""
    columns, force = [], []
    for one in stretches:
        keep = moving(one, is_speed)
        speed = speed_of(one, is_speed)
        gain = slope(speed, one.h, MOVING_S if is_speed else span_of(one))
        angle = np.cumsum(speed) * one.h if is_speed else one.measured
        every = {"inertia": gain, "viscous": speed, "coulomb": np.sign(speed), "offset": np.ones_like(speed),
                 "gravity_sin": np.sin(angle), "gravity_cos": np.cos(angle)}  # fmt: skip
        columns.append(np.column_stack([every[name][keep] for name in names]))
        force.append(one.drive[keep])
    matrix, right = np.concatenate(columns), np.concatenate(force)
    size = np.sqrt((matrix**2).mean(axis=0)) + 1e-300
    found = np.linalg.lstsq(matrix / size, right, rcond=1e-6)[0] / size
    top = float(np.abs(right).max())
    found[0] = (
        found[0] if found[0] > 0.0 else 0.05 * top / max(float(np.abs(matrix[:, 0]).max()), 1e-300)
    )
    if found[1] <= 0.0:
        found[1] = 0.05 * top / max(float(np.abs(matrix[:, 1]).max()), 1e-300)
    if "coulomb" in names:
        found[names.index("coulomb")] = max(found[names.index("coulomb")], 0.02 * top)
    return found


def fit_axis(stretches: list[Stretch], is_speed: bool = False, gravity: bool = False) -> AxisFit:
    """Fit an axis to what was measured of it (angle, or speed). Raises ValueError where nothing moves."""
    remarks: list[str] = []
    w = windows_of(stretches, is_speed)
    if len(w.begins) < 3:
        raise ValueError(
            "hardly moves: fewer than three stretches of motion beyond noise and resolution"
        )
    names = ["inertia", "viscous", "coulomb", "offset"] + (
        ["gravity_sin", "gravity_cos"] if gravity else []
    )
    ways = [np.sign(slope(one.measured, one.h) if not is_speed else one.measured)[moving(one, is_speed)]
            for one in stretches]  # fmt: skip
    ahead = float(np.mean(np.concatenate(ways) > 0.0))
    if min(ahead, 1.0 - ahead) < 0.02:
        names.remove("offset")
        remarks.append(
            "it moves one way only: offset and Coulomb friction are one number here; move it both ways"
        )
    values, left, found = best_of_starts(
        w, names, first_values(stretches, is_speed, names), stretches
    )
    bread = np.linalg.pinv(found.matrix, rcond=1e-14, hermitian=True)
    count = len(w.begins)
    centred = found.scores - found.scores.mean(axis=0)
    meat = centred.T @ centred * count / max(count - 1, 1)
    covariance = bread @ meat @ bread
    plain = float((left**2).sum() / max(len(left) - len(values) - 2 * count, 1))
    floor = bread * plain  # a handful of windows can look too much alike by chance
    grow = np.maximum(np.diag(floor), np.diag(covariance)) / np.maximum(np.diag(covariance), 1e-300)
    covariance = covariance * np.sqrt(np.outer(grow, grow))
    step = max(resolution_of(one.measured) for one in stretches)
    if step > 0.0:
        shifts = shifts_by_steps(w, left, found, bread, step)
        covariance = covariance + shifts.T @ shifts / len(shifts)
    level = np.concatenate(
        [w.measured[a:b] - w.measured[a:b].mean() for a, b in zip(w.begins, w.ends, strict=True)]
    )
    made = AxisFit(names, values, covariance, count, len(left), float(np.sqrt(np.mean(left**2))),
                   float(np.sqrt(np.mean(left**2)) / max(float(np.sqrt(np.mean(level**2))), 1e-300)), remarks)  # fmt: skip
    judge(made)
    return made


WHAT = {
    "inertia": "quick changes of the drive (steps, a chirp)", "viscous": "different speeds, the fastest too",
    "coulomb": "slow motion and reversals", "offset": "motion both ways",
    "gravity_sin": "the whole range of angles", "gravity_cos": "the whole range of angles",
}  # fmt: skip
"""What a log needs to tell a constant."""


def judge(found: AxisFit) -> None:
    """Say which constants the log does not tell, and which it cannot tell apart."""
    for name, value, deviation in zip(found.names, found.values, found.deviations, strict=True):
        if name in ("inertia", "viscous", "coulomb") and deviation * found.factor > TOLD * abs(
            value
        ):
            found.untold.append(name)
            found.remarks.append(f"{name} is not told by this log; record {WHAT[name]}")
    size = np.maximum(found.deviations, 1e-300)
    alike = found.covariance / np.outer(size, size)
    for j in range(len(found.names)):
        for k in range(j):
            if abs(alike[j, k]) > ALIKE:
                found.remarks.append(f"{found.names[k]} and {found.names[j]} cannot be told apart: record "
                                     f"{WHAT[found.names[j]]}")  # fmt: skip
