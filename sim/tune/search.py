"""The search for gains: differential evolution, then Nelder-Mead, on many parts."""

from collections.abc import Callable
from dataclasses import dataclass
from math import exp, inf, log, sqrt

import numpy as np

from controller.joint.settings.settings import Gains, Profile, Settings
from controller.records import copy
from sim.joint import gains as rules
from sim.joint import spread
from sim.run.closed_loop import Fleet, Joint
from sim.run.scenarios import step_ends
from sim.tune.cost import (
    RACE_BAND,
    SEARCH_BAND,
    Goals,
    Robustness,
    contact_cost,
    outside_cost,
    search_scenarios,
    side_cost,
    step_cost,
)
from sim.units import DEG

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
        profile.acceleration_rad_s2 * factor["profile_acceleration"], caps[1]
    )
    profile.jerk_rad_s3 = min(profile.jerk_rad_s3 * factor["profile_acceleration"] ** 2, caps[2])
    return gains, profile


def from_gains(joint: Joint, gains: Gains, profile: Profile) -> np.ndarray:
    """The search point that is nearest to gains and a profile: ``to_candidate`` turned round."""
    first, way = rules.first_guess(joint.file, joint.part)
    found = {
        name: getattr(gains, name) / getattr(first, name)
        for name in ("kp", "ki", "kd", "derivative_filter_s", "rest_in_rad", "integral_limit_V")
    }
    found["friction"] = gains.breakaway_feed_V / first.breakaway_feed_V
    found["feed"] = gains.speed_feed / first.speed_feed
    found["profile_speed"] = profile.speed_rad_s / way.speed_rad_s
    found["profile_acceleration"] = profile.acceleration_rad_s2 / way.acceleration_rad_s2
    return np.array(
        [min(max(log(max(found[name], 1e-9)), log(a)), log(b)) for name, a, b in SEARCH]
    )


def with_gains(settings: Settings, gains: Gains, profile: Profile) -> Settings:
    """Return a copy of settings with other gains and profile."""
    made = Settings()
    copy(settings, made)
    made.gains = gains
    made.profile = profile
    return made


@dataclass
class Progress:
    """What the search tells while it runs."""

    stage: str
    done: int
    total: int
    best: float


Listener = Callable[[Progress], None]


@dataclass(frozen=True)
class Effort:
    """How much is searched: parts and runs of each stage, parts held out."""

    race_parts: int = 48
    side_parts: int = 8
    parts: int = 96
    outside_parts: int = 24
    population: int = 30
    generations: int = 22
    finalists: int = 16
    refine: int = 60
    held_out: int = 200
    single: int = 12


SMALL = Effort(10, 6, 32, 12, 20, 10, 4, 24, 100, 6)
"""For the demo: same stages, a smaller search."""


