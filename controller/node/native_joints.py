"""The joints of a node whose tick is machine code: the same answers as ``joints.py``, out of shared memory.

The tick of all joints is one call, made by the timer's interrupt on a chip; the program behind
it reads cells and makes calls. Nothing here knows a field of a record: the memory is laid out by
the code itself (``cells.py``). Works on a chip and, with a shared library, on a computer.
"""

from struct import pack_into, unpack_from

from controller.joint.modes import driven
from controller.portable import const
from controller.wire import messages as m
from controller.wire.digest import Digest, digest

MYPY = False
if MYPY:  # types are for the checker only: a board has no typing module
    from typing import Any

# places of cells and numbers of calls: as in cells.py, held by a test
_CALL_BEGIN = const(2)
_CALL_STAGE = const(4)
_CALL_APPLY = const(5)
_CALL_TARGET = const(6)
_CALL_STREAM = const(7)
_CALL_HOLD = const(8)
_CALL_ASK = const(9)
_CALL_FAIL = const(10)
_CALL_TRIAL = const(11)
_HEAD_COUNT = const(0)
_HEAD_TICK_US = const(1)
_HEAD_EVERY = const(14)
_HEAD_GATE = const(17)
_HEAD_SUPPLY = const(23)
_HEAD_HARD = const(27)
_HEAD_ARGUMENT_0 = const(28)
_HEAD_ARGUMENT_2 = const(30)
_HEAD_ARGUMENT_3 = const(31)
_HEAD_SLOTS_AT = const(32)
_HEAD_SLOT_CELLS = const(33)
_HEAD_STAGED_AT = const(37)
_HEAD_SETTINGS_AT = const(38)
_HEAD_SETTINGS_CELLS = const(39)
_HEAD_HARD_AT = const(40)
_SLOT_MODE = const(0)
_SLOT_FAULT = const(1)
_SLOT_FAULT_TICK = const(2)
_SLOT_APPLIED = const(3)
_SLOT_ASKED = const(4)
_SLOT_SECOND_WIPER = const(11)
_SLOT_OVERSAMPLING = const(12)


