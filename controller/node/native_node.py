"""A node whose tick is machine code: time, lease and rows lie in the memory that both share.

On a chip the interrupt runs between any two lines of this program; what it judges (lease,
lateness, tick) is read from the memory, never kept here.
"""

from controller.node.node import Node
from controller.node.telemetry import Telemetry
from controller.portable import const

MYPY = False
if MYPY:  # types are for the checker only: a board has no typing module
    from typing import Any

# places of cells and numbers of calls: as in cells.py, held by a test
_CALL_ROWS = const(12)
_HEAD_TICK = const(3)
_HEAD_HAS_LEASE = const(6)
_HEAD_BEAT_US = const(7)
_HEAD_LEASE_US = const(8)
_HEAD_EVERY = const(14)
_HEAD_FIELDS = const(15)
_HEAD_GROUPS = const(16)
_HEAD_GATE = const(17)
_HEAD_RING_IN = const(18)
_HEAD_RING_OUT = const(19)
_HEAD_DROPPED = const(20)
_HEAD_SEQUENCE = const(21)
_HEAD_GROUP_AT = const(34)
_HEAD_GROUP_CELLS = const(35)
_HEAD_WIRE_AT = const(36)


class NativeNode(Node):
    """The loop of a board with joints of machine code."""

    def make_telemetry(self) -> Telemetry:
        """What tells the host."""
        return NativeTelemetry(self)

    @property
    def tick(self) -> int:
        """Ticks so far."""
        return int(self.joints.whole[_HEAD_TICK])

    @tick.setter
    def tick(self, value: int) -> None:
        """The memory counts by itself."""

    @property
    def has_lease(self) -> bool:
        """Whether the lease runs."""
        return bool(self.joints.whole[_HEAD_HAS_LEASE])

    @has_lease.setter
    def has_lease(self, value: bool) -> None:
        self.joints.whole[_HEAD_HAS_LEASE] = int(value)

    @property
    def beat_us(self) -> int:
        """When the last valid beat or setpoint came."""
        return int(self.joints.whole[_HEAD_BEAT_US])

    @beat_us.setter
    def beat_us(self, value: int) -> None:
        self.joints.whole[_HEAD_BEAT_US] = value

    @property
    def lease_us(self) -> int:
        """How long the drive may stay on after it."""
        return int(self.joints.whole[_HEAD_LEASE_US])

    @lease_us.setter
    def lease_us(self, value: int) -> None:
        self.joints.whole[_HEAD_LEASE_US] = value


class Group:
    """Joints that share a frame of rows: the memory has the room for them."""

    filled = 0

    def __init__(self, joints: "list[int]", width: int, rows: int) -> None:
        self.width, self.rows = width, rows
        self.mask = 0
        for k in joints:
            self.mask |= 1 << k


class NativeTelemetry(Telemetry):
    """Rows come out of the memory, where the tick has put them."""

    ready = 0
    "Octets of a frame of rows that lie on the wire's place."

    def setup(self, joints: int, fields: int, every: int, rows: int) -> None:
        """Begin to send rows of the joints and fields of two masks; rows 0 ends it."""
        whole = self.node.joints.whole
        whole[_HEAD_GROUPS] = 0  # the tick fills none while they change
        Telemetry.setup(self, joints, fields, every, rows)
        at, cells = whole[_HEAD_GROUP_AT], whole[_HEAD_GROUP_CELLS]
        for group in self.groups:
            whole[at], whole[at + 1] = group.mask, group.width
            whole[at + 2], whole[at + 3] = group.rows, 0
            at += cells
        whole[_HEAD_RING_OUT] = whole[_HEAD_RING_IN]
        whole[_HEAD_FIELDS], whole[_HEAD_EVERY] = fields, self.every
        whole[_HEAD_GROUPS] = len(self.groups)
        self.ready = 0

    def make_group(self, joints: "list[int]", width: int, rows: int) -> "Any":
        """Joints that share a frame."""
        return Group(joints, width, rows)

    def free(self) -> int:
        """Free heap (octets) after the start: to look now would walk the whole heap."""
        return self.node.timing.free

    def lost(self) -> int:
        """Rows and frames that nobody was told."""
        return self.dropped + int(self.node.joints.whole[_HEAD_DROPPED])

    def send(self) -> bool:
        """Write one waiting frame if the stream takes it; tell whether it did."""
        joints = self.node.joints
        joints.whole[_HEAD_GATE] = int(self.credit())
        if Telemetry.send(self):
            return True
        if not self.node.has_lease:
            joints.whole[_HEAD_RING_OUT] = joints.whole[_HEAD_RING_IN]
            self.ready = 0
            return False
        if self.answers or self.waiting:  # they could not go out
            return False
        if not self.ready and joints.whole[_HEAD_RING_IN] != joints.whole[_HEAD_RING_OUT]:
            joints.whole[_HEAD_SEQUENCE] = self.next_sequence()
            self.ready = joints.call(_CALL_ROWS)
        if not self.ready:
            return False
        at = 4 * joints.whole[_HEAD_WIRE_AT]
        if not self.node.stream.write(memoryview(joints.octets)[at : at + self.ready]):
            return False
        self.ready = 0
        return True
