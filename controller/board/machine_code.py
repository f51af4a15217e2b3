"""The machine code of a chip: loaded as it lies in its file, entered by its first octet.

Loaded on a chip only (``asm_thumb``).
"""

from array import array

import micropython
import uctypes


@micropython.asm_thumb
def enter(r0, r1, r2):
    """Call the code at r0 (bit 0 set: thumb) with r1 and r2."""
    mov(r3, r0)  # noqa: F821
    mov(r0, r1)  # noqa: F821
    mov(r1, r2)  # noqa: F821
    data(2, 0x4780 | (3 << 3))  # blx r3  # noqa: F821


class Code:
    """An image in memory: ``at`` is where it is entered."""

    def __init__(self, path):
        """Raises OSError where there is no such file."""
        with open(path, "rb") as file:
            octets = file.read()
        self.words = array("I", octets)  # on a word's boundary; kept, or it would be collected
        self.at = uctypes.addressof(self.words) | 1


class Memory:
    """The memory of a board's joints: as cells, octet by octet, and its address."""

    def __init__(self, octets):
        self.whole = array("i", bytes(octets))
        self.at = uctypes.addressof(self.whole)
        self.octets = uctypes.bytearray_at(self.at, octets)


def caller(code, memory):
    """What calls the code by a number. (Made here: a function keeps the file alive that it was made in.)"""

    def call(number):
        return enter(code.at, number, memory.at)

    return call
