"""Logs of an axis that is known: a dc motor run by an integration of its own, not by the fit's kernel.

Semi-implicit Euler in steps of 4 us, dry friction as a set-valued force; the drive is held
from row to row.
"""

import numba
import numpy as np

from sim.identify.axis.axis_fit import Stretch

TRUE = {"inertia": 0.05, "viscous": 0.4, "coulomb": 0.7, "offset": 0.05}
STAIR = (1.5, 2.5, 3.5, 5.0, 3.0, 2.0, 0.0, -1.5, -2.5, -3.5, -5.0, -3.0, -2.0, 0.0)
ONE_WAY = (1.5, 2.5, 3.5, 5.0, 3.0, 2.0, 4.0)
SENSORS = {
    "12bit": (2.0 * np.pi / 4096, 1.0),
    "encoder": (2.0 * np.pi / 2000, 0.0),
    "rough": (0.0, 2e-3),
}
"""Step (rad), and noise in steps; of a rough one the noise in rad, or rad/s."""


@numba.njit
def moved(drive, h, start, inertia, viscous, coulomb, offset):
    """Angle and speed at every row."""
    count = max(1, int(np.ceil(h / 4e-6)))
    d = h / count
    angle, speed = np.zeros(len(drive)), np.zeros(len(drive))
    q, v = start, 0.0
    for k in range(len(drive)):
        angle[k], speed[k] = q, v
        net = drive[k] - offset
        for _ in range(count):
            free = v + d * (net - viscous * v) / inertia
            most = d * coulomb / inertia
            new = free - most if free > most else free + most if free < -most else 0.0
            q += 0.5 * d * (v + new)
            v = new
    return angle, speed


def drive_of(kind, t, rng):
    """The drive (V) of a kind of log."""
    if kind == "step":
        return np.where(t % 2.0 < 1.0, 4.0, 0.0) * np.where(t % 4.0 < 2.0, 1.0, -1.0)
    if kind == "ramp":
        p = t % 10.0
        return np.where(p < 5.0, -5.0 + 2.0 * p, 5.0 - 2.0 * (p - 5.0))
    if kind == "chirp":
        return 4.0 * np.sin(2.0 * np.pi * (0.2 * t + 4.8 * t * t / (2.0 * t[-1])))
    if kind == "multisine":
        tones = np.outer(t, 2.0 * np.pi * np.array([0.3, 0.7, 1.3, 2.1, 3.4]))
        return 1.8 * np.sin(tones + rng.uniform(0.0, 2.0 * np.pi, 5)).sum(axis=1)
    levels = np.array(STAIR if kind == "stair" else ONE_WAY)
    return levels[(t / 0.7).astype(int) % len(levels)]


KINDS = ("step", "ramp", "stair", "chirp", "multisine", "one-way")


def axis_log(kind, rate, sensor, seed, seconds=20.0, is_speed=False, **changed):
    """One log: (stretch, true values)."""
    rng = np.random.default_rng(seed)
    t = np.arange(0.0, seconds, 1.0 / rate)
    true = {**TRUE, **changed}
    drive = drive_of(kind, t, rng)
    angle, speed = moved(drive, 1.0 / rate, rng.uniform(0.0, 1.0), **true)
    step, noise = SENSORS[sensor]
    measured = speed if is_speed else angle
    if step == 0.0:
        measured = measured + noise * rng.normal(size=len(t))
    else:
        measured = np.round((measured + step * noise * rng.normal(size=len(t))) / step) * step
    return Stretch(1.0 / rate, drive, measured), true


def covered(found, true):
    """Which 95 % intervals hold the truth; an offset that is merged counts with Coulomb friction."""
    aim = [true[name] for name in found.names]
    if "offset" not in found.names:
        aim[2] += true["offset"]
    return np.abs(found.values - aim) <= found.factor * found.deviations
