"""A node whose tick is machine code: time, lease and rows lie in the memory that both share.

On a chip the interrupt runs between any two lines of this program; what it judges (lease,
lateness, tick) is read from the memory, never kept here.
"""

from controller.node.native_joints import HEAD, NUMBERS
from controller.node.node import Node
from controller.node.telemetry import Telemetry
from controller.portable import const

MYPY = False
if MYPY:  # types are for the checker only: a board has no typing module
    from typing import Any

TICK = const(3)
LEASE = const(6)
BEAT = const(7)
LEASE_US = const(8)
"As in ``cells.HEAD``: asked for in every turn of the loop."


class NativeNode(Node):
    """The loop of a board with joints of machine code."""

    def make_telemetry(self) -> Telemetry:
        """What tells the host."""
        return NativeTelemetry(self)

    @property
    def tick(self) -> int:
        """Ticks so far."""
        return int(self.joints.whole[TICK])

    @tick.setter
    def tick(self, value: int) -> None:
        """The memory counts by itself."""

    @property
    def has_lease(self) -> bool:
        """Whether the lease runs."""
        return bool(self.joints.whole[LEASE])

    @has_lease.setter
    def has_lease(self, value: bool) -> None:
        self.joints.whole[LEASE] = int(value)

    @property
    def beat_us(self) -> int:
        """When the last valid beat or setpoint came."""
        return int(self.joints.whole[BEAT])

    @beat_us.setter
    def beat_us(self, value: int) -> None:
        self.joints.whole[BEAT] = value

    @property
    def lease_us(self) -> int:
        """How long the drive may stay on after it."""
        return int(self.joints.whole[LEASE_US])

    @lease_us.setter
    def lease_us(self, value: int) -> None:
        self.joints.whole[LEASE_US] = value


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
        whole[HEAD["groups"]] = 0  # the tick fills none while they change
        Telemetry.setup(self, joints, fields, every, rows)
        at, cells = whole[HEAD["group_at"]], whole[HEAD["group_cells"]]
        for group in self.groups:
            whole[at], whole[at + 1] = group.mask, group.width
            whole[at + 2], whole[at + 3] = group.rows, 0
            at += cells
        whole[HEAD["ring_out"]] = whole[HEAD["ring_in"]]
        whole[HEAD["fields"]], whole[HEAD["every"]] = fields, self.every
        whole[HEAD["groups"]] = len(self.groups)
        self.ready = 0

    def make_group(self, joints: "list[int]", width: int, rows: int) -> "Any":
        """Joints that share a frame."""
        return Group(joints, width, rows)

    def store_rows(self, tick: int) -> None:
        """The tick has done it."""

    def lost(self) -> int:
        """Rows and frames that nobody was told."""
        return self.dropped + int(self.node.joints.whole[HEAD["dropped"]])

    def send(self) -> bool:
        """Write one waiting frame if the stream takes it; tell whether it did."""
        joints = self.node.joints
        joints.whole[HEAD["gate"]] = int(self.credit())
        if Telemetry.send(self):
            return True
        if not self.node.has_lease:
            joints.whole[HEAD["ring_out"]] = joints.whole[HEAD["ring_in"]]
            self.ready = 0
            return False
        if self.answers or self.waiting:  # they could not go out
            return False
        if not self.ready and joints.whole[HEAD["ring_in"]] != joints.whole[HEAD["ring_out"]]:
            joints.whole[HEAD["sequence"]] = self.next_sequence()
            self.ready = joints.call(NUMBERS["rows"])
        if not self.ready:
            return False
        at = 4 * joints.whole[HEAD["wire_at"]]
        if not self.node.stream.write(memoryview(joints.octets)[at : at + self.ready]):
            return False
        self.ready = 0
        return True
