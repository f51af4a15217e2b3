"""Gains by search: the real control code on many parts, in many scenarios.

A candidate is run on parts drawn from the spread through large steps both ways,
a one-degree step, a slow ramp through friction, a soft and a hard object, a
grip and a load change, with noise, quantisation, backlash, delay and the
drive's frame. Its cost is made of the 95th percentile over the parts, never of
the nominal part alone. Constraints enter as steep penalties: Ms <= 1.7 on the
rigid nominal, gain margin >= 2 at the cable resonance for the parts inside the
resonance rule, hunting, steady-state error, overshoot and force below their bounds.

Search (SciPy): differential evolution races many candidates on few parts with
short tails; the best are run on all parts with full tails; Nelder-Mead refines
the winner. Counts of runs are fixed, so a seed gives the same gains anywhere.
"""

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from controller.joint.settings.settings import Gains, Profile, Settings
from sim.joint import gains as rules
from sim.joint import spread
from sim.run.closed_loop import Fleet, Joint, joint_of, simulate
from sim.tune import margins
from sim.tune.cost import GAIN_MARGIN_LEAST, MS_MOST, SWING_MS_MOST, Goals, search_scenarios
from sim.tune.search import SMALL, Effort, Listener, Progress, Search, to_candidate, with_gains
from sim.units import DEG

__all__ = ["SMALL", "Effort", "Listener", "Progress", "Tuning", "judge_of", "search_of", "tune",
           "with_gains"]  # fmt: skip

APART = 1_000_003
"""Between the seeds of several starts of one search."""
CHOICE = 3000
"""Offset of the seed of the parts that several starts are compared on."""


@dataclass(frozen=True)
class Found:
    """Where one search ended: a search point, its cost on its own parts, candidates tried."""

    x: tuple[float, ...]
    cost: float
    evaluations: int


@dataclass(frozen=True)
class Work:
    """One search, or the judgement of its ends, as a worker elsewhere needs it."""

    tables: dict[str, Any]
    path: str
    seed: int
    step_rad: float
    effort: Effort
    found: tuple[Found, ...] = ()


@dataclass
class Tuning:
    """Result of a tuning. Tables: metric name to array over parts."""

    gains: Gains
    profile: Profile
    first_gains: Gains
    first_profile: Profile
    evaluations: int
    cost: float
    seed: int
    step_rad: float
    margins: dict[str, Any] = field(default_factory=dict)
    outside: list[str] = field(default_factory=list)
    """Bounds that are not kept, in words."""
    tables: dict[str, dict[str, np.ndarray]] = field(default_factory=dict)
    fleets: dict[str, Fleet] = field(default_factory=dict)
    """Parts of the tables "held_out" and "outside"."""

    def summary(self, name: str) -> dict[str, dict[str, float | None]]:
        """Median and 95th percentile of each metric of a table; None is never."""
        return summarise(self.tables[name]) if name in self.tables else {}


def report_table(
    joint: Joint, fleet: Fleet, settings: Settings, step_rad: float
) -> dict[str, np.ndarray]:
    """Metrics of both step directions over a fleet, one array of 2 n values each."""
    known = search_scenarios(joint, step_rad, 10.0)
    rows = [fleet.run(settings, known[name]).table() for name in ("step", "step_back")]
    return {key: np.concatenate([row[key] for row in rows]) for key in rows[0]}


def single_table(
    joint: Joint, fleet: Fleet, settings: Settings, step_rad: float, count: int
) -> dict[str, np.ndarray]:
    """The same with the controller in single precision, its tail 2 s.

    Of all parts where the controller can be compiled as C, else of the first ``count``.
    """
    from sim.translate.library import compiler

    if compiler() is not None:
        count = len(fleet)
    known = search_scenarios(joint, step_rad, 2.0)
    rows = []
    for name in ("step", "step_back"):
        for k in range(min(count, len(fleet))):
            trace = simulate(
                joint, known[name], fleet.objects[k], fleet.warmth_C[k], k + 1, "single", settings
            )
            rows.append(trace.metrics.as_dict())
    return {
        key: np.array([np.nan if row[key] is None else row[key] for row in rows])
        for key in REPORTED
    }


REPORTED = (
    "settling_2pct_s",
    "settling_count_s",
    "overshoot_rad",
    "steady_error_rad",
    "hunting_rad",
    "tracking_rad",
    "drive_noise_V",
    "peak_tension_N",
    "peak_tip_force_N",
)


def summarise(table: dict[str, np.ndarray]) -> dict[str, dict[str, float | None]]:
    """Median and 95th percentile of each metric; None where that part never settles."""
    rows: dict[str, dict[str, float | None]] = {}
    for key, values in table.items():
        known = np.nan_to_num(values, nan=np.inf)
        rows[key] = {}
        for name, share in (("median", 50), ("p95", 95)):
            found = float(percentile(known, share))
            rows[key][name] = found if np.isfinite(found) else None
    return rows


def percentile(values: np.ndarray, share: float, axis: int | None = None) -> Any:
    """Percentile that lets infinities (times that never came) be ends, not middles."""
    method: Any = "higher" if np.isinf(values).any() else "linear"
    return np.percentile(values, share, axis=axis, method=method)


def bootstrap_p95(values: np.ndarray, seed: int, missing: float = np.inf) -> tuple[float, float]:
    """95 % bootstrap interval of the 95th percentile."""
    rng = np.random.default_rng(seed)
    known = np.nan_to_num(values, nan=missing)
    draws = rng.choice(known, (400, len(known)))
    found = percentile(draws, 95, axis=1)
    return float(percentile(found, 2.5)), float(percentile(found, 97.5))


