"""The C tick for whoever has records: called like ``joint_tick``, in single precision."""

import ctypes
from collections.abc import Callable
from struct import Struct
from typing import Any

from controller.node import cells as named
from controller.node.joints import MOST_V
from controller.node.native_joints import NativeJoints
from controller.records import INTEGER, TABLE, Record, leaves
from sim.translate import library
from sim.translate.realtime import RECORDS

MOST_OCTETS = 8192
SLOT_OCTETS = 4096
"""More than the memory of a board, and of a joint on it, takes."""


def cells(record: type[Record]) -> Struct:
    """A record's packed table as a struct's layout."""
    return Struct(
        "<"
        + "".join(
            ("i" if field.kind == INTEGER else "f") * field.size for _, field in leaves(record)
        )
    )


def _taker(record: type[Record]) -> Callable[[Any], tuple]:
    """A function that gives all numbers of a record, in the order of its table."""
    words = [f"*r.{name}" if field.kind == TABLE else f"r.{name}" for name, field in leaves(record)]
    return eval(f"lambda r: ({', '.join(words)},)")


def _giver(record: type[Record]) -> Callable[[Any, tuple], None]:
    """A function that puts all numbers of a table into a record."""
    lines, at = [], 0
    for name, field in leaves(record):
        lines.append(
            f"    r.{name} = "
            + (f"list(v[{at}:{at + field.size}])" if field.kind == TABLE else f"v[{at}]")
        )
        at += field.size
    scope: dict[str, Any] = {}
    exec("def give(r, v):\n" + "\n".join(lines), scope)
    return scope["give"]


def native_joints(count: int, tick_us: int, tops: list[int]) -> NativeJoints:
    """Joints of a virtual board by the code that a chip's image holds, in this computer's memory.

    tops: highest reading of each joint's wiper (counts). Raises InputError where no C compiler is found.
    """
    code = library.tick_library()
    octets = bytearray(MOST_OCTETS + count * SLOT_OCTETS)
    at = ctypes.addressof((ctypes.c_char * len(octets)).from_buffer(octets))
    joints = NativeJoints(
        count, tick_us, memoryview(octets).cast("i"), octets, lambda number: code.call(number, at)
    )
    for k in range(count):
        joints.put(k, named.SLOT.index("counts_top"), tops[k])
        joints.put_real(k, named.SLOT.index("rest_V"), MOST_V)
        joints.put_real(k, named.SLOT.index("emf_V_s"), MOST_V)
    return joints


class CTick:
    """Runs one control tick as C on a copy of the records, and puts back what it has changed."""

    def __init__(self) -> None:
        """Raises InputError where no C compiler is found."""
        self._tick = library.tick_library().tick
        self._layouts = [cells(record) for record in RECORDS]
        self._take = [_taker(record) for record in RECORDS]
        self._give = [_giver(record) for record in RECORDS]
        self._buffers = [bytearray(layout.size) for layout in self._layouts]
        byte = ctypes.c_char
        self._at = [ctypes.addressof((byte * len(one)).from_buffer(one)) for one in self._buffers]

    def __call__(self, *records: Any) -> float:
        """``joint_tick(settings, state, command, readings, report)``."""
        for layout, buffer, take, record in zip(
            self._layouts, self._buffers, self._take, records, strict=True
        ):
            layout.pack_into(buffer, 0, *take(record))
        out = float(self._tick(*self._at))
        for k in (1, 2, 4):  # state, command, report
            self._give[k](records[k], self._layouts[k].unpack(self._buffers[k]))
        return out
