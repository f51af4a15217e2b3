"""Runs on an emulated chip: the controller's sources, interpreted, over a recorded trace. Not a test.

Prints as ``on_chip.py`` does; then every number literal of the tick with the bits that this parser gives it.
"""

import gc
import struct
from binascii import crc32

from controller.joint.settings.settings import Settings
from controller.joint.state import Command, Readings, Report, State
from controller.joint.tick import joint_tick
from controller.wire import table


def run(path, most):
    """Repeat at most so many ticks of a trace; print how many differ, and the first."""
    with open(path, "rb") as file:
        (ticks,) = struct.unpack("<I", file.read(4))
        sizes = struct.unpack("<5I", file.read(20))
        records = [Settings(), State(), Command(), Readings(), Report()]
        for record, size in zip(records, sizes):
            table.unpack_table(file.read(size), record)
        _, state, command, readings, report = records
        ticks = min(ticks, most)
        wrong, first = 0, -1
        for tick in range(ticks):
            if file.read(1)[0]:
                table.unpack_table(file.read(sizes[2]), command)
            table.unpack_table(file.read(sizes[3]), readings)
            out = joint_tick(*records)
            left = crc32(table.pack_table(state))
            left = crc32(table.pack_table(report), crc32(table.pack_table(command), left))
            if struct.pack("<fI", out, left) != file.read(8):
                wrong += 1
                first = tick if first < 0 else first
            if tick % 16 == 0:
                gc.collect()
    print("trace", path.rsplit("/", 1)[-1], ticks, wrong, first)


def main(folder, names):
    """Some traces of the folder, then the literals."""
    for name, most in names:
        run(folder + "/" + name, most)
    with open(folder + "/literals.txt") as file:
        for line in file:
            print("literal", line.strip(), struct.unpack("<I", struct.pack("<f", eval(line)))[0])
    print("done")
