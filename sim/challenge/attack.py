"""The search: Hypothesis draws scenarios, pushes them towards the limits, shrinks a breach.

It goes in rounds. Each round draws with its own seed and pushes one margin up
(``hypothesis.target``); the first breach is shrunk to the smallest scenario that
still breaks the same rule, and ends the search. Rounds know nothing of each other, so
that they can run side by side.
"""

import os
import threading
import time
from collections import Counter, deque
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from typing import Any

import hypothesis
from hypothesis import HealthCheck, Phase, Verbosity

from sim.challenge.crew import crew_fleet
from sim.challenge.rules import EXACT, Judgement, Rules
from sim.challenge.steady import steady_draws
from sim.challenge.strategies import KINDS, scenarios
from sim.run.closed_loop import Fleet, Joint, joint_of
from sim.run.executors import Runner
from sim.run.scenarios import Scenario

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

    scenarios: int = 0
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
    pull_N: float = 0.0
    """Greatest cable pull in scenarios without a load from outside."""


Listener = Callable[["Outcome", float], None]
Tell = Callable[["Outcome"], None]


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

    def __init__(self, joint: Joint, seed: int, parts: int = 32, kinds: tuple[str, ...] = KINDS,
                 duration_s: float = 1.5) -> None:  # fmt: skip
        self.joint = joint
        self.seed, self.parts = seed, parts
        self.fleet: Fleet = crew_fleet(joint, seed, parts)
        self.fleet.workers = 1  # rounds run beside each other instead: drawing takes time too
        self.rules = Rules(joint, self.fleet)
        self.strategy = scenarios(joint, kinds, duration_s)
        self.outcome = self.blank()
        self.begun = time.monotonic()

    def blank(self) -> Outcome:
        """An outcome with nothing tried."""
        return Outcome(worst={name: Worst() for name in self.rules.names})

    def judge(self, scene: Scenario, book: Outcome | None = None) -> Judgement:
        """Run a scenario on the crew and judge it; book what it showed."""
        found = self.rules.judge(scene, self.fleet.run(self.joint.settings, scene))
        o = book or self.outcome
        o.scenarios += 1
        o.runs += len(self.fleet)
        o.kinds.update(scene.kinds)
        o.faults.update(found.faults)
        o.pull_N = max(o.pull_N, found.pull_N)
        if o.scenarios == 1:
            o.first_s = time.monotonic() - self.begun
        for name, share in found.shares.items():
            if share > o.worst[name].share:
                o.worst[name] = Worst(share, scene, found.parts[name])
        return found

    def round(self, number: int, examples: int, tell: Callable[[Outcome], None]) -> Outcome:
        """One round: what it tried, and its breach if it found one."""
        label = self.rules.names[number % len(self.rules.names)]
        book = self.blank()
        first: list[str] = []
        smallest: list[tuple[Scenario, int]] = []

        @hypothesis.seed(self.seed * 1_000_003 + number)
        @profile(examples)
        @hypothesis.given(self.strategy)
        def search(scene: Scenario) -> None:
            found = self.judge(scene, book)
            tell(book)
            hypothesis.target(min(found.shares[label], 10.0), label=label)
            broken = [name for name in found.broken if not first or name == first[0]]
            if broken:
                if not first:
                    first.append(broken[0])
                    book.shrunk_from = len(scene.rows)
                smallest.append((scene, found.parts.get(broken[0], 0)))
                raise BreachError(broken[0])

        try:
            search()
        except BreachError:
            book.broken = first[0]
            book.breach, book.part = smallest[-1]
        return book


