"""Several joints, a link and a clock: what every board's program has. No pins in here.

The board adapter gives (``controller/board``, or a simulated one):
    read(k, readings)      converter and supply of joint k into its readings
    drive(k, value, pulse) puts out duty, or pulse width in s
    off()                  all drives off, at once
    beat()                 second watch and watchdog: the loop is alive
    standstills()        times the second watch has cut the drive
    tops                   highest reading of each joint's wiper, oversampling included (counts)
    KIND, FLAGS, INBOUND   numbers for IDENTITY; octets taken from the link in a tick
Who ticks is a subclass's matter: ``loop.py`` looks for its ticks itself, on a chip an interrupt
makes them.
"""

from controller.joint import faults
from controller.joint.modes import driven
from controller.node.clock import Clock
from controller.node.requests import Answering
from controller.node.telemetry import Telemetry
from controller.node.timing import Timing
from controller.portable import const, ticks_diff

MYPY = False
if MYPY:  # types are for the checker only: a board has no typing module
    from typing import Any

LEASE_MS = const(80)


class Node:
    """A board with several joints."""

    def __init__(
        self,
        board: "Any",
        stream: "Any",
        joints: "Any",
        tick_us: int,
        build: int = 0,
        serial: int = 0,
        clock: "Any" = None,
    ) -> None:
        """``stream`` has read(most) -> bytes and write(bytes) -> bool, neither of which waits.

        joints: what runs their ticks and keeps their settings, as ``joints.Joints``; clock: has now()
        and sleep(us), as ``clock.Clock``.
        """
        self.board = board
        self.stream = stream
        self.joints = joints
        self.clock = clock or Clock()
        self.tick_us = tick_us
        self.tick = self.edge = 0
        self.leaving = False
        self.outside = faults.NONE
        self.trips = 0
        self.build = build
        self.serial = serial
        self.beat_us = 0
        self.lease_us = LEASE_MS * 1000
        self.has_lease = False
        self.was_reset = False
        self.timing = self.make_timing()
        self.telemetry = self.make_telemetry()
        self.answering = Answering(self)

    def make_telemetry(self) -> Telemetry:
        """What tells the host."""
        return Telemetry(self)

    def make_timing(self) -> Timing:
        """What counts ticks and their cost."""
        return Timing()

    def arrived_us(self, now: int) -> int:
        """Time (us) at which what is being read now has arrived, at the earliest."""
        return now

    def settings_taken(self, k: int) -> None:
        """Joint ``k`` has other settings from now on."""

    def lease_age_us(self, now: int) -> int:
        """Time (us) since the last valid beat or setpoint."""
        return ticks_diff(now, self.beat_us)

    def renew(self, now: int, lease_ms: int) -> None:
        """A valid beat or setpoint (``lease_ms`` 0: as long as before) came: the lease runs anew."""
        self.beat_us = now
        self.has_lease = True
        if lease_ms > 0:
            self.lease_us = lease_ms * 1000

    def any_driven(self) -> bool:
        """Tell whether the drive of any joint may be on."""
        for k in range(self.joints.count):
            if driven(self.joints.mode(k)):
                return True
        return False

    def fail(self, fault: int, every: bool = False) -> None:
        """Trip every driven joint (with ``every`` all) by hand: no tick could."""
        self.outside = fault
        self.joints.fail(fault, every, self.tick)
