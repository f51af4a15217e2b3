"""Rows of telemetry stored in Python, straight into the frame being filled."""

from struct import pack_into

from controller.node.telemetry import HEAD, Telemetry
from controller.portable import free_memory
from controller.wire import messages as m

MYPY = False
if MYPY:  # types are for the checker only: a board has no typing module
    from typing import Any


class Group:
    """Joints that share a frame of rows."""

    def __init__(self, joints: "list[int]", width: int, rows: int) -> None:
        self.joints = joints  # list of joint numbers
        self.mask = 0
        for k in joints:
            self.mask |= 1 << k
        self.width = width
        self.rows = rows
        self.buffer = bytearray(HEAD + rows * width)
        self.filled = 0


class RowTelemetry(Telemetry):
    """Outgoing frames of a node whose joints are asked for every value."""

    getters: "tuple[int, ...]" = ()

    def setup(self, joints: int, fields: int, every: int, rows: int) -> None:
        """Begin to send rows of the joints and fields of two masks; rows 0 ends it."""
        Telemetry.setup(self, joints, fields, every, rows)
        self.getters = tuple([k for k in range(m.FIELD_COUNT) if fields >> k & 1])

    def on_tick(self, steps: int = 1) -> None:
        """After a tick, or ``steps`` of them: store rows, tell faults and health when they are due."""
        node_tick = self.node.tick
        if self.groups and self.node.has_lease and node_tick % self.every == 0:
            for group in self.groups:
                self.store(group, node_tick)
        Telemetry.on_tick(self, steps)

    def make_group(self, joints: "list[int]", width: int, rows: int) -> "Any":
        """Joints that share a frame."""
        return Group(joints, width, rows)

    def free(self) -> int:
        """Free heap (octets)."""
        return free_memory()

    def store(self, group: "Group", tick: int) -> None:
        """Store one row into the frame of a group; queue the frame when it is full."""
        at = HEAD + group.filled * group.width
        buffer = group.buffer
        pack_into("<I", buffer, at, tick & 0xFFFFFFFF)
        at += 4
        for k in group.joints:
            for field in self.getters:
                pack_into("<f", buffer, at, self.node.joints.value(k, field))
                at += 4
        group.filled += 1
        if group.filled >= group.rows:
            pack_into("<BBHHH", buffer, 0, m.ROWS, self.next_sequence(), group.mask, self.fields,
                      self.dropped & 0xFFFF)  # fmt: skip
            self.queue(bytes(buffer), group.rows)
            group.filled = 0
