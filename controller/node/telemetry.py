"""What the board tells: rows in blocks, faults until seen, health, text.

Rows are stored straight into the frame being filled. Telemetry is gated by the
host's lease and by credit (how far its reader is behind) and never waits: what
cannot be sent is dropped, and counted.
"""

from struct import pack_into

from controller.joint import faults
from controller.portable import const, free_memory
from controller.wire import framing
from controller.wire import messages as m

MYPY = False
if MYPY:  # types are for the checker only: a board has no typing module
    from controller.node.node import Node

MOST_PAYLOAD = const(248)
"Octets: stuffed at the worst, a frame still fits the framing's limit."
CREDIT = const(64)
"Frames that the host's reader may be behind."
HEAD = const(8)
MOST_WAITING = const(12)


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


class Telemetry:
    """Outgoing frames of one node."""

    def __init__(self, node: "Node") -> None:
        self.node = node
        self.sequence = 0
        self.told = 0  # frames numbered so far: sequence numbers come round, this does not
        self.seen = 0
        self.dropped = 0
        self.groups: "list[Group]" = []
        self.fields = 0
        self.getters: "tuple[int, ...]" = ()
        self.every = 1
        self.waiting: "list[bytes]" = []  # encoded frames that are ready to go
        self.answers: "list[bytes]" = []
        self.half_second = 0
        self.fault_ticks = 0
        self.told_faults = [0] * node.joints.count  # the fault of each joint that a host has seen

    def next_sequence(self) -> int:
        """Sequence number of the next outgoing frame."""
        self.sequence = (self.sequence + 1) & 0xFF
        self.told += 1
        return self.sequence

    def setup(self, joints: int, fields: int, every: int, rows: int) -> None:
        """Begin to send rows of the joints and fields of two masks; rows 0 ends it."""
        self.groups = []
        self.fields = fields
        self.every = every if every > 0 else 1
        self.getters = tuple([k for k in range(len(m.FIELDS)) if fields >> k & 1])
        if rows == 0 or not self.getters:
            return
        numbers = [k for k in range(self.node.joints.count) if joints >> k & 1]
        most = (MOST_PAYLOAD - HEAD - 4) // (4 * len(self.getters))
        while numbers:
            part, numbers = numbers[:most], numbers[most:]
            width = 4 + 4 * len(part) * len(self.getters)
            fit = (MOST_PAYLOAD - HEAD) // width
            self.groups.append(self.make_group(part, width, rows if rows < fit else fit))

    def make_group(self, joints: "list[int]", width: int, rows: int) -> "Group":
        """Joints that share a frame."""
        return Group(joints, width, rows)

    def on_tick(self, steps: int = 1) -> None:
        """After a tick, or ``steps`` of them: store rows, tell faults and health when they are due."""
        node = self.node
        node_tick = node.tick
        if self.groups and node.has_lease and node_tick % self.every == 0:
            self.store_rows(node_tick)
        self.half_second += steps * node.tick_us
        if self.half_second >= 500000:
            self.half_second = 0
            self.health()
        self.fault_ticks += steps * node.tick_us
        if self.fault_ticks >= 100000:
            self.fault_ticks = 0
            self.tell_faults()

    def store_rows(self, tick: int) -> None:
        """Store a row for every group."""
        for group in self.groups:
            self.store(group, tick)

    def free(self) -> int:
        """Free heap (octets); 0 where it is not told."""
        return free_memory()

    def lost(self) -> int:
        """Rows and frames that nobody was told."""
        return self.dropped

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

    def credit(self) -> bool:
        """Tell whether the host's reader keeps up."""
        return (self.sequence - self.seen) & 0xFF <= CREDIT

    def queue(self, payload: bytes, rows: int = 0) -> None:
        """Queue a frame; rows are dropped where the host does not keep up."""
        if rows and (len(self.waiting) > 4 or not self.credit()):
            self.dropped += rows
            return
        if len(self.waiting) >= MOST_WAITING:
            self.dropped += 1
            return
        self.waiting.append(framing.encode(payload))

    def send(self) -> bool:
        """Write one waiting frame if the stream takes it; tell whether it did.

        Answers go out whenever asked for; all else only while the lease runs.
        """
        if self.waiting and not self.node.has_lease:
            self.waiting = []
        if self.answers:
            if not self.node.stream.write(self.answers[0]):
                return False
            self.answers.pop(0)
            return True
        if not self.waiting:
            return False
        if not self.node.stream.write(self.waiting[0]):
            return False
        self.waiting.pop(0)
        return True

    def tell_faults(self) -> None:
        """Queue a report for every latched fault that the host has not seen."""
        joints = self.node.joints
        for k in range(joints.count):
            fault = joints.fault(k)
            if fault == faults.NONE:
                self.told_faults[k] = 0
            elif self.told_faults[k] != fault and self.node.has_lease:
                at = joints.fault_tick(k) & 0xFFFFFFFF
                self.queue(m.build(m.FAULT, self.next_sequence(), at, k, fault, joints.mode(k)))

    def tell_faults_anew(self) -> None:
        """Whoever greets is told every latched fault."""
        for k in range(len(self.told_faults)):
            self.told_faults[k] = 0

    def health(self) -> None:
        """Queue the health report and begin a new period."""
        t = self.node.timing
        reader = self.node.answering.reader
        if self.node.has_lease:
            times = [t.mean_us(), t.most_us, t.late, t.collections, t.longest_us]
            times = [one if one < 0xFFFF else 0xFFFF for one in times]
            damaged = reader.bad + reader.short + reader.long
            counts = [damaged, self.node.answering.gaps, self.lost()]
            counts.append(self.node.board.deadman_trips())
            counts = [one & 0xFFFF for one in counts]
            self.queue(m.build(m.HEALTH, self.next_sequence(), *times, self.free(), *counts))
        t.reset()

    def text(self, level: int, line: str) -> None:
        """Queue a line of text for the log."""
        body = line.encode()[:200]
        self.queue(bytes((m.TEXT, self.next_sequence(), level)) + body)

    def answer(self, payload: bytes) -> None:
        """Queue an answer, ahead of all else; a host that never reads loses the oldest."""
        if len(self.answers) > 8:
            self.answers.pop(0)
        self.answers.append(framing.encode(payload))
