"""Board adapter of simulated joints (the interface stands in controller/node/node.py).

The joints are moved on to the clock's time when the first of them is read. A loop that stands
still (an injected stall) loses the drive after the second watch's time, as on a real board.
"""

from typing import Any

from controller.wire.messages import VIRTUAL
from host.virtual.mechanism import Mechanism
from sim.model.schedule import RAISE, STALL

STANDSTILL_US = 20_000
MOST_STALL_S = 1.0
FARTHEST = 1.0e9
INBOUND = 128
"""Octets read in a tick."""


class Adapter:
    """A board whose joints are some of a mechanism's."""

    KIND = 0
    FLAGS = VIRTUAL

    def __init__(self, mechanism: Mechanism, numbers: list[int], clock: Any,
                 inbound: int = INBOUND) -> None:  # fmt: skip
        """numbers: of its joints in the mechanism; clock: has ``us``, and ``sleep(us)``."""
        self.INBOUND = inbound
        self.mechanism, self.numbers, self.clock = mechanism, numbers, clock
        self.tops = [int(mechanism.parts["sensor"]["top_counts"][k]) for k in numbers]
        """Highest reading of each joint's wiper (counts)."""
        self.trips = 0
        self.stalled_us = 0
        self.raise_next = False

    def read(self, k: int, readings: Any) -> None:
        """Read converter and supply of joint ``k``."""
        if self.raise_next:
            self.raise_next = False
            raise RuntimeError("injected error")
        self.mechanism.advance(self.clock.us)
        found = self.mechanism.read(self.numbers[k])
        readings.counts, readings.second_counts = found[0], found[1]
        readings.supply_V, readings.current_A = found[2], found[3]

    def drive(self, k: int, value: float, pulse: bool) -> None:  # noqa: ARG002
        """Put out a duty or a pulse width."""
        self.mechanism.put(self.numbers[k], float(value))

    def off(self) -> None:
        """All drives off."""
        for k in range(len(self.numbers)):
            self.cut(k)

    def cut(self, k: int) -> None:
        """Drive of joint ``k`` off, at once."""
        self.mechanism.advance(self.clock.us)
        self.mechanism.cut(self.numbers[k])

    def beat(self) -> None:
        """The loop is alive; where a stall waits, it has stood still until now."""
        if self.stalled_us:
            self.clock.sleep(self.take_stall())

    def strained(self) -> list[str]:
        """What to tell the host of cables that were pulled beyond what they are allowed."""
        return self.mechanism.strained(self.numbers)

    def take_stall(self) -> int:
        """Time (us) for which the loop stands still from now on; the second watch cuts the drive."""
        span, self.stalled_us = self.stalled_us, 0
        if span > STANDSTILL_US:
            self.mechanism.advance(self.clock.us)
            self.trips += 1
            for number in self.numbers:
                self.mechanism.cut(number, STANDSTILL_US)
        return span

    def standstills(self) -> int:
        """Times the second watch has cut the drive."""
        return self.trips

    def meddle(self, k: int, kind: int, a: float, b: float, c: float) -> bool:
        """Inject what a schedule's events do (sim/model/schedule.py), a stall or an error."""
        for one in (a, b, c):
            if not -FARTHEST < one < FARTHEST:  # nor no number
                return False
        if k >= len(self.numbers):
            return False
        if kind == STALL:
            self.stalled_us = int(min(max(a, 0.0), MOST_STALL_S) * 1e6)
            return True
        if kind == RAISE:
            self.raise_next = True
            return True
        self.mechanism.advance(self.clock.us)
        return self.mechanism.inject(self.numbers[k], kind, a, b, c)
