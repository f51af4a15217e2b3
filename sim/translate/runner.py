"""The C tick for whoever has records: called like ``joint_tick``, in single precision."""

import ctypes
from collections.abc import Callable
from struct import Struct, unpack_from
from types import SimpleNamespace
from typing import Any

from controller.node import cells as named
from controller.node.joints import MOST_V
from controller.node.native_joints import NativeJoints
from controller.records import INTEGER, TABLE, Record, leaves
from sim.translate import library
from sim.translate.realtime import RECORDS

HEAD = {name: k for k, name in enumerate(named.HEAD)}
SLOT = {name: k for k, name in enumerate(named.SLOT)}
WRAP = 2**30
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


class NativeOnComputer(NativeJoints):
    """Joints of a virtual board by the machine code that a chip runs: their tick is called, not interrupted for."""

    def tick(self, node: Any, steps: int, now: int) -> None:
        """One control tick of every joint of ``node``, which was due at its edge."""
        found = SimpleNamespace(counts=0, second_counts=0, supply_V=5.0, current_A=0.0)
        for k in range(self.count):
            node.board.read(k, found)
            self.put(k, SLOT["counts"], found.counts)
            self.put(k, SLOT["second_counts"], found.second_counts)
            self.put_real(k, SLOT["current_A"], found.current_A)
            self.put_head_real(HEAD["supply_V"], found.supply_V)
            outside = node.outside_fault()
            if outside:
                self.whole[HEAD["outside"]] = outside
        self.whole[HEAD["now_us"]] = now
        self.whole[HEAD["edge_us"]] = (node.edge - steps * node.tick_us) % WRAP
        self.call(named.CALLS.index("turn"))
        for k in range(self.count):
            node.board.drive(k, self.real(k, SLOT["drive"]), bool(self.of(k, SLOT["pulsed"])))

    def real(self, k: int, cell: int) -> float:
        """A cell of a joint that holds a real number."""
        at = 4 * (self.slots_at + k * self.slot_cells + cell)
        return float(unpack_from("<f", self.octets, at)[0])


def native_joints(count: int, tick_us: int, tops: list[int]) -> NativeOnComputer:
    """Joints of a virtual board by the code that a chip's image holds, in this computer's memory.

    tops: highest reading of each joint's wiper (counts). Raises InputError where no C compiler is found.
    """
    code = library.tick_library()
    octets = bytearray(MOST_OCTETS + count * SLOT_OCTETS)
    at = ctypes.addressof((ctypes.c_char * len(octets)).from_buffer(octets))
    joints = NativeOnComputer(
        count, tick_us, memoryview(octets).cast("i"), octets, lambda number: code.call(number, at)
    )
    for k in range(count):
        joints.put(k, SLOT["counts_top"], tops[k])
        joints.put_real(k, SLOT["rest_V"], MOST_V)
        joints.put_real(k, SLOT["emf_V_s"], MOST_V)
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
