"""A joint's constants from its own recording.

The plant is driven by the recorded voltage and held to the recorded angle by a
weak observer (``sim/model/observer_loop.py``). What a candidate leaves over, low-passed and
thinned, is noise if the candidate is right. Unknown are the entries of the part
spread, known beforehand as far as the spread says (A. Tarantola, "Inverse Problem
Theory", 2005, sec. 3.2).

Friction and backlash make what is left over rough: a descent ends in one of many
small valleys, and its Jacobian there tells of that valley only (tried: intervals
three to four times too narrow). So a cloud of candidates is drawn instead, and the
numbers are regressed on what each leaves over, its own draw of the sensor's noise
added: read at "nothing left over" this is the estimate, and the regression's
prediction covariance holds noise, roughness and ignorance together (regression
adjustment: M. Beaumont, W. Zhang, D. Balding, Genetics 162 (2002) 2025-2035). The
cloud is drawn anew from the result, a little wider, and its shape divided out again
(G. Papamakarios, I. Murray, "Fast epsilon-free inference", 2016, sec. 2), until it
is small enough for straight lines.
"""

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from math import pi, sqrt

import numpy as np

from sim.identify.regression import low_pass
from sim.identify.space import DELAY, ROOM_K, WINDING, Axis, axes_of, part_of, recording_axes
from sim.joint.identified import Known
from sim.joint.part import DIRECT, Part
from sim.joint.physics import drum_per_joint
from sim.joint.spread import substeps_for
from sim.model.observer_loop import Course
from sim.model.start import start_plant
from sim.run import kernels, replay
from sim.run.closed_loop import Joint

CUTOFF_HZ = 20.0
ROUNDS = ((5.0, 12.0, 112), (4.0, 12.0, 112), (3.0, 12.0, 112), (2.0, 12.0, 144), (2.0, 24.0, 160),
          (2.0, 36.0, 160))  # fmt: skip
"""How firmly the plant is held to the log in each round (Hz): firmly first, while candidates are far
off; how much of the log is looked at (s); how many candidates are drawn."""
PIECE_S = 3.0
"""Length of the pieces, spread evenly, that stand for a log too long for an early round."""
SKIP_S = 0.4
"""Beginning of a piece that is left out: the observer settles."""
LONGEST_S = 2e-4
SCORES = 40
"""Principal components of what is left over that the numbers are regressed on."""
WIDER, LEAST = 1.5, 0.02
"""A new cloud's deviation over that of the last result, and its least, in deviations of the prior."""
FURTHEST = 3.5
"""No number is taken further off than so many deviations of the prior."""
EDGE, WIDENED, MOST_RAW = 2.5, 2.0, 4.9
"""A result beyond EDGE deviations is at the edge of that box: its prior is taken WIDENED times as wide
and all is fitted again, as far as a joint file can keep the number (sim/joint/identified.py: 5)."""
OUTSIDE = 2.0
"""Ends of the spread in deviations: an interval beyond lies outside what the spread allows."""
DRAWS = 300
UNTOLD = 0.75
"""A deviation above this share of the prior's: the log tells nothing of that number."""

Listener = Callable[[int, int, float], None]