def tune(
    joint: Joint,
    seed: int = 1,
    step_rad: float = 60.0 * DEG,
    effort: Effort | None = None,
    listener: Listener | None = None,
) -> Tuning:
    """Tune a joint and report on parts held out from the search.

    Returns gains and tables "before" (the file's gains), "first_guess", "tuned"
    (the search's parts), "held_out", "outside" (the rule). Where no part is
    inside the resonance rule, any part is searched on and held out. Raises InputError.
    """
    effort = effort or Effort()
    search = Search(joint, step_rad, seed, effort, listener)  # may shorten the step
    return _judged(joint, search, searched(search))


def searched(search: Search) -> Found:
    """Run a search to its end."""
    x, cost = search.refine(search.race())
    present = search.present()
    if present is not None:  # on parts that neither was chosen by: what the file has is not lost
        fresh = Search(search.joint, search.step_rad, search.seed + CHOICE, search.effort)
        if fresh.cost(present, True) < fresh.cost(x, True):
            x, cost = present, search.cost(present, True)
    return Found(tuple(float(one) for one in x), cost, search.evaluations)


def search_of(work: Work) -> Found:
    """One search, wherever it is run. Raises InputError."""
    joint = joint_of(work.tables, work.path)
    return searched(Search(joint, work.step_rad, work.seed, work.effort))


def judge_of(work: Work) -> Tuning:
    """Choose among the ends of several searches and judge it as ``tune`` does. Raises InputError.

    They were found on different parts, so they are compared on parts that none of them has seen.
    """
    joint = joint_of(work.tables, work.path)
    best = 0
    if len(work.found) > 1:
        fresh = Search(joint, work.step_rad, work.seed + CHOICE, work.effort)
        best = int(np.argmin([fresh.cost(np.array(one.x), True) for one in work.found]))
    search = Search(joint, work.step_rad, work.seed + APART * best, work.effort)
    made = _judged(joint, search, work.found[best])
    made.evaluations = sum(one.evaluations for one in work.found)
    return made


def _judged(joint: Joint, search: Search, found: Found) -> Tuning:
    """Gains of a search's end, with tables on its parts and on parts held out."""
    effort, step_rad, seed = search.effort, search.step_rad, search.seed
    gains, profile = to_candidate(joint, np.array(found.x))
    first, first_profile = rules.first_guess(joint.file, joint.part)
    result = Tuning(gains, profile, first, first_profile, found.evaluations, found.cost, seed,
                    step_rad)  # fmt: skip
    entries = spread.spread_of(joint.file)
    tuned = with_gains(joint.settings, gains, profile)
    guessed = with_gains(joint.settings, first, first_profile)
    tick = joint.settings.tick_s
    inside = "inside" if search.inside else "any"
    fleets = (("held_out", inside, 1000), ("outside", "outside", 2000))
    for k, (name, rule, offset) in enumerate(fleets, 1):
        parts, warmth = spread.draw_parts(joint.part, entries, effort.held_out, seed + offset, rule)
        search.tell("held-out parts", k, len(fleets))
        if not parts:
            continue
        fleet = Fleet(parts, warmth, tick, joint.delay_s, seed + offset + 7)
        result.tables[name] = report_table(joint, fleet, tuned, step_rad)
        result.fleets[name] = fleet
    fleet = result.fleets.get("held_out", search.all)
    result.tables["first_guess"] = report_table(joint, fleet, guessed, step_rad)
    result.tables["before"] = result.tables["first_guess"]
    if joint.file.gains:
        result.tables["before"] = report_table(joint, fleet, joint.settings, step_rad)
    result.tables["single_precision"] = single_table(joint, fleet, tuned, step_rad, effort.single)
    search.tell("single precision", 1, 1)
    result.tables["tuned"] = report_table(joint, search.all, tuned, step_rad)
    judged = margins.margins(joint.part, gains, tick, joint.delay_s).as_dict()
    judged["resonance_gain_margin"] = search.robustness.resonance_margin(gains)
    swing = margins.worst_swing(joint.part, gains, tick, joint.delay_s)
    judged["swing_ms"], judged["swing_phase_margin_deg"], judged["swing_rad"] = swing
    result.margins = judged
    result.outside = outside_bounds(result, search.goals)
    return result


def outside_bounds(tuning: Tuning, goals: Goals) -> list[str]:
    """Which bounds a tuning does not keep, in words: of the loop, and of the parts held out."""
    m = tuning.margins
    found = []
    for name, value, most in (("Ms", m["ms"], MS_MOST),
                              ("Ms with the help against stiction", m["swing_ms"], SWING_MS_MOST)):  # fmt: skip
        if not value <= most:
            found.append(f"{name} {value:.3f} is above {most:g}")
    margin = m["resonance_gain_margin"]
    if margin < GAIN_MARGIN_LEAST:
        found.append(
            f"gain margin {margin:.2f} at the cable resonance is below {GAIN_MARGIN_LEAST:g}"
        )
    rows = tuning.tables.get("held_out", tuning.tables["tuned"])
    if summarise(rows)["settling_2pct_s"]["p95"] is None:
        found.append("more than 5 % of the parts never settle")
    for key, name, most in (("overshoot_rad", "overshoot", goals.overshoot_rad),
                            ("steady_error_rad", "steady-state error", goals.steady_rad),
                            ("hunting_rad", "hunting", goals.hunting_rad)):  # fmt: skip
        low, _ = bootstrap_p95(rows[key], tuning.seed)
        if low > most:  # so few parts tell a percentile only so well: surely above
            value = percentile(np.nan_to_num(rows[key], nan=np.inf), 95)
            found.append(
                f"{name} {value / DEG:.2f} deg (95th percentile) is above {most / DEG:g} deg"
            )
    return found
