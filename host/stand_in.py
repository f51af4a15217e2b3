"""Board adapter of simulated joints, under either runtime (the interface stands in controller/node.py).

A joint has ``value`` (the drive put out), ``advance(span_s, driven_s)``, ``read(span_s)`` that gives
counts of both wipers, supply (V) and current (A), and ``inject(kind, a, b, c)``. The plant moves with
real time: before each tick it is advanced by the time since the last one. Where the loop has stood
still for longer than the deadman's time, the drive was cut there, as a real board's deadman does.
"""

from controller.portable import sleep_us, ticks_diff, ticks_us
from controller.wire.messages import VIRTUAL
from sim.program import FREEZE, RAISE

MYPY = False
if MYPY:  # types are for the checker only: MicroPython has no typing module
    from typing import Any

DEADMAN_S = 0.02
LATCH_S = 0.1
"""A standstill that also latches, as any does on a real board: a computer has other work too."""
FARTHEST = 1.0e9


class StandIn:
    """A board whose joints are simulated."""

    KIND = 0
    FLAGS = VIRTUAL

    def __init__(self, joints: "list[Any]", inbound: int) -> None:
        """inbound: octets that it reads in a tick."""
        self.INBOUND = inbound
        self.joints = joints
        self.last_us = [ticks_us()] * len(joints)
        self.trips = 0
        self.frozen_s = 0.0
        self.raise_next = False

    def read(self, k: int, readings: "Any") -> None:
        """Advance joint ``k`` to now and read its converter and supply."""
        if self.raise_next:
            self.raise_next = False
            raise RuntimeError("injected error")
        joint = self.joints[k]
        now = ticks_us()
        span = ticks_diff(now, self.last_us[k]) * 1.0e-6
        self.last_us[k] = now
        if span > LATCH_S and joint.value != 0.0:
            self.trips += 1
        joint.advance(span, DEADMAN_S)
        found = joint.read(span)
        readings.counts, readings.second_counts = found[0], found[1]
        readings.supply_V, readings.current_A = found[2], found[3]

    def drive(self, k: int, value: float, pulse: bool) -> None:  # noqa: ARG002
        """Put out a duty or a pulse width."""
        self.joints[k].value = float(value)

    def off(self) -> None:
        """All drives off."""
        for joint in self.joints:
            joint.value = 0.0

    def beat(self) -> None:
        """The loop is alive; an injected freeze happens here."""
        if self.frozen_s > 0.0:
            span, self.frozen_s = self.frozen_s, 0.0
            sleep_us(int(span * 1.0e6))

    def deadman_trips(self) -> int:
        """Times the deadman has fired."""
        return self.trips

    def meddle(self, k: int, kind: int, a: float, b: float, c: float) -> bool:
        """Inject what a program's events do (sim/program.py), a freeze or an error."""
        for one in (a, b, c):
            if not -FARTHEST < one < FARTHEST:  # nor no number
                return False
        if k >= len(self.joints):
            return False
        if kind == FREEZE:
            self.frozen_s = a if a < 1.0 else 1.0
            return True
        if kind == RAISE:
            self.raise_next = True
            return True
        return bool(self.joints[k].inject(kind, a, b, c))