def attack(
    joint: Joint,
    seed: int = 1,
    examples: int | None = None,
    minutes: float | None = None,
    listener: Listener | None = None,
    parts: int = 32,
    workers: int | None = None,
    runner: Runner | None = None,
) -> Attack:
    """Search for a breach of a joint and its gains: so many scenarios, or so many minutes.

    With neither, 1,000 scenarios. Rounds run beside each other in ``workers`` threads (None:
    one a core), or on the workers of ``runner``, and are booked in their order: the result
    depends on the seed alone.
    listener(outcome, share done) is told often (by round on a runner), never from two threads
    at once.
    """
    search = Attack(joint, seed, parts)
    wanted = examples or (10**7 if minutes else 1000)
    end = time.monotonic() + 60.0 * minutes if minutes else float("inf")
    sizes = [min(ROUND, wanted - k * ROUND) for k in range(-(-wanted // ROUND))]

    def share(so_far: Outcome) -> float:
        done = so_far.scenarios / wanted
        if minutes:
            done = 1.0 - (end - time.monotonic()) / (60.0 * minutes)
        return min(max(done, 0.0), 1.0)

    tell = None if listener is None else (lambda so_far: listener(so_far, share(so_far)))

    if runner is None:
        with steady_draws():
            books = _in_threads(search, sizes, end, tell, workers)
    else:
        books = _on_runner(search, sizes, end, tell, runner)
    search.outcome = _together(search, books)
    search.outcome.elapsed_s = time.monotonic() - search.begun
    return search


def _in_threads(search: Attack, sizes: list[int], end: float, tell: Tell | None,
                workers: int | None) -> list[Outcome]:  # fmt: skip
    """Rounds in this process: their books in order, up to the first breach."""
    live: dict[int, Outcome] = {}
    lock = threading.Lock()

    def tell_of(number: int, book: Outcome) -> None:
        if over.is_set():
            raise KeyboardInterrupt  # the one thing that Hypothesis lets through at once
        if tell is None:
            return
        with lock:
            live[number] = book
            tell(_together(search, [live[k] for k in sorted(live)]))

    def one(number: int) -> Outcome | None:
        if time.monotonic() >= end or stop.is_set():
            return None
        book = search.round(number, sizes[number], lambda so_far: tell_of(number, so_far))
        if book.broken:
            stop.set()
        return book

    stop, over = threading.Event(), threading.Event()
    books: list[Outcome] = []
    with ThreadPoolExecutor(workers or os.cpu_count() or 1) as pool:
        waiting = deque(pool.submit(one, k) for k in range(len(sizes)))
        try:
            while waiting:
                book = waiting.popleft().result()
                if book is None:
                    break
                books.append(book)
                if book.broken:
                    break
        finally:
            stop.set()
            over.set()
            for job in waiting:
                job.cancel()
    return books


Round = tuple[dict[str, Any], str, int, int, int, int]
"""Tables and path of a joint, seed, parts, number and size of the round."""


def _on_runner(search: Attack, sizes: list[int], end: float, tell: Tell | None,
               runner: Runner) -> list[Outcome]:  # fmt: skip
    """The same on workers elsewhere."""
    joint = search.joint
    rounds: list[Round] = [(joint.tables, joint.path, search.seed, search.parts, k, size)
                           for k, size in enumerate(sizes)]  # fmt: skip
    books: list[Outcome] = []
    for book in runner.map(round_of, rounds):
        books.append(book)
        if tell is not None:
            tell(_together(search, books))
        if book.broken or time.monotonic() >= end:
            break
    return books


_kept: dict[str, Attack] = {}
"""The attack that a worker has prepared: its parts take longer to draw than a round needs."""


def round_of(work: Round) -> Outcome:
    """One round, wherever it is run. Raises InputError."""
    tables, path, seed, parts, number, size = work
    key = repr((tables, seed, parts))
    search = _kept.get(key)
    if search is None:
        search = Attack(joint_of(tables, path), seed, parts)
        _kept.clear()
        _kept[key] = search
    with steady_draws():
        return search.round(number, size, lambda _: None)


def _together(search: Attack, books: list[Outcome]) -> Outcome:
    """Rounds in their order as one outcome; the first breach is the last round counted."""
    whole = search.blank()
    whole.first_s = min((book.first_s for book in books), default=0.0)
    for book in books:
        whole.scenarios += book.scenarios
        whole.runs += book.runs
        whole.kinds.update(book.kinds)
        whole.faults.update(book.faults)
        whole.pull_N = max(whole.pull_N, book.pull_N)
        for name, worst in book.worst.items():
            if worst.share > whole.worst[name].share:
                whole.worst[name] = worst
        if book.broken:
            whole.broken, whole.breach, whole.part = book.broken, book.breach, book.part
            whole.shrunk_from = book.shrunk_from
            break
    return whole


__all__ = ["EXACT", "Attack", "BreachError", "Outcome", "Worst", "attack", "profile"]
