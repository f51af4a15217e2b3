"""A closed-loop run whose every bit is compared between runtimes.

Run by CPython and by MicroPython: ``closed_loop_trace.py FILE`` reads settings,
part and program as packed doubles in hexadecimal (decimal text is not read
equally by all runtimes) and prints a digest of the run every 500 ticks.
"""

import binascii
import hashlib
import struct
import sys

from controller.records import INTEGER, TABLE, leaves, put
from sim.model import loop
from sim.model.events import place
from sim.model.rig import Rig
from sim.model.schedule import Event


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


def row(state, x, report):
    """The numbers of one tick, packed."""
    return struct.pack(
        "<9d",
        report.angle_rad, report.speed_rad_s, report.setpoint_rad, report.demand_V, report.allowed_V,
        state.loop.integral_V, x.joint_rad, x.drum_rad, x.winding_C,
    )  # fmt: skip


def main():
    """Run the program of the file and print digests."""
    with open(sys.argv[1]) as file:
        lines = file.read().split("\n")
    rig = Rig()
    unpack(rig.settings, lines[0])
    unpack(rig.part, lines[1])
    unpack(rig.run, lines[2])
    events = []
    for line in lines[3:]:
        if line:
            events.append(Event())
            unpack(events[-1], line)
    place(rig.part, rig.plant, 0.3)
    rig.plant.bus_V = rig.readings.supply_V = rig.part.supply_V
    digest = hashlib.sha256()
    for tick in range(rig.run.ticks):
        if loop.begin_tick(rig, events, tick):
            loop.control(rig)
        loop.end_tick(rig, None, tick)
        digest.update(row(rig.state, rig.plant, rig.report))
        if tick % 500 == 499:
            # MicroPython's digest ends the hash: chain it into the next one
            mark = digest.digest()
            print(tick + 1, rig.report.mode, rig.report.fault, binascii.hexlify(mark).decode())
            digest = hashlib.sha256(mark)


main()
