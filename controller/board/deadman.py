"""Deadman: a hard timer that cuts the drive when the loop stands still.

Integers only, and nothing is allocated in the callback: it runs in a hard
interrupt, also while garbage is collected or a write to the host is stuck.
"""

from controller.portable import const

PERIOD_MS = const(5)
LIMIT = const(4)  # callbacks without a sign of life: 20 ms


class Deadman:
    """Counts callbacks since the loop's last sign of life."""

    def __init__(self, off):
        """``off`` is a list of bound functions that each take 0: the duty of every output."""
        self.off = off
        self.count = 0
        self.trips = 0
        self.on_timer = self._on_timer  # a bound method made once: none is made in the interrupt

    def start(self, timer_class):
        """Start the timer, and keep it: a timer kept only in a local is collected."""
        self.timer = timer_class(
            period=PERIOD_MS, mode=timer_class.PERIODIC, callback=self.on_timer, hard=True
        )

    def alive(self):
        """The loop has ticked."""
        self.count = 0

    def _on_timer(self, _timer):
        self.count += 1
        if self.count >= LIMIT:
            for one in self.off:
                one(0)
            if self.count == LIMIT:
                self.trips += 1
