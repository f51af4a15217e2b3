"""Gains by search: the real control code on many parts, in many situations.

A candidate is run on parts drawn from the spread through large steps both ways,
a one-degree step, a slow sweep through friction, a soft and a hard object, a
grip and a load change, with noise, quantisation, backlash, delay and the
drive's frame. Its cost is made of the 95th percentile over the parts, never of
the nominal part alone. Constraints enter as steep penalties: Ms <= 1.7 on the
rigid nominal, gain margin >= 2 at the cable resonance for the parts inside the
resonance rule, hunting, steady error, overshoot and force below their bounds.

Search (SciPy): differential evolution races many candidates on few parts with
short tails; the best are run on all parts with full tails; Nelder-Mead refines
the winner. Counts of runs are fixed, so a seed gives the same gains anywhere.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from math import exp, inf, log, pi, sqrt
from typing import Any

import numpy as np

from controller.records import copy
from controller.settings import Gains, Profile, Settings
from sim import gains as rules
from sim import linear, scenarios, tolerance
from sim.closed_loop import Fleet, Joint, simulate
from sim.datasheet import cable_strength
from sim.scenarios import DEG, Scenario

MS_MOST = 1.7
GAIN_MARGIN_LEAST = 2.0

# name, lowest and highest factor on (or value beside) the first guess
SEARCH = (
    ("kp", 0.4, 4.0),
    ("ki", 0.15, 4.0),
    ("kd", 0.2, 4.0),
    ("derivative_filter_s", 0.3, 3.0),
    ("rest_in_rad", 0.5, 2.5),
    ("integral_limit_V", 0.3, 3.0),
    ("friction", 0.05, 2.0),  # factor on both friction feeds
    ("feed", 0.02, 1.3),  # factor on the feed-forwards, and weight of the wanted rate
    ("profile_speed", 0.6, 1.35),
    ("profile_acceleration", 0.8, 15.0),
)


@dataclass(frozen=True)
class Goals:
    """Bounds that the tuned joint is asked to keep (rad, s, V)."""

    overshoot_rad: float = 1.5 * DEG
    steady_rad: float = 0.35 * DEG
    hunting_rad: float = 0.15 * DEG
    small_overshoot_rad: float = 1.2 * DEG
    restless_V: float = 0.6


def to_candidate(joint: Joint, x: np.ndarray) -> tuple[Gains, Profile]:
    """Return the gains and profile of a search point (logarithms of factors)."""
    gains, profile = rules.first_guess(joint.file, joint.part)
    factor = {name: exp(value) for (name, _, _), value in zip(SEARCH, x, strict=True)}
    for name in ("kp", "ki", "kd", "derivative_filter_s", "rest_in_rad", "integral_limit_V"):
        setattr(gains, name, getattr(gains, name) * factor[name])
    gains.rest_out_rad = 1.25 * gains.rest_in_rad
    gains.friction_feed_V *= factor["friction"]
    gains.breakaway_feed_V *= factor["friction"]
    gains.rate_weight = min(factor["feed"], 1.0)
    gains.speed_feed *= factor["feed"]
    gains.acceleration_feed *= factor["feed"]
    gains.tracking_s = max(sqrt(max(gains.kd, 1e-9) / max(gains.ki, 1e-9)), 2e-3)
    caps = rules.profile_caps(joint.file)
    profile.speed_rad_s = min(profile.speed_rad_s * factor["profile_speed"], caps[0])
    profile.acceleration_rad_s2 = min(
        profile.acceleration_rad_s2 * factor["profile_acceleration"], caps[1])
    profile.jerk_rad_s3 = min(profile.jerk_rad_s3 * factor["profile_acceleration"] ** 2,
                              caps[2])
    return gains, profile


def with_gains(settings: Settings, gains: Gains, profile: Profile) -> Settings:
    """Return a copy of settings with other gains and profile."""
    made = Settings()
    copy(settings, made)
    made.gains = gains
    made.profile = profile
    return made


class Robustness:
    """Margins of a candidate by precomputed plant responses."""

    def __init__(self, joint: Joint, parts: list) -> None:
        tick, delay = joint.settings.tick_s, joint.delay_s
        self.tick_s = tick
        self.w = linear.frequency_grid(tick)
        frame = joint.part.board_frame_s if joint.part.board != 0 else 0.0
        hold = linear.frame_hold(self.w, frame, tick)
        self.rigid = linear.plant_response(joint.part, tick, delay, True) * hold
        self.soft = [
            (linear.plant_response(part, tick, delay) * hold,
             0.5 * 2 * pi * rules.resonance_Hz(part))
            for part in parts if tolerance.inside_rule(part)
            and np.isfinite(rules.resonance_Hz(part))]

    def ms(self, gains: Gains) -> float:
        """Peak sensitivity of the rigid nominal loop."""
        own = linear.controller_response(gains, self.tick_s)
        return linear.peak_sensitivity(self.rigid * own)

    def resonance_margin(self, gains: Gains) -> float:
        """Smallest gain margin above half the cable resonance, over the parts."""
        own = linear.controller_response(gains, self.tick_s)
        return min((linear.margin_above(soft * own, self.w, at) for soft, at in self.soft),
                   default=inf)

    def penalty(self, gains: Gains) -> float:
        """Zero where both constraints hold, growing steeply beyond."""
        ms = max(self.ms(gains) / MS_MOST - 1.0, 0.0)
        margin = max(GAIN_MARGIN_LEAST / max(self.resonance_margin(gains), 1e-3) - 1.0, 0.0)
        return 40.0 * ms + 20.0 * margin


SEARCH_BAND = 0.016
"""Share of the step to which the search settles: narrower than the 2 % that is
reported, so that parts the search has not met stay inside as well."""


def situations(joint: Joint, step_rad: float, tail_s: float, share: float = 0.02
               ) -> dict[str, Scenario]:
    """The situations of the search, by name: tail of the large steps (s), settling band."""
    s = joint.settings
    low, high = scenarios.span_of(s)
    middle = 0.5 * (low + high)
    half = 0.5 * min(step_rad, high - low if s.sensing.travel == 0 else step_rad)
    fine = scenarios.fine_band(s, joint.part.probe.noise_counts)
    settle = 0.6 if joint.part.board == 0 else 1.2
    torque = 0.05 * s.limits.current_A * s.limits.back_emf_V_s
    return {
        "step": scenarios.step(middle - half, middle + half, fine, settle, tail_s, "step", share),
        "step_back": scenarios.step(middle + half, middle - half, fine, settle, tail_s,
                                    "step_back", share),
        "small": scenarios.step(middle, middle + DEG, fine, settle, 0.4, "small"),
        "sweep": scenarios.sweep(middle - 3 * DEG, middle + 3 * DEG, 0.6, fine),
        "soft": scenarios.contact(low, high, middle, 1.0, "soft"),
        "hard": scenarios.contact(low, high, middle, 30.0, "hard"),
        "grip": scenarios.contact(low, high, low + 0.25 * (high - low), 8.0, "grip", grip=True),
        "load": scenarios.load_change(middle, torque, fine),
    }


def p95(values: np.ndarray, missing: float) -> float:
    """95th percentile, with ``missing`` in the place of times that never came."""
    return float(np.percentile(np.nan_to_num(values, nan=missing), 95))


def over(value: float, bound: float) -> float:
    """By how much a value exceeds its bound, relative; 0 where it does not."""
    return max(value / bound - 1.0, 0.0)


def worst_mean(values: np.ndarray, share: float = 0.05) -> float:
    """Mean of the worst ``share`` of the values (at least one)."""
    count = max(1, round(share * len(values)))
    return float(np.sort(values)[-count:].mean())


def step_cost(rows: list[dict[str, np.ndarray]], goals: Goals) -> float:
    """Cost of the large steps: settling in units of 0.1 s, penalties beyond bounds.

    The parts of both directions count together; the worst 5 % decide.
    """
    row = {key: np.concatenate([one[key] for one in rows]) for key in rows[0]}
    settle = np.nan_to_num(row["settling_2pct_s"], nan=2.0)
    cost = (0.4 * worst_mean(settle) + 0.4 * p95(settle, 2.0) + 0.2 * float(settle.mean())) / 0.1
    cost += 3.0 * over(p95(row["overshoot_rad"], 1.0), goals.overshoot_rad * 0.9)
    cost += 2.0 * over(p95(row["steady_error_rad"], 1.0), goals.steady_rad * 0.85)
    cost += 2.0 * over(p95(row["hunting_rad"], 1.0), goals.hunting_rad * 0.8)
    cost += 1.0 * over(float(np.median(row["restless_V"])), goals.restless_V)
    return cost


def side_cost(joint: Joint, fleet: Fleet, settings: Settings, known: dict[str, Scenario],
              goals: Goals) -> float:
    """Cost of the other situations: small against the steps, steep when bounds break."""
    small = fleet.run(settings, known["small"]).table()
    sweep = fleet.run(settings, known["sweep"]).table()
    load = fleet.run(settings, known["load"]).table()
    cost = 0.3 * over(p95(small["overshoot_rad"], 1.0), goals.small_overshoot_rad)
    cost += 0.1 * p95(small["steady_error_rad"], 1.0) / goals.steady_rad
    cost += 0.1 * p95(sweep["tracking_rad"], 1.0) / (0.5 * DEG)
    cost += 0.1 * p95(load["tracking_rad"], 1.0) / (1.0 * DEG)
    grip = fleet.run(settings, known["grip"])
    return cost + 5.0 * over(float(np.percentile(grip.plants["peak_tip_N"], 95)),
                             joint.file.limits.tip_force)


def contact_cost(joint: Joint, fleet: Fleet, settings: Settings, known: dict[str, Scenario]
                 ) -> float:
    """Penalty where closing on an object overloads the cable or travel is left."""
    cost = 0.0
    strength = cable_strength(joint.file)
    for name in ("soft", "hard"):
        run = fleet.run(settings, known[name])
        beyond = run.scores["high_rad"] - settings.limits.travel_high_rad
        cost += 5.0 * max(float(np.percentile(beyond, 95)) / DEG, 0.0)
        if strength is not None:
            pull = float(np.percentile(run.plants["peak_cable_N"], 95))
            cost += 5.0 * over(pull, strength / joint.file.cable.safety_factor)
    return cost


@dataclass
class Progress:
    """What the search tells while it runs."""

    stage: str
    done: int
    total: int
    best: float


Listener = Callable[[Progress], None]


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
    tables: dict[str, dict[str, np.ndarray]] = field(default_factory=dict)
    fleets: dict[str, Fleet] = field(default_factory=dict)
    """Parts of the tables "held_out" and "outside"."""

    def summary(self, name: str) -> dict[str, dict[str, float | None]]:
        """Median and 95th percentile of each metric of a table; None is never."""
        return summarise(self.tables[name]) if name in self.tables else {}


@dataclass(frozen=True)
class Effort:
    """How much is searched: parts and runs of each stage, parts held out."""

    race_parts: int = 24
    side_parts: int = 8
    parts: int = 64
    population: int = 30
    generations: int = 28
    finalists: int = 8
    refine: int = 60
    held_out: int = 200
    single: int = 12


SMALL = Effort(10, 6, 32, 20, 10, 4, 24, 100, 6)
"""For the demo: same stages, a smaller search."""


class Search:
    """One tuning in progress."""

    def __init__(self, joint: Joint, step_rad: float, seed: int, effort: Effort,
                 listener: Listener | None = None) -> None:
        self.joint = joint
        self.seed = seed
        self.effort = effort
        self.goals = Goals()
        if joint.part.board != 0:
            self.goals = Goals(2.5 * DEG, 0.7 * DEG, 0.5 * DEG, 1.5 * DEG, 1.5)
        self.listener = listener
        self.evaluations = 0
        self.best = inf
        entries = tolerance.spread_of(joint.file, joint.path)
        parts, warmth = tolerance.draw_parts(
            joint.part, entries, effort.parts, seed, "inside")
        tick = joint.settings.tick_s
        self.few = Fleet(parts[: effort.race_parts], warmth[: effort.race_parts], tick,
                         joint.delay_s, seed + 1)
        self.all = Fleet(parts, warmth, tick, joint.delay_s, seed + 2)
        self.side = Fleet(parts[: effort.side_parts], warmth[: effort.side_parts], tick,
                          joint.delay_s, seed + 3)
        self.short = situations(joint, step_rad, 1.0, SEARCH_BAND)
        self.long = situations(joint, step_rad, 10.0, SEARCH_BAND)
        self.robustness = Robustness(joint, parts)
        self.low = np.array([log(a) for _, a, _ in SEARCH])
        self.high = np.array([log(b) for _, _, b in SEARCH])

    def tell(self, stage: str, done: int, total: int) -> None:
        """Report progress."""
        if self.listener is not None:
            self.listener(Progress(stage, done, total, self.best))

    def cost(self, x: np.ndarray, full: bool) -> float:
        """Cost of a search point on few parts and short tails, or on all and full."""
        self.evaluations += 1
        x = np.clip(x, self.low, self.high)
        gains, profile = to_candidate(self.joint, x)
        wall = self.robustness.penalty(gains)
        if wall > 3.0:
            return 40.0 + wall
        settings = with_gains(self.joint.settings, gains, profile)
        fleet, known = (self.all, self.long) if full else (self.few, self.short)
        rows = [fleet.run(settings, known[name]).table() for name in ("step", "step_back")]
        cost = step_cost(rows, self.goals) + wall
        if cost < 12.0:
            cost += side_cost(self.joint, self.side, settings, known, self.goals)
            if full:
                cost += contact_cost(self.joint, self.side, settings, known)
        else:
            cost += 5.0
        return cost

    def race(self) -> list[np.ndarray]:
        """Stage 1: differential evolution on few parts; return the finalists."""
        from scipy.optimize import differential_evolution

        effort = self.effort
        rng = np.random.default_rng(self.seed)
        start = np.clip(rng.normal(0.0, 0.45, (effort.population, len(SEARCH))), self.low, self.high)
        start[0] = np.clip(0.0, self.low, self.high)
        start[1:1 + effort.population // 2] += self.raw_step()
        start = np.clip(start, self.low, self.high)
        seen: list[tuple[float, np.ndarray]] = []
        total = effort.population * (effort.generations + 1)

        def run(x: np.ndarray) -> float:
            value = self.cost(x, False)
            seen.append((value, np.array(x)))
            if value < self.best:
                self.best = value
            self.tell("race on few parts", len(seen), total)
            return value

        differential_evolution(
            run, list(zip(self.low, self.high, strict=True)), maxiter=effort.generations,
            init=start, popsize=1, tol=0.0, mutation=(0.4, 0.9), recombination=0.8, polish=False,
            rng=self.seed)
        seen.sort(key=lambda one: one[0])
        return [x for _, x in seen[: effort.finalists]]

    def raw_step(self) -> np.ndarray:
        """A point of another kind: an almost bare step, braked by the derivative."""
        away = {"kp": 1.0, "kd": 0.75, "feed": 0.05, "profile_speed": 1.3, "profile_acceleration": 8.0}
        return np.array([log(away.get(name, 1.0)) for name, _, _ in SEARCH])

    def refine(self, finalists: list[np.ndarray]) -> tuple[np.ndarray, float]:
        """Stages 2 and 3: all parts, full tails; then Nelder-Mead from the winner."""
        from scipy.optimize import minimize

        values = []
        self.best = inf
        for k, x in enumerate(finalists):
            values.append(self.cost(x, True))
            self.best = min(values)
            self.tell("finalists on all parts", k + 1, len(finalists))
        winner = finalists[int(np.argmin(values))]
        count = [0]

        def run(x: np.ndarray) -> float:
            value = self.cost(x, True)
            count[0] += 1
            self.best = min(self.best, value)
            self.tell("refining", count[0], self.effort.refine)
            return value

        simplex = np.vstack([winner] + [
            np.clip(winner + 0.12 * (1 if k % 2 else -1) * np.eye(len(SEARCH))[k],
                    self.low, self.high) for k in range(len(SEARCH))])
        found = minimize(run, winner, method="Nelder-Mead", options={
            "maxfev": self.effort.refine, "initial_simplex": simplex, "xatol": 1e-3, "fatol": 1e-3})
        if found.fun <= min(values):
            return np.clip(found.x, self.low, self.high), float(found.fun)
        return winner, float(min(values))


def report_table(joint: Joint, fleet: Fleet, settings: Settings, step_rad: float
                 ) -> dict[str, np.ndarray]:
    """Metrics of both step directions over a fleet, one array of 2 n values each."""
    known = situations(joint, step_rad, 10.0)
    rows = [fleet.run(settings, known[name]).table() for name in ("step", "step_back")]
    return {key: np.concatenate([row[key] for row in rows]) for key in rows[0]}


def single_table(joint: Joint, fleet: Fleet, settings: Settings, step_rad: float, count: int
                 ) -> dict[str, np.ndarray]:
    """The same of the first ``count`` parts with the controller in single precision.

    Its tail is 2 s: this runs uncompiled.
    """
    known = situations(joint, step_rad, 2.0)
    rows = []
    for name in ("step", "step_back"):
        for k in range(min(count, len(fleet))):
            trace = simulate(joint, known[name], fleet.objects[k], fleet.warmth_C[k], k + 1,
                             "single", settings)
            rows.append(trace.metrics.as_dict())
    return {key: np.array([np.nan if row[key] is None else row[key] for row in rows])
            for key in REPORTED}


REPORTED = ("settling_2pct_s", "settling_count_s", "overshoot_rad", "steady_error_rad",
            "hunting_rad", "tracking_rad", "restless_V", "peak_tension_N", "peak_tip_force_N")


def summarise(table: dict[str, np.ndarray]) -> dict[str, dict[str, float | None]]:
    """Median and 95th percentile of each metric; None where that part never settles."""
    rows: dict[str, dict[str, float | None]] = {}
    for key, values in table.items():
        known = np.nan_to_num(values, nan=np.inf)
        rows[key] = {}
        for name, share in (("median", 50), ("p95", 95)):
            found = float(np.percentile(known, share, method="higher"
                                        if np.isinf(known).any() else "linear"))
            rows[key][name] = found if np.isfinite(found) else None
    return rows


def bootstrap_p95(values: np.ndarray, seed: int, missing: float = np.inf) -> tuple[float, float]:
    """95 % bootstrap interval of the 95th percentile."""
    rng = np.random.default_rng(seed)
    known = np.nan_to_num(values, nan=missing)
    draws = rng.choice(known, (400, len(known)))
    found = np.percentile(draws, 95, axis=1)
    return float(np.percentile(found, 2.5)), float(np.percentile(found, 97.5))


def tune(joint: Joint, seed: int = 1, step_rad: float = 60.0 * DEG, effort: Effort | None = None,
         listener: Listener | None = None) -> Tuning:
    """Tune a joint and report on parts held out from the search.

    Returns gains and tables "before" (the file's gains), "first_guess", "tuned"
    (the search's parts), "held_out", "outside" (the rule). Raises InputError.
    """
    effort = effort or Effort()
    search = Search(joint, step_rad, seed, effort, listener)
    x, cost = search.refine(search.race())
    gains, profile = to_candidate(joint, x)
    first, first_profile = rules.first_guess(joint.file, joint.part)
    result = Tuning(gains, profile, first, first_profile, search.evaluations, cost, seed, step_rad)
    entries = tolerance.spread_of(joint.file, joint.path)
    tuned = with_gains(joint.settings, gains, profile)
    guessed = with_gains(joint.settings, first, first_profile)
    tick = joint.settings.tick_s
    for name, rule, offset in (("held_out", "inside", 1000), ("outside", "outside", 2000)):
        parts, warmth = tolerance.draw_parts(
            joint.part, entries, effort.held_out, seed + offset, rule)
        if not parts:
            continue
        fleet = Fleet(parts, warmth, tick, joint.delay_s, seed + offset + 7)
        result.tables[name] = report_table(joint, fleet, tuned, step_rad)
        result.fleets[name] = fleet
        search.tell("held-out parts", len(result.fleets), 3)
    fleet = result.fleets.get("held_out", search.all)
    result.tables["first_guess"] = report_table(joint, fleet, guessed, step_rad)
    result.tables["before"] = report_table(joint, fleet, joint.settings, step_rad)
    result.tables["single_precision"] = single_table(
        joint, fleet, tuned, step_rad, effort.single)
    search.tell("single precision", 3, 3)
    result.tables["tuned"] = report_table(joint, search.all, tuned, step_rad)
    found = linear.margins(joint.part, gains, tick, joint.delay_s).as_dict()
    found["resonance_gain_margin"] = search.robustness.resonance_margin(gains)
    result.margins = found
    return result
