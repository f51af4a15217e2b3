"""What a run is judged by: definitions, for a trace and for a batch of scores.

All of the *true* joint angle q, from the command on (time 0):
    settling to 2 %    last time at which |q - target| > 2 % of the step; never = None
    settling to count  the same for +-4 sigma of the sensor noise (at least a count)
    overshoot          furthest beyond the target, in the direction of the step
    steady-state error |mean of q - target| over the tail
    hunting            half of peak-to-peak of q over the tail (10 s, or 3 cycles)
    hunting frequency  zero crossings of q - mean over the tail, per two seconds
    tracking           rms of wanted less true angle over the whole measurement
    drive noise        rms of the change of the applied voltage from tick to tick (tail)
    reversals          changes of sign of the applied voltage
    energy             electrical energy drawn from the supply by the motor
"""

from dataclasses import asdict, dataclass

import numpy as np

from sim.model.schedule import LIMIT_BITS

LIMIT_NAMES = ("travel", "speed", "force", "slew", "supply", "heat", "weak")
MODE_NAMES = ("off", "checking", "powered", "stopping", "tripped")


@dataclass
class Metrics:
    """Results of one run, SI with units in the names; a time that never came is None."""

    settling_2pct_s: float | None
    settling_count_s: float | None
    overshoot_rad: float
    steady_error_rad: float
    hunting_rad: float
    hunting_Hz: float | None
    tracking_rad: float
    drive_noise_V: float
    reversals: int
    peak_tension_N: float
    peak_tip_force_N: float
    peak_current_A: float
    hottest_C: float
    energy_J: float
    limit_ticks: dict[str, int]
    mode: str
    fault: str
    fault_s: float | None

    def as_dict(self) -> dict:
        """Return the metrics as a plain dictionary."""
        return asdict(self)


def settling(out_ticks: np.ndarray, ticks: np.ndarray, tick_s: float) -> np.ndarray:
    """Settling times (s) from the last ticks outside; nan where it never settled."""
    times = out_ticks * tick_s
    return np.where(out_ticks >= ticks, np.nan, times)


def table(scores: np.ndarray, tick_s: float) -> dict[str, np.ndarray]:
    """Return metrics of a batch as arrays, shape (n,), from its scores."""
    tails = np.maximum(scores["tail_ticks"], 1)
    return {
        "settling_2pct_s": settling(scores["out_ticks"], scores["ticks"], tick_s),
        "settling_count_s": settling(scores["fine_out_ticks"], scores["ticks"], tick_s),
        "overshoot_rad": scores["overshoot_rad"],
        "steady_error_rad": np.abs(scores["tail_sum_rad"] / tails),
        "hunting_rad": 0.5 * (scores["tail_high_rad"] - scores["tail_low_rad"]),
        "tracking_rad": np.sqrt(scores["track_sum_rad2"] / np.maximum(scores["ticks"], 1)),
        "drive_noise_V": np.sqrt(scores["noise_sum_V2"] / tails),
    }


def fault_names() -> dict[int, str]:
    """Names of the fault numbers, read from the source of ``controller.joint.faults``."""
    from sim.documentation import fault_table

    return {row["number"]: row["name"] for row in fault_table()}


def crossings_Hz(angle: np.ndarray, tick_s: float) -> float | None:
    """Frequency (Hz) of a tail by its crossings of the mean, with hysteresis.

    Crossings count once the signal has left a quarter of its half range.
    """
    away = angle - angle.mean()
    edge = 0.25 * float(np.abs(away).max())
    if edge <= 0.0 or len(angle) < 4:
        return None
    side = np.where(away > edge, 1, np.where(away < -edge, -1, 0))
    side = side[side != 0]
    count = int(np.count_nonzero(np.diff(side)))
    return 0.5 * count / (len(angle) * tick_s)


def of_run(score: np.void, plant: np.void, tick_s: float, tail: np.ndarray | None) -> Metrics:
    """Return the metrics of one run from its score, plant state and tail angles."""
    one = np.array([score])
    row = {key: float(value[0]) for key, value in table(one, tick_s).items()}

    def time(value: float) -> float | None:
        return None if np.isnan(value) or not score["on"] else value

    names = fault_names()
    return Metrics(
        settling_2pct_s=time(row["settling_2pct_s"]),
        settling_count_s=time(row["settling_count_s"]),
        overshoot_rad=row["overshoot_rad"],
        steady_error_rad=row["steady_error_rad"],
        hunting_rad=row["hunting_rad"],
        hunting_Hz=crossings_Hz(tail, tick_s) if tail is not None and len(tail) else None,
        tracking_rad=row["tracking_rad"],
        drive_noise_V=row["drive_noise_V"],
        reversals=int(score["reversals"]),
        peak_tension_N=float(plant["peak_cable_N"]),
        peak_tip_force_N=float(plant["peak_tip_N"]),
        peak_current_A=float(score["peak_current_A"]),
        hottest_C=float(score["hottest_C"]),
        energy_J=float(plant["energy_J"]),
        limit_ticks={LIMIT_NAMES[k]: int(score["limit_ticks"][k]) for k in range(LIMIT_BITS)},
        mode=MODE_NAMES[int(score["mode"])],
        fault=names[int(score["fault"])],
        fault_s=float(score["fault_tick"]) * tick_s if score["fault_tick"] >= 0 else None,
    )
