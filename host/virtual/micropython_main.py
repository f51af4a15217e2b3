"""A virtual board's node under MicroPython: run by the unix interpreter, never by CPython.

``micropython micropython_main.py JOINTS TICK_US BUILD INBOUND TOP...``. Clock, joints and link are the other
process's; the requests and answers on standard input and output stand in ``remote.py``.
"""

import struct
import sys

from controller.node.joints import Joints
from controller.node.loop import Loop
from controller.wire.messages import VIRTUAL

BEGIN, TICK, SERVE = 0, 1, 2
MEDDLE, END = 0x4D, 0x45
NOTHING, PUT, CUT = 0, 1, 2


class Clock:
    """The other process's time, as it was when it asked."""

    def __init__(self):
        self.us = 0

    def now(self):
        """Time now (us)."""
        return self.us

    def sleep(self, span):
        """Nothing to wait for: the other process waits."""
        self.us += span


class Link:
    """Octets that came with a request, and what is to go out with its answer."""

    def __init__(self):
        self.inbound = b""
        self.out = b""
        self.room = True

    def read(self, most):
        """Return what there is, at most ``most`` octets."""
        data, self.inbound = self.inbound[:most], self.inbound[most:]
        return data

    def write(self, data):
        """Take a frame if there is room for it."""
        if not self.room or len(self.out) > 2000:
            return False
        self.out += data
        return True


class Board:
    """Readings that came with a request; drives that go out with its answer."""

    KIND = 0
    FLAGS = VIRTUAL

    def __init__(self, joints, inbound, tops):
        self.INBOUND = inbound
        self.tops = tops
        self.found = [(0, 0, 5.0, 0.0)] * joints
        self.values = [0.0] * joints
        self.done = [NOTHING] * joints
        self.trips = 0
        self.fault = False

    def read(self, k, readings):
        """Readings of joint ``k``."""
        if self.fault:
            self.fault = False
            raise RuntimeError("injected error")
        found = self.found[k]
        readings.counts, readings.second_counts = found[0], found[1]
        readings.supply_V, readings.current_A = found[2], found[3]

    def drive(self, k, value, pulse):
        """Put out a duty or a pulse width."""
        self.values[k] = value
        self.done[k] = PUT

    def off(self):
        """All drives off."""
        for k in range(len(self.values)):
            self.values[k] = 0.0
            self.done[k] = CUT

    def beat(self):
        """The other process knows whether the loop is alive."""

    def standstills(self):
        """Times the second watch has cut the drive."""
        return self.trips

    def meddle(self, k, kind, a, b, c):
        """Ask the other process, which has the joints."""
        output.write(bytes((MEDDLE,)) + struct.pack("<BBddd", k, kind, a, b, c))
        return source.read(1) != b"\x00"


source = sys.stdin.buffer
output = sys.stdout.buffer
HEAD = struct.calcsize("<BqIIBBH")
READING = struct.calcsize("<iidd")


def main():
    """Work on requests until standard input ends."""
    numbers = [int(one) for one in sys.argv[1:]]
    joints, tick_us, build, inbound = numbers[:4]
    board, link, clock = Board(joints, inbound, numbers[4:]), Link(), Clock()
    node = Loop(board, link, Joints(joints), tick_us, build, 0, clock)
    while True:
        head = source.read(HEAD)
        if len(head) < HEAD:
            return
        op, clock.us, late, board.trips, fault, link.room, count = struct.unpack("<BqIIBBH", head)
        octets = source.read(count) if count else b""
        if op == BEGIN:
            node.begin()
        elif op == TICK:
            board.fault = bool(fault)
            for k in range(joints):
                board.found[k] = struct.unpack("<iidd", source.read(READING))
            node.begin_tick(clock.us, late)
        elif op == SERVE:
            link.inbound += octets
            while node.answering.serve() or node.telemetry.send():
                pass
        else:
            node.telemetry.text(1, octets.decode())
        told = struct.pack("<BqIHI", node.leaving, node.host_silent_us(clock.us), node.lease_us,
                           max(node.answering.allowance, 0), node.answering.greetings)  # fmt: skip
        for k in range(joints):
            told += struct.pack("<Bd", board.done[k], board.values[k])
            board.done[k] = NOTHING
        output.write(bytes((END,)) + told + struct.pack("<H", len(link.out)) + link.out)
        link.out = b""


main()