@dataclass
class Fit:
    """What a log says of a joint. z: standard numbers, shape (axes,); covariance beside."""

    joint: Joint
    axes: list[Axis]
    z: np.ndarray
    covariance: np.ndarray
    part: Part
    fit: float
    """Share of the measured angle's course that the fitted simulation explains."""
    held_out_fit: float
    """The same on the last fifth of the log, which took no part in the fit."""
    delay_s: tuple[float, float] = (0.0, 0.0)
    """From reading to drive in this recording, and its deviation (s)."""
    winding_C: tuple[float, float] = (25.0, 0.0)
    """Winding when it began, and its deviation (degC)."""
    spread: list[Axis] = field(default_factory=list)
    """The axes as the spread has them; ``axes`` are wider where the answer lay at the edge."""
    remarks: list[str] = field(default_factory=list)
    drawn: list[Part] = field(default_factory=list, repr=False)
    """Parts drawn from the fit, for `combination`."""

    def deviation(self, name: str) -> float:
        """Deviation of one number, in deviations of its prior."""
        k = self.index(name)
        return float(sqrt(self.covariance[k, k]))

    def index(self, name: str) -> int:
        """Place of a number by name."""
        return [axis.name for axis in self.axes].index(name)

    def interval(self, name: str, sigmas: float = 1.96) -> tuple[float, float, float]:
        """Low, middle and high of one number (factor or value)."""
        k = self.index(name)
        axis, d = self.axes[k], self.deviation(name)
        return (axis.value(self.z[k] - sigmas * d), axis.value(self.z[k]),
                axis.value(self.z[k] + sigmas * d))  # fmt: skip

    def known(self) -> Known:
        """The same as a table of the joint file keeps it."""
        scale = np.array([axis.deviation for axis in self.axes])
        middle = np.array([axis.mean for axis in self.axes]) + scale * self.z
        return Known(tuple(axis.name for axis in self.axes), middle,
                     self.covariance * np.outer(scale, scale))  # fmt: skip

    def untold(self) -> list[str]:
        """Numbers of which the log tells nothing."""
        return [axis.name for axis in self.axes if self.deviation(axis.name) > UNTOLD]

    def combination(self, what: Callable[[Part], float]) -> tuple[float, float]:
        """Middle of the logarithm of a number that a part has, and its deviation.

        Taken over parts drawn from the fit: products keep what their factors cannot tell.
        """
        if not self.drawn:
            rng = np.random.default_rng(2)
            for z in rng.multivariate_normal(self.z, self.covariance, DRAWS):
                bounded = np.clip(z, -FURTHEST, FURTHEST)
                self.drawn.append(part_of(self.joint, self.axes, bounded))
        values = np.log([what(part) for part in self.drawn])
        return float(values.mean()), float(values.std())


