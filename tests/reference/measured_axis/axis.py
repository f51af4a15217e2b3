"""The measured axis: its log, and the loop that it was recorded in.

A. Janot, M. Gautier, M. Brunot, "Data Set and Reference Models of EMPS", Workshop on Nonlinear System
Identification Benchmarks, Eindhoven, 2019: one linear axis (motor, ball screw, carriage), 24,841 rows at
1 kHz, published parameters in kg, N/(m/s), N, N. The data are not ours to ship: JOINTLOOP_DATA names
the folder that holds emps/DATA_EMPS.mat.
"""

import os
from dataclasses import dataclass
from pathlib import Path

import numpy as np

PUBLISHED = np.array([95.1089, 203.5034, 20.3935, -3.1648])
VOLT_LIMIT = 10.0
SUBSTEPS = 10


@dataclass
class Measured:
    """Columns of shape (n,), and the constants of the recording."""

    time_s: np.ndarray
    reference_m: np.ndarray
    position_m: np.ndarray
    drive_V: np.ndarray
    newton_per_V: float
    position_gain: float
    """1/s."""
    speed_gain: float
    """V/(m/s)."""

    @property
    def force_N(self):
        return self.newton_per_V * self.drive_V

    def rows(self, which):
        """The same of some rows."""
        columns = (self.time_s, self.reference_m, self.position_m, self.drive_V)
        return Measured(*(one[which] for one in columns), self.newton_per_V, self.position_gain,
                        self.speed_gain)  # fmt: skip


def measured():
    """The log; None where it is not at hand."""
    from scipy.io import loadmat

    path = Path(os.environ.get("JOINTLOOP_DATA", "nowhere")) / "emps" / "DATA_EMPS.mat"
    if not path.exists():
        return None
    data = {key: np.asarray(value, float).ravel() for key, value in loadmat(path).items()
            if not key.startswith("__")}  # fmt: skip
    gains = (float(data[key][0]) for key in ("gtau", "kp", "kv"))
    return Measured(data["t"], data["qg"], data["qm"], data["vir"], *gains)


def in_closed_loop(found, log):
    """Run an axis (inertia, viscous, Coulomb, offset) under the recording's own loop: position (m), drive (V).

    The drive is kv (kp (reference - position) - speed), held for a row. How the recording made its speed is
    not published: here it is the mean of the last two differences of the position (of the last alone:
    2.1 instead of 1.7 um).
    """
    inertia, viscous, coulomb, offset = found
    dt = float(np.median(np.diff(log.time_s)))
    h = dt / SUBSTEPS
    q, v = log.position_m[0], (log.position_m[10] - log.position_m[0]) / (10.0 * dt)
    before = [q - 2.0 * dt * v, q - dt * v]
    position, drive = np.zeros(len(log.time_s)), np.zeros(len(log.time_s))
    for k in range(len(position)):
        speed = (q - before[0]) / (2.0 * dt)
        before = [before[1], q]
        u = log.speed_gain * (log.position_gain * (log.reference_m[k] - q) - speed)
        u = min(max(u, -VOLT_LIMIT), VOLT_LIMIT)
        position[k], drive[k] = q, u
        net, most = log.newton_per_V * u - offset, h * coulomb / inertia
        for _ in range(SUBSTEPS):
            free = v + h * (net - viscous * v) / inertia
            new = free - most if free > most else free + most if free < -most else 0.0
            q += 0.5 * h * (v + new)
            v = new
    return position, drive
