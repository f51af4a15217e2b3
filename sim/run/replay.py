"""A recorded run once more, in simulation: the same setpoints on another plant.

    scene = replay(tick_s, time_s, setpoint_rad, angle_rad)
    trace = simulate(joint, scene)
    simulated = trace["angle_rad"][lead_ticks(tick_s) :][: len(time_s)]

The recorded setpoint of each tick is streamed to the controller in that tick, to be
reached within it, so the simulated setpoint is the recorded one, tick by tick.
"""

import numpy as np

from sim.model import schedule
from sim.run.scenarios import LEAD_S, Scenario


def on_ticks(tick_s: float, time_s: np.ndarray, values: np.ndarray) -> np.ndarray:
    """Values at every tick from the first time to the last: straight lines over gaps."""
    count = round((time_s[-1] - time_s[0]) / tick_s) + 1
    return np.interp(time_s[0] + tick_s * np.arange(count), time_s, values)


def lead_ticks(tick_s: float) -> int:
    """Ticks of a replayed run before its first recorded tick."""
    return round(LEAD_S / tick_s)


def replay(
    tick_s: float, time_s: np.ndarray, setpoint_rad: np.ndarray, angle_rad: np.ndarray
) -> Scenario:
    """Return the scenario that streams recorded setpoints (s, rad, rad; shape (n,) each).

    It starts at the first measured angle. Raises ValueError for less than two rows.
    """
    if len(time_s) < 2:
        raise ValueError("needs at least two rows of a powered joint")
    want = on_ticks(tick_s, time_s, setpoint_rad)
    rate = np.gradient(want, tick_s)
    made = Scenario(
        "replay", float(angle_rad[0]), LEAD_S + len(want) * tick_s, meaning="recorded setpoints"
    )
    begin = lead_ticks(tick_s)
    for k in range(1, len(want)):
        at = (begin + k) * tick_s
        made.at(at, schedule.STREAM, float(want[k]), float(rate[k]), tick_s)
    return made


def fit_share(measured: np.ndarray, predicted: np.ndarray) -> float:
    """Share of a measured course that a prediction explains: 1 - |y - p| / |y - mean y|.

    1 is perfect, 0 no better than the mean (common practice, no source).
    """
    spread = float(np.linalg.norm(measured - measured.mean()))
    if spread == 0.0:
        return float("nan")
    return 1.0 - float(np.linalg.norm(measured - predicted)) / spread
