"""A joint's log, and what candidate parts leave over of it, many at once.

The plant is driven by the recorded voltage and held to the recorded angle by a
weak observer (``sim/model/observer_loop.py``). What a candidate leaves over, low-passed and
thinned, is noise if the candidate is right.
"""

import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from math import pi, sqrt

import numpy as np

from sim.identify.anchors import Anchors
from sim.identify.axis.regression import low_pass
from sim.identify.sensor_bend import bends_of
from sim.identify.space import DELAY, EVEN, LEVEL, ODD, WINDING, Axis, part_of
from sim.joint.part import Part
from sim.joint.spread import substeps_for
from sim.model.observer_loop import Course
from sim.model.start import start_plant
from sim.run import kernels, replay
from sim.run.closed_loop import Joint

CUTOFF_HZ = 20.0
PIECE_S = 3.0
"""Length of the pieces, spread evenly, that stand for a log too long for an early round."""
SKIP_S = 0.4
"""Beginning of a piece that is left out: the observer settles."""
LONGEST_S = 2e-4


@dataclass
class Candidates:
    """Parts, and what the recording had beside each: shapes (parts,) all."""

    parts: list[Part]
    delays_s: np.ndarray
    """From reading to drive."""
    begun_C: np.ndarray
    """Winding when the log begins (degC)."""
    even: np.ndarray
    odd: np.ndarray
    """Linearity errors of the sensor (shares of full scale)."""
    offset_rad: np.ndarray
    """What the sensor's zero is off."""


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
        anchors: Anchors | None = None,
    ) -> None:
        """Prepare a powered stretch, shape (n,) each. Raises ValueError.

        volt: what the motor had (``drive.py``); winding_C: as reckoned in it, None: 25 degC.
        """
        self.joint, self.axes, self.anchors = joint, axes, anchors or Anchors()
        self.tick_s = joint.settings.tick_s
        self.angle = replay.on_ticks(self.tick_s, time_s, angle_rad)
        self.volt = replay.on_ticks(self.tick_s, time_s, volt)
        warmth = np.full(len(time_s), 25.0) if winding_C is None else winding_C
        self.winding_C = replay.on_ticks(self.tick_s, time_s, warmth)
        self.rate = 1.0 / self.tick_s
        self.step = max(1, round(self.rate / (2.0 * CUTOFF_HZ)))
        self.block = max(1, self.step // 4)
        self.bends = bends_of(joint, self.angle)
        """What a linearity error of one adds to the angle (rad), even and odd: shape (n,) each."""
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
        if self.anchors.weight is not None:
            levels = self.own(points, LEVEL, self.anchors.weight.level_rad)
            for part, level in zip(parts, levels, strict=True):
                self.anchors.weight.hang(part, float(level))
        made = Candidates(parts, self.own(points, DELAY, self.joint.delay_s),
                          self.own(points, WINDING, float(self.winding_C[0])),
                          self.own(points, EVEN, 0.0), self.own(points, ODD, 0.0), np.zeros(len(points)))  # fmt: skip
        return self.left_of(made, observer_Hz, pieces)

    def own(self, points: np.ndarray, name: str, usual: float) -> np.ndarray:
        """A number of the recording's own for each candidate; ``usual`` where it is no unknown."""
        for k, axis in enumerate(self.axes):
            if axis.name == name:
                return np.array([axis.value(z) for z in points[:, k]])
        return np.full(len(points), usual)

    def usual(self, parts: list[Part]) -> Candidates:
        """Parts with the file's delay, the winding as reckoned and a straight sensor."""
        ones = np.ones(len(parts))
        straight = [0.0 * ones for _ in range(3)]
        return Candidates(
            parts, self.joint.delay_s * ones, float(self.winding_C[0]) * ones, *straight
        )

    def left_of(
        self, candidates: Candidates, observer_Hz: float, pieces: list[slice]
    ) -> np.ndarray:
        """The same of parts (which are made to take the recorded voltage): (parts, rows)."""
        parts = candidates.parts
        for part in parts:  # the recorded voltage is what the bridge gave
            part.supply_V, part.supply_ohm = 1.0, 0.0
        records = kernels.as_array(parts)
        w = 2.0 * pi * observer_Hz
        courses = kernels.repeated(Course(), len(parts))
        courses["substeps"] = [substeps_for(part, self.tick_s, LONGEST_S) for part in parts]
        courses["delay_s"], courses["tick_s"] = candidates.delays_s, self.tick_s
        courses["g1"], courses["g2"] = 1.4 * w * self.tick_s, w * w * self.tick_s
        follow = kernels.twin().observer_loop.follow
        even, odd, offset_rad = candidates.even, candidates.odd, candidates.offset_rad

        def true_angle(k: int, piece: slice) -> np.ndarray:
            """The recorded angle without what candidate k's sensor adds."""
            bends = even[k] * self.bends[0][piece] + odd[k] * self.bends[1][piece]
            return np.asarray(self.angle[piece] - bends - offset_rad[k])

        def one(k: int, piece: slice, plants: np.ndarray) -> np.ndarray:
            """What candidate k leaves over of one piece, in blocks."""
            out = np.zeros(piece.stop - piece.start)
            follow(records[k], plants[k], self.volt[piece], true_angle(k, piece), out, courses[k])
            return self.coarse(out)

        found = []
        with ThreadPoolExecutor(min(os.cpu_count() or 1, len(parts))) as pool:
            for piece in pieces:
                warmer = float(self.winding_C[piece.start] - self.winding_C[0])
                first = slice(piece.start, piece.start + 1)
                plants = kernels.as_array(
                    [start_plant(part, float(true_angle(k, first)[0]), candidates.begun_C[k] + warmer)
                     for k, part in enumerate(parts)])  # fmt: skip
                jobs = [pool.submit(one, k, piece, plants) for k in range(len(parts))]
                found.append(self.thin(np.array([job.result() for job in jobs])))
        return np.hstack(found)