class NativeJoints:
    """Several joints in one memory."""

    def __init__(self, count: int, tick_us: int, whole: "Any", octets: "Any", call: "Any") -> None:
        """``whole`` and ``octets``: the memory as cells of four octets, and octet by octet, all zero.

        call: ``call(number)`` enters the machine code with the memory's address.
        """
        self.count = count
        self.whole, self.octets, self.call = whole, octets, call
        whole[_HEAD_COUNT] = count
        whole[_HEAD_TICK_US] = tick_us
        whole[_HEAD_GATE] = 1
        whole[_HEAD_EVERY] = 1
        whole[_HEAD_SUPPLY] = -1
        call(_CALL_BEGIN)
        self.slots_at = whole[_HEAD_SLOTS_AT]
        self.slot_cells = whole[_HEAD_SLOT_CELLS]
        self.table = 4 * whole[_HEAD_SETTINGS_CELLS]
        self.settings_at = 4 * whole[_HEAD_SETTINGS_AT]
        self.staged_at = 4 * whole[_HEAD_STAGED_AT]
        self.staged = -1
        for k in range(count):
            self.put(k, _SLOT_SECOND_WIPER, -1)
            self.put(k, _SLOT_OVERSAMPLING, 1)
        self.known = 0
        self.digest_anew()

    # --- cells

    def of(self, k: int, cell: int) -> int:
        """A cell of a joint."""
        return int(self.whole[self.slots_at + k * self.slot_cells + cell])

    def put(self, k: int, cell: int, value: int) -> None:
        """Put a whole number into a cell of a joint."""
        self.whole[self.slots_at + k * self.slot_cells + cell] = value

    def put_real(self, k: int, cell: int, value: float) -> None:
        """Put a real number into a cell of a joint."""
        self.put_head_real(self.slots_at + k * self.slot_cells + cell, value)

    def put_head_real(self, cell: int, value: float) -> None:
        """Put a real number into a cell of the board."""
        pack_into("<f", self.octets, 4 * cell, value)

    def bind(self, hard: "Any") -> None:
        """Bound settings by what the board never goes beyond: rows of cell, 1 if whole, lowest, highest."""
        at = 4 * self.whole[_HEAD_HARD_AT]
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
        self.whole[_HEAD_HARD] = len(hard)

    def ask(self, number: int, k: int, *given: int) -> int:
        """Make a call about a joint."""
        at = _HEAD_ARGUMENT_0
        self.whole[at] = k
        for one in given:
            at += 1
            self.whole[at] = one
        return int(self.call(number))

    # --- ticks

    def trial_tick(self, k: int, which: int = 1) -> None:
        """A tick on copies: 0 as it is, 1 as if powered and a target had just come, 2 the one after."""
        self.ask(_CALL_TRIAL, k, which)

    def fail(self, fault: int, every: bool, at: int) -> None:  # noqa: ARG002
        """Trip every driven joint (with ``every`` all) by hand: no tick could."""
        self.ask(_CALL_FAIL, fault, int(every))

    # --- what they do

    def mode(self, k: int) -> int:
        """Mode of a joint."""
        return self.of(k, _SLOT_MODE)

    def fault(self, k: int) -> int:
        """Latched fault of a joint, or ``faults.NONE``."""
        return self.of(k, _SLOT_FAULT)

    def fault_tick(self, k: int) -> int:
        """Tick in which the fault was latched."""
        return self.of(k, _SLOT_FAULT_TICK)

    # --- orders

    def may_arm(self, k: int) -> bool:
        """Tell whether somebody sent settings: a joint's own defaults drive nothing."""
        return bool(self.of(k, _SLOT_APPLIED))

    def waits(self, k: int) -> int:
        """What has been asked of a joint's supervisor since the last tick; 0 nothing."""
        return self.of(k, _SLOT_ASKED)

    def request(self, k: int, wanted: int) -> None:
        """Ask something of a joint's supervisor."""
        self.ask(_CALL_ASK, k, wanted)

    def target(self, k: int, flags: int, angle_rad: float, turn: int) -> bool:
        """A move to a target (flags: 1 grip, 2 absolute turn); tell whether it may be followed."""
        pack_into("<f", self.octets, 4 * _HEAD_ARGUMENT_2, angle_rad)
        self.whole[_HEAD_ARGUMENT_3] = turn
        return self.ask(_CALL_TARGET, k, flags) != 0

    def hold(self, k: int) -> None:
        """Stop by the profile and hold; a hold stays a grip."""
        self.ask(_CALL_HOLD, k)

    def stream(self, k: int, share: int, rate: int, span_ms: int) -> None:
        """A streamed setpoint, scaled as on the wire; passed over where the joint is not powered."""
        self.ask(_CALL_STREAM, k, share, rate, span_ms)

    # --- settings; those that may be refused return (result, detail)

    def digest(self) -> int:
        """Digest of the settings in force, of all joints together: reckoned when they change."""
        return self.known

    def digest_anew(self) -> None:
        """Reckon the digest of the settings in force."""
        found = Digest()
        for k in range(self.count):
            found.add(self.part(k, 0, self.table))
        self.known = found.value()

    def part(self, k: int, first: int, end: int) -> "Any":
        """Octets first .. end of a joint's settings in force, where they lie."""
        at = 4 * (self.slots_at + k * self.slot_cells) + self.settings_at
        return memoryview(self.octets)[at + first : at + end]

    def staging(self, first: int, end: int) -> "Any":
        """Octets first .. end of what is staged, where they lie."""
        return memoryview(self.octets)[self.staged_at + first : self.staged_at + end]

    def stage(self, payload: bytes) -> "tuple[int, int]":
        """Stage cells of a joint's settings, of one joint at a time; nothing is in force before ``apply``."""
        if len(payload) < 9 or (len(payload) - 5) % 4:
            return m.BAD_LENGTH, 0
        joint, index = unpack_from("<BH", payload, 2)
        if joint >= self.count:
            return m.NO_JOINT, joint
        self.begin_staging(joint)
        if index * 4 + len(payload) - 5 > self.table:
            return m.OUT_OF_RANGE, index
        self.staging(index * 4, index * 4 + len(payload) - 5)[:] = payload[5:]
        return m.DONE, 0

    def begin_staging(self, k: int) -> None:
        """What is staged first is what is in force."""
        if self.staged != k:
            self.staged = k
            self.ask(_CALL_STAGE, k)

    def apply(self, node: "Any", k: int, wanted: int) -> "tuple[int, int]":
        """Take staged settings over whole, or refuse them whole and say which cell."""
        if driven(self.mode(k)) or self.waits(k):
            return m.NOT_NOW, self.mode(k)  # an order that waits was given under other settings
        self.begin_staging(k)
        self.staged = -1
        if digest(self.staging(0, self.table)) != wanted:
            return m.DIFFERS, 0
        wrong = self.ask(_CALL_APPLY, k)
        if wrong:
            return m.OUT_OF_RANGE, wrong - 1
        self.digest_anew()
        node.settings_taken(k)
        return m.DONE, 0

    def values(self, k: int, first: int, count: int) -> "bytes | None":
        """Octets of cells of the settings in force; None beyond the table."""
        if (first + count) * 4 > self.table:
            return None
        return bytes(self.part(k, 4 * first, 4 * (first + count)))
