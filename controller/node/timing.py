"""What ticks cost and how late they were, for the health report and HELLO."""


class Timing:
    """Counters of one reporting period, and the costs measured at the start."""

    def __init__(self) -> None:
        self.cost_us = 0
        self.collect_us = 0
        self.fits = True
        self.free = 0
        self.reset()

    def reset(self) -> None:
        """Begin a new reporting period."""
        self.ticks = 0
        self.sum_us = 0
        self.most_us = 0
        self.late = 0
        self.collections = 0
        self.longest_us = 0

    def mean_us(self) -> int:
        """Mean time of a tick (us) in this period."""
        return self.sum_us // self.ticks if self.ticks else 0
