"""How quick a step can be at all: the bang-bang bound of a part."""

import numpy as np

from sim.joint import spread
from sim.joint.part import Part
from sim.model.start import start_plant
from sim.run import kernels

_TICK_S = 5e-4


def step_bound(
    part: Part, start: float, target: float, band: float, amps: float, warmth_C: float = 25.0
) -> float:
    """Return the shortest time (s) to be and stay within ``band`` of ``target`` (rad).

    Voltage limited by the part's own supply, driving current by ``amps`` (A);
    the switching time is found on a grid of 2 ms, then of 0.5 ms. nan where no
    plan ends in the band.
    """
    sign = 1.0 if target > start else -1.0
    coarse = np.arange(0.01, 0.6, 0.002)
    best, at = _try(part, start, target, band, amps, warmth_C, sign, coarse)
    if not np.isfinite(best):
        return float("nan")
    fine = np.arange(max(at - 0.002, 0.001), at + 0.002, 0.0005)
    return min(best, _try(part, start, target, band, amps, warmth_C, sign, fine)[0])


def _try(
    part: Part,
    start: float,
    target: float,
    band: float,
    amps: float,
    warmth_C: float,
    sign: float,
    times: np.ndarray,
) -> tuple[float, float]:
    substeps = spread.substeps_for(part, _TICK_S)
    ticks = round(1.0 / _TICK_S)
    parts = kernels.repeated(part, len(times))
    plants = kernels.repeated(start_plant(part, start, warmth_C), len(times))
    results = np.zeros(len(times))
    kernels.twin().bang_bang_loop.switch_many(
        parts, plants, sign, amps, times, target, band, ticks, substeps, _TICK_S / substeps, results
    )
    results[results >= ticks * _TICK_S - _TICK_S] = np.inf
    k = int(np.argmin(results))
    return float(results[k]), float(times[k])
