"""The joints of a node whose tick is machine code: the same answers as ``joints.py``, out of shared memory.

The tick of all joints is one call, made by the timer's interrupt on a chip; the program behind
it reads cells and makes calls. Nothing here knows a field of a record: the memory is laid out by
the code itself (``cells.py``). Works on a chip and, with a shared library, on a computer.
"""

from struct import pack_into, unpack_from

from controller.joint.modes import driven
from controller.node import cells
from controller.portable import const
from controller.wire import messages as m
from controller.wire.digest import Digest, digest

MYPY = False
if MYPY:  # types are for the checker only: a board has no typing module
    from typing import Any

NUMBERS = {name: k for k, name in enumerate(cells.CALLS)}
HEAD = {name: k for k, name in enumerate(cells.HEAD)}
SLOT = {name: k for k, name in enumerate(cells.SLOT)}
MODE, FAULT, FAULT_TICK, APPLIED = 0, 1, 2, 3
"As in ``cells.SLOT``: asked for in every turn of the loop."
WRAP = const(0x3FFFFFFF)


class Found:
    """Readings of a joint."""

    counts = second_counts = 0
    supply_V = 5.0
    current_A = 0.0


class NativeJoints:
    """Several joints in one memory."""

    def __init__(self, count: int, tick_us: int, whole: "Any", octets: "Any", call: "Any") -> None:
        """``whole`` and ``octets``: the memory as cells of four octets, and octet by octet, all zero.

        call: ``call(number)`` enters the machine code with the memory's address.
        """
        self.count = count
        self.whole, self.octets, self.call = whole, octets, call
        whole[HEAD["count"]] = count
        whole[HEAD["tick_us"]] = tick_us
        whole[HEAD["gate"]] = 1
        whole[HEAD["every"]] = 1
        whole[HEAD["supply"]] = -1
        call(NUMBERS["begin"])
        self.slots_at = whole[HEAD["slots_at"]]
        self.slot_cells = whole[HEAD["slot_cells"]]
        self.table = 4 * whole[HEAD["settings_cells"]]
        self.settings_at = 4 * whole[HEAD["settings_at"]]
        self.staged_at = 4 * whole[HEAD["staged_at"]]
        self.is_staged = [False] * count
        self.found = Found()
        for k in range(count):
            self.put(k, "second_wiper", -1)
            self.put(k, "oversampling", 1)
        self.known = 0
        self.digest_anew()

    # --- cells

    def of(self, k: int, name: str) -> int:
        """A cell of a joint."""
        return int(self.whole[self.slots_at + k * self.slot_cells + SLOT[name]])

    def real(self, k: int, name: str) -> float:
        """A cell of a joint that holds a real number."""
        at = self.slots_at + k * self.slot_cells + SLOT[name]
        return float(unpack_from("<f", self.octets, 4 * at)[0])

    def put(self, k: int, name: str, value: float) -> None:
        """Put a value into a cell of a joint."""
        self.put_cell(self.slots_at + k * self.slot_cells + SLOT[name], value, name)

    def put_head(self, name: str, value: float) -> None:
        """Put a value into a cell of the board."""
        self.put_cell(HEAD[name], value, name)

    def put_cell(self, at: int, value: float, name: str) -> None:
        """Put a value into a cell, as a real number where its name is of one."""
        if name in cells.REALS:
            pack_into("<f", self.octets, 4 * at, value)
        else:
            self.whole[at] = value

    def bind(self, hard: "Any") -> None:
        """Bound settings by what the board never goes beyond: rows of cell, 1 if whole, lowest, highest."""
        at = 4 * self.whole[HEAD["hard_at"]]
        for k in range(len(hard)):
            cell, is_whole, low, high = hard[k]
            pack_into(
                "<iiii" if is_whole else "<iiff",
                self.octets,
                at + 16 * k,
                cell,
                is_whole,
                low,
                high,
            )
        self.whole[HEAD["hard"]] = len(hard)

    def ask(self, number: int, k: int, *given: int) -> int:
        """Make a call about a joint."""
        at = HEAD["argument_0"]
        self.whole[at] = k
        for one in given:
            at += 1
            self.whole[at] = one
        return int(self.call(number))

    # --- ticks

    def tick(self, node: "Any", steps: int, now: int) -> None:
        """One control tick of every joint of ``node``, which was due at its edge; as an interrupt makes it on a chip."""
        whole = self.whole
        for k in range(self.count):
            node.board.read(k, self.found)
            self.put(k, "counts", self.found.counts)
            self.put(k, "second_counts", self.found.second_counts)
            self.put(k, "current_A", self.found.current_A)
            self.put_head("supply_V", self.found.supply_V)
            outside = node.outside_fault()
            if outside:
                whole[HEAD["outside"]] = outside
        whole[HEAD["now_us"]] = now
        whole[HEAD["edge_us"]] = (node.edge - steps * node.tick_us) & WRAP
        self.call(NUMBERS["turn"])
        for k in range(self.count):
            node.board.drive(k, self.real(k, "drive"), bool(self.of(k, "pulsed")))

    def trial_tick(self, k: int) -> None:
        """A tick on copies, as if powered and a target had just come. The drive is left alone."""
        self.ask(NUMBERS["trial"], k, 1)

    def fail(self, fault: int, unpowered: bool, at: int) -> None:  # noqa: ARG002
        """Trip every driven joint (with ``unpowered`` every joint) by hand: no tick could."""
        self.ask(NUMBERS["fail"], fault, int(unpowered))

    # --- what they do

    def mode(self, k: int) -> int:
        """Mode of a joint."""
        return int(self.whole[self.slots_at + k * self.slot_cells + MODE])

    def fault(self, k: int) -> int:
        """Latched fault of a joint, or ``faults.NONE``."""
        return int(self.whole[self.slots_at + k * self.slot_cells + FAULT])

    def fault_tick(self, k: int) -> int:
        """Tick in which the fault was latched."""
        return int(self.whole[self.slots_at + k * self.slot_cells + FAULT_TICK])

    # --- orders

    def may_arm(self, k: int) -> bool:
        """Tell whether somebody sent settings: a joint's own defaults drive nothing."""
        return bool(self.of(k, "applied"))

    def request(self, k: int, wanted: int) -> None:
        """Ask something of a joint's supervisor."""
        self.ask(NUMBERS["ask"], k, wanted)

    def target(self, k: int, flags: int, angle_rad: float, turn: int) -> bool:
        """A move to a target (flags: 1 grip, 2 absolute turn); tell whether it may be followed."""
        pack_into("<f", self.octets, 4 * HEAD["argument_2"], angle_rad)
        self.whole[HEAD["argument_3"]] = turn
        return self.ask(NUMBERS["target"], k, flags) != 0

    def hold(self, k: int) -> None:
        """Stop by the profile and hold; a hold stays a grip."""
        self.ask(NUMBERS["hold"], k)

    def stream(self, k: int, share: int, rate: int, span_ms: int) -> None:
        """A streamed setpoint, scaled as on the wire; passed over where the joint is not powered."""
        self.ask(NUMBERS["stream"], k, share, rate, span_ms)

    # --- settings; those that may be refused return (result, detail)

    def digest(self) -> int:
        """Digest of the settings in force, of all joints together: reckoned when they change."""
        return self.known

    def digest_anew(self) -> None:
        """Reckon the digest of the settings in force."""
        found = Digest()
        for k in range(self.count):
            found.add(self.part(k, self.settings_at, 0, self.table))
        self.known = found.value()

    def part(self, k: int, table_at: int, first: int, end: int) -> "Any":
        """Octets first .. end of one of a joint's tables, where they lie."""
        at = 4 * (self.slots_at + k * self.slot_cells) + table_at
        return memoryview(self.octets)[at + first : at + end]

    def stage(self, payload: bytes) -> "tuple[int, int]":
        """Stage cells of a joint's settings; nothing is in force before ``apply``."""
        if len(payload) < 9 or (len(payload) - 5) % 4:
            return m.BAD_LENGTH, 0
        joint, index = unpack_from("<BH", payload, 2)
        if joint >= self.count:
            return m.NO_JOINT, joint
        self.begin_staging(joint)
        if index * 4 + len(payload) - 5 > self.table:
            return m.OUT_OF_RANGE, index
        self.part(joint, self.staged_at, index * 4, index * 4 + len(payload) - 5)[:] = payload[5:]
        return m.DONE, 0

    def begin_staging(self, k: int) -> None:
        """What is staged first is what is in force."""
        if not self.is_staged[k]:
            self.is_staged[k] = True
            self.ask(NUMBERS["stage"], k)

    def apply(self, node: "Any", k: int, wanted: int) -> "tuple[int, int]":
        """Take staged settings over whole, or refuse them whole and say which cell."""
        if driven(self.mode(k)) or self.of(k, "asked"):
            return m.NOT_NOW, self.mode(k)  # an order that waits was given under other settings
        self.begin_staging(k)
        self.is_staged[k] = False
        if digest(self.part(k, self.staged_at, 0, self.table)) != wanted:
            return m.DIFFERS, 0
        wrong = self.ask(NUMBERS["apply"], k)
        if wrong:
            return m.OUT_OF_RANGE, wrong - 1
        self.digest_anew()
        node.settings_taken()
        return m.DONE, 0

    def values(self, k: int, first: int, count: int) -> "bytes | None":
        """Octets of cells of the settings in force; None beyond the table."""
        if (first + count) * 4 > self.table:
            return None
        return bytes(self.part(k, self.settings_at, 4 * first, 4 * (first + count)))
