"""The search: Hypothesis draws programs, pushes them towards the limits, shrinks a breach.

It goes in rounds. Each round draws with its own seed and pushes one margin up
(``hypothesis.target``); the first breach is shrunk to the smallest program that
still breaks the same rule, and ends the search.
"""

import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field

import hypothesis
from hypothesis import HealthCheck, Phase, Verbosity

from sim.challenge.crew import crew_fleet
from sim.challenge.rules import EXACT, Judgement, Rules
from sim.challenge.strategies import KINDS, programs
from sim.closed_loop import Fleet, Joint
from sim.scenarios import Scenario

ROUND = 150


class BreachError(Exception):
    """A rule was broken (caught inside; Hypothesis shrinks on it)."""


@dataclass
class Worst:
    """The nearest that any run came to one limit."""

    share: float = 0.0
    scene: Scenario | None = None
    part: int = 0


@dataclass
class Outcome:
    """What the search tried and found."""

    programs: int = 0
    runs: int = 0
    elapsed_s: float = 0.0
    first_s: float = 0.0
    kinds: Counter[str] = field(default_factory=Counter)
    faults: Counter[str] = field(default_factory=Counter)
    worst: dict[str, Worst] = field(default_factory=dict)
    broken: str | None = None
    breach: Scenario | None = None
    part: int = 0
    shrunk_from: int = 0


Listener = Callable[["Outcome", float], None]


def profile(examples: int, shrink: bool = True) -> hypothesis.settings:
    """Our own complete profile: nothing depends on the machine, nothing is kept on disk."""
    phases = [Phase.explicit, Phase.generate, Phase.target]
    return hypothesis.settings(
        max_examples=examples,
        deadline=None,
        database=None,
        derandomize=False,
        print_blob=False,
        phases=[*phases, Phase.shrink] if shrink else phases,
        report_multiple_bugs=False,
        suppress_health_check=list(HealthCheck),
        verbosity=Verbosity.quiet,
        stateful_step_count=30,
    )


class Attack:
    """One search over one joint."""

    def __init__(self, joint: Joint, seed: int, parts: int = 16, kinds: tuple[str, ...] = KINDS,
                 duration_s: float = 1.5) -> None:  # fmt: skip
        self.joint = joint
        self.seed = seed
        self.fleet: Fleet = crew_fleet(joint, seed, parts)
        self.rules = Rules(joint, self.fleet)
        self.strategy = programs(joint, kinds, duration_s)
        self.outcome = Outcome(worst={name: Worst() for name in self.rules.names})
        self.begun = time.monotonic()

    def judge(self, scene: Scenario) -> Judgement:
        """Run a program on the crew and judge it; book what it showed."""
        found = self.rules.judge(scene, self.fleet.run(self.joint.settings, scene))
        o = self.outcome
        o.programs += 1
        o.runs += len(self.fleet)
        o.kinds.update(scene.kinds)
        o.faults.update(found.faults)
        if o.programs == 1:
            o.first_s = time.monotonic() - self.begun
        for name, share in found.shares.items():
            if share > o.worst[name].share:
                o.worst[name] = Worst(share, scene, found.parts[name])
        return found

    def round(self, number: int, examples: int, tell: Callable[[], None]) -> bool:
        """One round; tell whether it found a breach."""
        label = self.rules.names[number % len(self.rules.names)]
        first: list[str] = []
        smallest: list[tuple[Scenario, int]] = []

        @hypothesis.seed(self.seed * 1_000_003 + number)
        @profile(examples)
        @hypothesis.given(self.strategy)
        def search(scene: Scenario) -> None:
            found = self.judge(scene)
            tell()
            hypothesis.target(min(found.shares[label], 10.0), label=label)
            broken = [name for name in found.broken if not first or name == first[0]]
            if broken:
                if not first:
                    first.append(broken[0])
                    self.outcome.shrunk_from = len(scene.rows)
                smallest.append((scene, found.parts.get(broken[0], 0)))
                raise BreachError(broken[0])

        try:
            search()
        except BreachError:
            self.outcome.broken = first[0]
            self.outcome.breach, self.outcome.part = smallest[-1]
            return True
        return False


def attack(
    joint: Joint,
    seed: int = 1,
    examples: int | None = None,
    minutes: float | None = None,
    listener: Listener | None = None,
    parts: int = 16,
) -> Attack:
    """Search for a breach of a joint and its gains: so many programs, or so many minutes.

    With neither, 1,000 programs. listener(outcome, share done) is told often.
    """
    search = Attack(joint, seed, parts)
    wanted = examples or (10**9 if minutes else 1000)
    end = time.monotonic() + 60.0 * minutes if minutes else float("inf")

    def tell() -> None:
        if listener is not None:
            share = search.outcome.programs / wanted
            if minutes:
                share = 1.0 - (end - time.monotonic()) / (60.0 * minutes)
            listener(search.outcome, min(max(share, 0.0), 1.0))

    number = 0
    while search.outcome.programs < wanted and time.monotonic() < end:
        if search.round(number, min(ROUND, wanted - search.outcome.programs), tell):
            break
        number += 1
    search.outcome.elapsed_s = time.monotonic() - search.begun
    return search


__all__ = ["EXACT", "Attack", "BreachError", "Outcome", "Worst", "attack", "profile"]
