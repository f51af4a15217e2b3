"""Runs on an emulated chip: the image's tick over recorded traces, held to the bit. Not a test.

Its folder holds ``image.bin`` and traces (``beside.py``); it prints a line a trace: name, ticks, ticks that
differ, the first of these, mean and worst of the clock's counts a tick.
"""

import gc
import os
import struct
from binascii import crc32
from time import ticks_cpu, ticks_diff

import micropython
import uctypes


@micropython.asm_thumb
def enter(r0, r1, r2):
    """Call the code at r0 (bit 0 set: thumb) with r1 and r2."""
    mov(r3, r0)  # noqa: F821
    mov(r0, r1)  # noqa: F821
    mov(r1, r2)  # noqa: F821
    data(2, 0x4780 | (3 << 3))  # blx r3  # noqa: F821


def loaded(path):
    """Machine code in memory, on a word's boundary: (buffer that keeps it, address to enter)."""
    with open(path, "rb") as file:
        code = bytearray(file.read())
    at = uctypes.addressof(code)
    assert at % 4 == 0
    return code, at | 1


def run(code_at, path):
    """Repeat a trace; print what differs."""
    with open(path, "rb") as file:
        (ticks,) = struct.unpack("<I", file.read(4))
        sizes = struct.unpack("<5I", file.read(20))
        records = [bytearray(file.read(size)) for size in sizes]
        at = bytearray(struct.pack("<5I", *[uctypes.addressof(one) for one in records]))
        where = uctypes.addressof(at)
        command, readings = memoryview(records[2]), memoryview(records[3])
        row = bytearray(sizes[3] + 8)
        empty = ticks_cpu()
        empty = ticks_diff(ticks_cpu(), empty)
        gc.disable()  # between the measured calls, not in them
        wrong, first, total, worst = 0, -1, 0, 0
        for tick in range(ticks):
            if file.read(1)[0]:
                file.readinto(command)
            file.readinto(row)
            readings[:] = memoryview(row)[: sizes[3]]
            begun = ticks_cpu()
            out = enter(code_at, 0, where)
            spent = ticks_diff(ticks_cpu(), begun) - empty
            total += spent
            worst = max(worst, spent)
            left = crc32(records[4], crc32(records[2], crc32(records[1])))
            if tick % 64 == 0:
                gc.collect()
            if struct.pack("<II", out & 0xFFFFFFFF, left) != bytes(row[-8:]):
                wrong += 1
                first = tick if first < 0 else first
    print("trace", path.rsplit("/", 1)[-1], ticks, wrong, first, total // ticks, worst)


def main(folder="/flash"):
    """All traces of the folder."""
    _kept, code_at = loaded(folder + "/image.bin")
    for name in sorted(os.listdir(folder)):
        if name.endswith(".trace"):
            run(code_at, folder + "/" + name)
    print("done")