class Problem:
    """A log, and what candidate parts leave over of it, many at once."""

    def __init__(
        self,
        joint: Joint,
        time_s: np.ndarray,
        angle_rad: np.ndarray,
        volt: np.ndarray,
        axes: list[Axis],
        winding_C: np.ndarray | None = None,
    ) -> None:
        """Prepare a powered stretch, shape (n,) each. Raises ValueError.

        volt: what the motor had (``drive.py``); winding_C: as reckoned in it, None: 25 degC.
        """
        self.joint, self.axes = joint, axes
        self.tick_s = joint.settings.tick_s
        self.angle = replay.on_ticks(self.tick_s, time_s, angle_rad)
        self.volt = replay.on_ticks(self.tick_s, time_s, volt)
        warmth = np.full(len(time_s), 25.0) if winding_C is None else winding_C
        self.winding_C = replay.on_ticks(self.tick_s, time_s, warmth)
        self.rate = 1.0 / self.tick_s
        self.step = max(1, round(self.rate / (2.0 * CUTOFF_HZ)))
        self.block = max(1, self.step // 4)
        self.cut = int(0.8 * len(self.angle))
        """Ticks from here on are held out."""
        quick = self.angle - low_pass(self.angle, self.rate, CUTOFF_HZ)
        beyond = 1.0 - 2.0 * CUTOFF_HZ / self.rate
        self.noise_rad = 1.4826 * float(np.median(np.abs(quick))) / sqrt(beyond)
        """Deviation of the sensor's noise: what is quicker than the cut-off, taken as white."""

    def pieces(self, seconds: float) -> list[slice]:
        """Stretches of the log that a round looks at: all of it, or pieces spread evenly."""
        length = round(PIECE_S * self.rate)
        if self.cut <= seconds * self.rate + length:
            return [slice(0, self.cut)]
        starts = np.linspace(0, self.cut - length, round(seconds / PIECE_S))
        return [slice(int(k), int(k) + length) for k in starts]

    def coarse(self, values: np.ndarray) -> np.ndarray:
        """Means of blocks, four to a kept row: the filter then has less to do."""
        whole = len(values) // self.block * self.block
        return np.asarray(values[:whole].reshape(-1, self.block).mean(axis=1))

    def thin(self, blocks: np.ndarray) -> np.ndarray:
        """Low-pass, leave out the observer's beginning, keep two rows a period of the cut-off."""
        rate = self.rate / self.block
        return low_pass(blocks, rate, CUTOFF_HZ)[
            ..., round(SKIP_S * rate) :: self.step // self.block
        ]

    def noise(self, rng: np.random.Generator, shape: tuple[int, ...]) -> np.ndarray:
        """Draws of the sensor's noise as it is in what is left over: two rows a period are white."""
        return rng.normal(0.0, self.noise_rad * sqrt(2.0 * CUTOFF_HZ / self.rate), shape)

    def left(self, points: np.ndarray, observer_Hz: float, pieces: list[slice]) -> np.ndarray:
        """Thinned innovations (rad) of candidates (points, axes), piece after piece: (points, rows)."""
        parts = [part_of(self.joint, self.axes, z) for z in points]
        delays = self.own(points, DELAY, self.joint.delay_s)
        begun = self.own(points, WINDING, float(self.winding_C[0]))
        return self.left_of(parts, observer_Hz, pieces, np.maximum(delays, 0.0), begun)

    def own(self, points: np.ndarray, name: str, usual: float) -> np.ndarray:
        """A number of the recording's own for each candidate; ``usual`` where it is no unknown."""
        for k, axis in enumerate(self.axes):
            if axis.name == name:
                return np.array([axis.value(z) for z in points[:, k]])
        return np.full(len(points), usual)

    def left_of(
        self,
        parts: list[Part],
        observer_Hz: float,
        pieces: list[slice],
        delays_s: np.ndarray,
        begun_C: np.ndarray,
    ) -> np.ndarray:
        """The same of parts (which are made to take the recorded voltage): (parts, rows).

        delays_s, begun_C: of each, the delay and the winding's temperature when the log begins.
        """
        for part in parts:  # the recorded voltage is what the bridge gave
            part.supply_V, part.supply_ohm = 1.0, 0.0
        records = kernels.as_array(parts)
        w = 2.0 * pi * observer_Hz
        courses = kernels.repeated(Course(), len(parts))
        courses["substeps"] = [substeps_for(part, self.tick_s, LONGEST_S) for part in parts]
        courses["delay_s"], courses["tick_s"] = delays_s, self.tick_s
        courses["g1"], courses["g2"] = 1.4 * w * self.tick_s, w * w * self.tick_s
        follow = kernels.twin().observer_loop.follow

        def one(k: int, piece: slice, plants: np.ndarray) -> np.ndarray:
            """What candidate k leaves over of one piece, in blocks."""
            out = np.zeros(piece.stop - piece.start)
            follow(records[k], plants[k], self.volt[piece], self.angle[piece], out, courses[k])
            return self.coarse(out)

        found = []
        with ThreadPoolExecutor(min(os.cpu_count() or 1, len(parts))) as pool:
            for piece in pieces:
                start = float(self.angle[piece.start])
                warmer = float(self.winding_C[piece.start] - self.winding_C[0])
                plants = kernels.as_array(
                    [start_plant(part, start, begun + warmer) for part, begun in zip(parts, begun_C, strict=True)])  # fmt: skip
                jobs = [pool.submit(one, k, piece, plants) for k in range(len(parts))]
                found.append(self.thin(np.array([job.result() for job in jobs])))
        return np.hstack(found)


def fit(
    joint: Joint,
    time_s: np.ndarray,
    angle_rad: np.ndarray,
    volt: np.ndarray,
    winding_ohm: float | None = None,
    listener: Listener | None = None,
    winding_C: np.ndarray | None = None,
) -> Fit:
    """Fit a powered stretch of a recording (s, rad, V; shape (n,)). Raises ValueError.

    volt: what the motor had (``drive.py``); winding_C: as reckoned in it, None: 25 degC.
    """
    axes = axes_of(joint, winding_ohm)
    begun_C = 25.0 if winding_C is None else float(winding_C[0])
    spread = axes + recording_axes(joint, begun_C)
    problem = Problem(joint, time_s, angle_rad, volt, spread, winding_C)
    mean, covariance = narrowed(problem, listener)
    if (np.abs(mean) > EDGE).any():
        problem.axes = [wider(axis) if abs(z) > EDGE else axis
                        for axis, z in zip(spread, mean, strict=True)]  # fmt: skip
        mean, covariance = narrowed(problem, listener)
    fits = explained(problem, mean)
    delay, winding = (
        (axis.value(mean[k]), axis.deviation * float(sqrt(covariance[k, k])))
        for k, axis in enumerate(problem.axes[len(axes) :], len(axes))
    )
    axes = problem.axes[: len(axes)]
    mean, covariance = mean[: len(axes)], covariance[: len(axes), : len(axes)]
    part = part_of(joint, axes, mean)
    found = Fit(joint, axes, mean, covariance, part, *fits, delay, winding, spread[: len(axes)])
    found.remarks = remarks_of(found, problem)
    return found


def wider(axis: Axis) -> Axis:
    """A prior that holds what lay at the edge of the one before."""
    most = (MOST_RAW - abs(axis.mean)) / FURTHEST
    reach = axis.deviation * WIDENED
    return Axis(axis.name, axis.mean, min(reach, most) if axis.log else reach, axis.log)


def narrowed(problem: Problem, listener: Listener | None) -> tuple[np.ndarray, np.ndarray]:
    """Mean and covariance of a problem's numbers, cloud after cloud."""
    count = len(problem.axes)
    rng = np.random.default_rng(1)
    mean, covariance = np.zeros(count), np.eye(count)
    for number, (hertz, seconds, cloud) in enumerate(ROUNDS):
        if number:
            covariance = WIDER**2 * covariance + LEAST**2 * np.eye(count)
        root = np.linalg.cholesky(covariance)
        u = rng.normal(0.0, 1.0, (cloud, count))
        points = np.clip(mean + u @ root.T, -FURTHEST, FURTHEST)
        left = problem.left(points, hertz, problem.pieces(seconds))
        left += problem.noise(rng, left.shape)
        mean, covariance = without_cloud(*regress_cloud(u, left), mean, root)
        mean = np.clip(mean, -FURTHEST, FURTHEST)
        if listener is not None:
            listener(number + 1, len(ROUNDS), float(np.sqrt(np.mean(left**2))))
    return mean, covariance


def explained(problem: Problem, mean: np.ndarray) -> tuple[float, float]:
    """Share of the course that a candidate explains: where it was fitted, and held out."""
    fits = []
    for piece in (slice(0, problem.cut), slice(problem.cut, len(problem.angle))):
        left = problem.left(mean[None], ROUNDS[-1][0], [piece])
        course = problem.thin(problem.coarse(problem.angle[piece]))
        fits.append(1.0 - float(np.std(left)) / float(np.std(course)))
    return fits[0], fits[1]


def regress_cloud(u: np.ndarray, left: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Mean and covariance of ``u`` where nothing is left over.

    u: the cloud, standard normal, shape (n, axes); left: what each leaves over, shape (n, rows).
    """
    middle = left.mean(axis=0)
    scores, size, basis = np.linalg.svd(left - middle, full_matrices=False)
    kept = min(SCORES, len(u) // 3, int((size > 1e-9 * size[0]).sum()))
    regressor = np.column_stack([np.ones(len(u)), scores[:, :kept] * np.sqrt(len(u))])
    at = np.concatenate([[1.0], -(basis[:kept] @ middle) / size[:kept] * np.sqrt(len(u))])
    solved, *_ = np.linalg.lstsq(regressor, u, rcond=None)
    rest = u - regressor @ solved
    scatter = rest.T @ rest / (len(u) - kept - 1)
    leverage = float(at @ np.linalg.solve(regressor.T @ regressor, at))
    return at @ solved, scatter * (1.0 + leverage)


def without_cloud(
    u_mean: np.ndarray, u_covariance: np.ndarray, middle: np.ndarray, root: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Take out the cloud's own shape (middle, Cholesky root), put in the prior (standard normal)."""
    values, vectors = np.linalg.eigh(u_covariance)
    told = np.maximum(1.0 / values - 1.0, 0.0)
    pull = np.where(told > 0.0, vectors.T @ u_mean / values, 0.0)
    back = np.linalg.solve(root.T, vectors)
    precision = (back * told) @ back.T
    information = precision @ middle + back @ pull
    covariance = np.linalg.inv(precision + np.eye(len(middle)))
    return covariance @ information, covariance


def inertia_by_drive(part: Part) -> float:
    """(J_m + J_j (r1/r2)^2) R / K at 25 degC, V*s^2/rad."""
    m = part.motor
    inertia = m.inertia + part.hinge.inertia / drum_per_joint(part) ** 2
    return inertia * (m.resistance_25_ohm + m.driver_ohm) / m.emf_V_s


def damping_by_drive(part: Part) -> float:
    """K + b R / K at 25 degC, V*s/rad: what holds the speed."""
    m = part.motor
    return m.emf_V_s + m.viscous_Nms * (m.resistance_25_ohm + m.driver_ohm) / m.emf_V_s


def friction_by_drive(part: Part) -> float:
    """F R / K at 25 degC, V: what keeps the joint sliding.

    F = (F_c + D) / (1 - mu_g): D is what hinge and pretensioned guides need at the drum.
    """
    m, c = part.motor, part.cable
    drum = part.hinge.coulomb_Nm / drum_per_joint(part)
    if c.kind != DIRECT:
        pulls = c.flexor_N_m * c.flexor_stretch_m + c.extensor_N_m * c.extensor_stretch_m
        drum += c.wrap_loss * c.drum_m * pulls
    friction = (m.coulomb_Nm + drum) / (1.0 - m.load_loss)
    return friction * (m.resistance_25_ohm + m.driver_ohm) / m.emf_V_s


COMBINATIONS: dict[str, tuple[str, str, Callable[[Part], float]]] = {
    "inertia_by_drive": ("J R / K", "V*s^2/rad", inertia_by_drive),
    "damping_by_drive": ("K + b R / K", "V*s/rad", damping_by_drive),
    "friction_by_drive": ("F R / K", "V", friction_by_drive),
}
"""What angle and voltage tell without an anchor: products that scale alike. Label, unit, function."""


def outside(found: Fit) -> list[str]:
    """Numbers whose 95 % lie outside what the spread allows, in words."""
    rows = []
    for k, axis in enumerate(found.spread):
        low, middle, high = found.interval(axis.name)
        raw = [float(np.log(one)) if axis.log else one for one in (low, high)]
        away = [(one - axis.mean) / axis.deviation for one in raw]
        if max(away) > -OUTSIDE and min(away) < OUTSIDE:
            continue
        unit = " times the datasheet" if axis.log and axis.name != "stiction_ratio" else ""
        ends = [axis.value(z) for z in (-OUTSIDE, OUTSIDE)]
        again = ": its spread was widened and all fitted again" if found.axes[k] != axis else ""
        edge = "; at the edge of that too" if again and abs(found.z[k]) > EDGE else ""
        rows.append(f"{axis.name.replace('_', ' ')}, {middle:.3g}{unit}, lies outside what the spread allows "
                    f"({ends[0]:.3g} .. {ends[1]:.3g}){again}{edge}. Is its datasheet value right? That "
                    "the intervals hold 95 % was measured on parts of the spread, which this is not.")  # fmt: skip
    return rows


def remarks_of(found: Fit, problem: Problem) -> list[str]:
    """Plain statements of what the log tells, and what it cannot."""
    rows = outside(found)
    taken_C = float(problem.winding_C[0])
    if found.winding_C[0] > taken_C + EDGE * ROOM_K:
        rows.append(f"The winding was warmer when it began, it seems: {found.winding_C[0]:.0f} degC or more "
                    f"fit better than {taken_C:.0f} degC. The constants may be wrong; record cold, or say "
                    "how warm.")  # fmt: skip
    untold = found.untold()
    if untold:
        words = ", ".join(name.replace("_", " ") for name in untold)
        rows.append(f"The log tells nothing of: {words}. They stay as the spread has them.")
    if "stiffness" in untold or "cable_damping" in untold:
        rows.append(
            f"Nothing above {CUTOFF_HZ:.0f} Hz is compared: the cable's resonance lies beyond."
        )
    deviation = np.sqrt(np.diag(found.covariance))
    correlation = found.covariance / np.outer(deviation, deviation)
    for i in range(len(found.axes)):
        for k in range(i):
            if abs(correlation[i, k]) > 0.9:
                names = (found.axes[k].name, found.axes[i].name)
                anchor = "; the winding's resistance by ohmmeter would tell"
                rows.append(f"{names[0]} and {names[1]} can hardly be told apart (correlation "
                            f"{correlation[i, k]:+.2f}){anchor if 'resistance' in names else ''}.")  # fmt: skip
    if np.abs(problem.volt).max() > 0.0:
        top = float(np.mean(np.abs(problem.volt) > 0.98 * np.abs(problem.volt).max()))
        if top > 0.05:
            rows.append(f"The drive stands at its largest value for {100 * top:.0f} % of the time.")
    return rows
