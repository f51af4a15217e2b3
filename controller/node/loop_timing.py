"""What a tick of a loop costs, and when it may collect garbage."""

from controller.node.timing import Timing
from controller.portable import collect, const, ticks_diff

MYPY = False
if MYPY:  # types are for the checker only: a board has no typing module
    from controller.node.loop import Loop

COLLECT_AFTER = const(8)
"Ticks after which garbage is collected, if there is time."
COLLECT_FORCED = const(60)
"Ticks after which it is collected even if a tick is late for it."
TRIAL_TICKS = const(20)


class LoopTiming(Timing):
    """Counters and costs of a loop that ticks, serves and collects in turn."""

    since_collect = 0

    def tick_begins(self, steps: int) -> None:
        """Count a tick that stands for ``steps`` periods."""
        self.since_collect += steps
        if steps > 1:
            self.late += steps - 1

    def tick_ends(self, spent_us: int) -> None:
        """Account the time of a tick (us)."""
        self.ticks += 1
        self.sum_us += spent_us
        if spent_us > self.most_us:
            self.most_us = spent_us

    def may_collect(self, left_us: int) -> bool:
        """Tell whether garbage should be collected now, ``left_us`` before the next tick."""
        if self.since_collect < COLLECT_AFTER:
            return False
        return left_us > self.collect_us + 200 or self.since_collect >= COLLECT_FORCED

    def collected(self, spent_us: int) -> None:
        """Account a collection (us)."""
        self.since_collect = 0
        self.collections += 1
        if spent_us > self.longest_us:
            self.longest_us = spent_us
        if spent_us > self.collect_us:
            self.collect_us = spent_us

    def measure(self, node: "Loop") -> None:
        """Measure tick and collection on copies of every joint, the drive left alone.

        A tick fits if ticks and a share of a collection stay below 85 % of the
        tick period.
        """
        now = node.clock.now
        collect()
        start = now()
        for _ in range(TRIAL_TICKS):
            for k in range(node.joints.count):
                node.joints.trial_tick(k)
        self.cost_us = ticks_diff(now(), start) // TRIAL_TICKS
        start = now()
        collect()
        self.collect_us = ticks_diff(now(), start)
        load = self.cost_us + self.collect_us // COLLECT_AFTER
        self.fits = load <= node.tick_us * 85 // 100