class Search:
    """One tuning in progress."""

    def __init__(
        self,
        joint: Joint,
        step_rad: float,
        seed: int,
        effort: Effort,
        listener: Listener | None = None,
    ) -> None:
        self.joint = joint
        self.seed = seed
        start, end = step_ends(joint.settings, step_rad)
        self.step_rad = end - start
        """What is made of the step asked for: a short range allows less."""
        self.effort = effort
        self.goals = Goals()
        if joint.part.amplifier != 0:
            self.goals = Goals(2.5 * DEG, 0.7 * DEG, 0.5 * DEG, 1.5 * DEG, 1.5)
        self.listener = listener
        self.evaluations = 0
        self.best = inf
        entries = spread.spread_of(joint.file)
        parts, warmth = spread.draw_parts(joint.part, entries, effort.parts, seed, "inside")
        soft, soft_warmth = spread.draw_parts(
            joint.part, entries, effort.outside_parts, seed + 500, "outside"
        )
        self.inside = bool(parts)
        if not parts:  # the resonance rule holds for none: tune on what there is
            parts, warmth = spread.draw_parts(joint.part, entries, effort.parts, seed, "any")
        tick = joint.settings.tick_s
        self.few = Fleet(
            parts[: effort.race_parts], warmth[: effort.race_parts], tick, joint.delay_s, seed + 1
        )
        self.all = Fleet(parts, warmth, tick, joint.delay_s, seed + 2)
        self.side = Fleet(
            parts[: effort.side_parts], warmth[: effort.side_parts], tick, joint.delay_s, seed + 3
        )
        self.soft = Fleet(soft, soft_warmth, tick, joint.delay_s, seed + 4) if soft else None
        self.short = search_scenarios(joint, step_rad, 1.0, RACE_BAND)
        self.long = search_scenarios(joint, step_rad, 4.0, SEARCH_BAND)
        self.robustness = Robustness(joint, parts if self.inside else [], soft)
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
            return 80.0 + wall
        settings = with_gains(self.joint.settings, gains, profile)
        fleet, known = (self.all, self.long) if full else (self.few, self.short)
        rows = [fleet.run(settings, known[name]).table() for name in ("step", "step_back")]
        cost = step_cost(rows, self.goals) + wall
        if cost < 24.0:
            cost += side_cost(self.joint, self.side, settings, known, self.goals)
            if full and self.soft is not None:
                rows = [
                    self.soft.run(settings, known[name]).table() for name in ("step", "step_back")
                ]
                cost += outside_cost(rows)
            if full:
                cost += contact_cost(self.joint, self.side, settings, known)
        else:
            cost += 10.0
        return cost

    def race(self) -> list[np.ndarray]:
        """Stage 1: differential evolution on few parts; return the finalists."""
        from scipy.optimize import differential_evolution

        effort = self.effort
        start = self.starts(np.random.default_rng(self.seed))
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
            run,
            list(zip(self.low, self.high, strict=True)),
            maxiter=effort.generations,
            init=start,
            popsize=1,
            tol=0.0,
            mutation=(0.4, 0.9),
            recombination=0.8,
            polish=False,
            rng=self.seed,
        )
        found = self.different(seen)
        present = self.present()
        return found if present is None else [*found, present]

    def present(self) -> np.ndarray | None:
        """The file's own gains as a search point; None where it has none."""
        if self.joint.file.gains is None:
            return None
        return from_gains(self.joint, self.joint.settings.gains, self.joint.settings.profile)

    def different(self, seen: list[tuple[float, np.ndarray]]) -> list[np.ndarray]:
        """The best points that lie apart: neighbours share each other's luck."""
        chosen: list[np.ndarray] = []
        for _, x in sorted(seen, key=lambda one: one[0]):
            if all(np.abs(x - other).max() > 0.12 for other in chosen):
                chosen.append(x)
            if len(chosen) == self.effort.finalists:
                break
        return chosen

    def starts(self, rng: np.random.Generator) -> np.ndarray:
        """First population: the rule's guess, and two kinds of solution with scatter.

        An almost bare step braked by the derivative, and a profile that even slow
        parts can follow: between them a search alone finds no way.
        """
        count = self.effort.population
        bare = self.point({"kd": 0.75, "feed": 0.05, "profile_speed": 1.3,
                           "profile_acceleration": 8.0})  # fmt: skip
        follow = self.point({"kd": 0.6, "ki": 0.7, "integral_limit_V": 0.5,
                             "profile_speed": 0.62, "profile_acceleration": 1.05})  # fmt: skip
        start = rng.normal(0.0, 0.35, (count, len(SEARCH)))
        start[0] = 0.0
        start[1 : 1 + count // 2] += bare
        start[1 + count // 2 :] += follow
        start[1], start[-1] = bare, follow
        present = self.present()
        if present is not None:  # what the file has is not lost
            start[2] = present
        return np.clip(start, self.low, self.high)

    def point(self, factors: dict[str, float]) -> np.ndarray:
        """Search point with these factors on the first guess, 1 elsewhere."""
        return np.array([log(factors.get(name, 1.0)) for name, _, _ in SEARCH])

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

        simplex = np.vstack(
            [winner]
            + [
                np.clip(
                    winner + 0.12 * (1 if k % 2 else -1) * np.eye(len(SEARCH))[k],
                    self.low,
                    self.high,
                )
                for k in range(len(SEARCH))
            ]
        )
        found = minimize(
            run,
            winner,
            method="Nelder-Mead",
            options={
                "maxfev": self.effort.refine,
                "initial_simplex": simplex,
                "xatol": 1e-3,
                "fatol": 1e-3,
            },
        )
        if found.fun <= min(values):
            return np.clip(found.x, self.low, self.high), float(found.fun)
        return winner, float(min(values))
