"""A virtual board under MicroPython: run by the unix interpreter, never by CPython.

``micropython micropython_board.py FILE``: settings, part and start of each joint
as packed doubles in hexadecimal; the link on standard input and output.
"""

import binascii
import struct
import sys

from controller.board.stdio import Stdio as BoardStdio
from controller.node import Node
from controller.records import INTEGER, TABLE, leaves, put
from host.stand_in import StandIn
from sim import board_drive, events, plant, program, sensor
from sim.part import Part, Plant, Sense
from sim.program import Event, Run

INBOUND = 64  # octets read in a tick


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

    def advance(self, span, driven):
        """Move the plant on by ``span`` s; the drive is cut after ``driven``."""
        for part, value in ((min(span, driven), self.value), (span - driven, 0.0)):
            if part > 0.0:
                duty = board_drive.drive_duty(self.part, self.x, self.run, value, 0.0, part)
                count = max(1, int(part / self.substep + 0.5))
                plant.run_substeps(self.part, self.x, duty, count, part / count)

    def read(self, span):
        """Counts of the wipers, supply (V), current (A); ``span`` s since the last reading."""
        x, probe = self.x, self.part.probe
        first = sensor.read(probe, self.sense, x.joint_rad, span)
        return first, sensor.read_second(probe, self.sense, x.joint_rad), x.bus_V, x.current_A

    def inject(self, kind, a, b, c):
        """What a program's events do."""
        if kind == program.MOVE_BY_HAND:
            events.place(self.part, self.x, a)
            return True
        if kind == program.CUT:
            events.cut(self.part.cable, int(a))
            return True
        e = Event()
        e.kind, e.a, e.b, e.c = kind, a, b, c
        return events.set_outside(self.x, self.sense, e)


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
    node = Node(StandIn(joints, INBOUND), Stdio(), len(joints), tick_us, build, 0)
    try:
        node.run()
    except (EOFError, KeyboardInterrupt):
        pass


main()
