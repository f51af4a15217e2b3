"""How quick a step can be at all: the bang-bang bound of a part."""

import numpy as np

from sim.joint import spread
from sim.joint.part import Part, Plant
from sim.model.bang_bang_loop import Switching
from sim.model.start import start_plant
from sim.run import kernels

_TICK_S = 5e-4


def step_bound(
    part: Part, start: float, target: float, band: float, amps: float, warmth_C: float = 25.0
) -> float:
    """Return the shortest time (s) to be and stay within ``band`` of ``target`` (rad).

    Voltage limited by the part's own supply, driving current by ``amps`` (A);
    the switching time is found on a grid of 1 ms, then of 0.1 ms. nan where no
    plan ends in the band.
    """
    plan = Switching()
    plan.sign = 1.0 if target > start else -1.0
    plan.amps_A, plan.target_rad, plan.band_rad = amps, target, band
    plan.ticks, plan.substeps = round(1.0 / _TICK_S), spread.substeps_for(part, _TICK_S)
    plan.substep_s = _TICK_S / plan.substeps
    x = start_plant(part, start, warmth_C)
    best, at = _try(part, x, plan, np.arange(0.001, 0.6, 0.001))
    if not np.isfinite(best):
        return float("nan")
    return min(best, _try(part, x, plan, np.arange(max(at - 0.001, 1e-4), at + 0.001, 1e-4))[0])


def _try(part: Part, x: Plant, plan: Switching, times: np.ndarray) -> tuple[float, float]:
    """Shortest time (s) outside the band of these switching times (s), and its switching time."""
    results = np.zeros(len(times))
    kernels.twin().bang_bang_loop.switch_many(
        kernels.repeated(part, len(times)), kernels.repeated(x, len(times)), kernels.as_array([plan])[0],
        times, results,
    )  # fmt: skip
    results[results >= (plan.ticks - 1) * _TICK_S] = np.inf
    k = int(np.argmin(results))
    return float(results[k]), float(times[k])
