"""A virtual board under MicroPython: run by the unix interpreter, never by CPython.

``micropython micropython_board.py FILE``: settings, part and start of each joint
as packed doubles in hexadecimal; the link on standard input and output.
"""

import binascii
import struct
import sys

from controller.board.stdio import Stdio as BoardStdio
from controller.node import Node
from controller.portable import sleep_us, ticks_diff, ticks_us
from controller.records import INTEGER, TABLE, leaves, put
from controller.wire.messages import VIRTUAL
from sim import board_drive, events, plant, program, sensor
from sim.part import Part, Plant, Sense
from sim.program import Event, Run

DEADMAN_S = 0.02
LATCH_S = 0.1  # a standstill that also latches: a computer has other work too
LONGEST_S = 2.5e-4


def unpack(record, text):
    """Fill a record from packed doubles in hexadecimal."""
    data = binascii.unhexlify(text)
    at = 0
    for name, field in leaves(type(record)):
        count = field.size if field.kind == TABLE else 1
        numbers = struct.unpack_from("<" + "d" * count, data, at)
        at += 8 * count
        if field.kind == TABLE:
            put(record, name, list(numbers))
        else:
            put(record, name, int(numbers[0]) if field.kind == INTEGER else numbers[0])


class Joint:
    """Plant, sensor and drive electronics of one joint."""

    def __init__(self, lines):
        self.part, self.x, self.sense, self.run = Part(), Plant(), Sense(), Run()
        unpack(self.part, lines[0])
        angle, self.substep, word = lines[1].split()
        self.substep = float(self.substep)
        self.sense.word = int(word)
        events.place(self.part, self.x, float(angle))
        self.x.bus_V = self.part.supply_V
        self.value = 0.0
        self.last = ticks_us()

    def advance(self, span):
        """Move the plant on by ``span`` s; the drive is cut after the deadman's time."""
        for part, value in ((min(span, DEADMAN_S), self.value), (span - DEADMAN_S, 0.0)):
            if part > 0.0:
                duty = board_drive.drive_duty(self.part, self.x, self.run, value, 0.0, part)
                count = max(1, int(part / self.substep + 0.5))
                plant.run_substeps(self.part, self.x, duty, count, part / count)


class Board:
    """Board adapter (the interface stands in controller/node.py)."""

    KIND = 0
    FLAGS = VIRTUAL
    INBOUND = 64

    def __init__(self, joints):
        self.joints = joints
        self.trips = 0
        self.frozen_s = 0.0
        self.raise_next = False

    def read(self, k, readings):
        """Advance a joint to now and read it."""
        if self.raise_next:
            self.raise_next = False
            raise RuntimeError("injected error")
        joint = self.joints[k]
        now = ticks_us()
        span = ticks_diff(now, joint.last) * 1.0e-6
        joint.last = now
        if span > LATCH_S and joint.value != 0.0:
            self.trips += 1
        joint.advance(span)
        readings.counts = sensor.read(joint.part.probe, joint.sense, joint.x.joint_rad, span)
        readings.second_counts = sensor.read_second(
            joint.part.probe, joint.sense, joint.x.joint_rad
        )
        readings.supply_V = joint.x.bus_V
        readings.current_A = joint.x.current_A

    def drive(self, k, value, pulse):
        """Put out a duty or a pulse width."""
        self.joints[k].value = value

    def off(self):
        """All drives off."""
        for joint in self.joints:
            joint.value = 0.0

    def beat(self):
        """Nothing to feed here; an injected freeze happens here."""
        if self.frozen_s > 0.0:
            span, self.frozen_s = self.frozen_s, 0.0
            sleep_us(int(span * 1.0e6))

    def deadman_trips(self):
        """Times the deadman would have fired."""
        return self.trips

    def meddle(self, k, kind, a, b, c):
        """Inject what a program's events do."""
        if k >= len(self.joints):
            return False
        joint = self.joints[k]
        if kind == program.FREEZE:
            self.frozen_s = a if a < 1.0 else 1.0
            return True
        if kind == program.RAISE:
            self.raise_next = True
            return True
        if kind == program.MOVE_BY_HAND:
            events.place(joint.part, joint.x, a)
            return True
        if kind == program.CUT:
            events.cut(joint.part.cable, int(a))
            return True
        e = Event()
        e.kind, e.a, e.b, e.c = kind, a, b, c
        return events.set_outside(joint.x, joint.sense, e)


class Stdio(BoardStdio):
    """Standard streams; a bare 0x03 interrupts, as it does on the port of a real board."""

    def read(self, most):
        """Return what there is, at most ``most`` octets."""
        data = BoardStdio.read(self, most)
        if b"\x03" in data:
            raise KeyboardInterrupt
        return data


def main():
    """Read the joints and serve."""
    with open(sys.argv[1]) as file:
        lines = file.read().split("\n")
    tick_us, build = [int(one) for one in lines[0].split()]
    joints = []
    for at in range(1, len(lines) - 1, 2):
        joints.append(Joint(lines[at : at + 2]))
    node = Node(Board(joints), Stdio(), len(joints), tick_us, build, 0)
    try:
        node.run()
    except (EOFError, KeyboardInterrupt):
        pass


main()
