"""What the board tells: rows in blocks, faults until seen, health, text.

How rows come about is a subclass's matter (``rows.py``, ``native_node.py``). Telemetry is gated by the
host's lease and by credit (how far its reader is behind) and never waits: what
cannot be sent is dropped, and counted.
"""

from controller.joint import faults
from controller.portable import const
from controller.wire import framing
from controller.wire import messages as m

MYPY = False
if MYPY:  # types are for the checker only: a board has no typing module
    from typing import Any

    from controller.node.node import Node

MOST_PAYLOAD = const(248)
"Octets: stuffed at the worst, a frame still fits the framing's limit."
CREDIT = const(64)
"Frames that the host's reader may be behind."
HEAD = const(8)
MOST_WAITING = const(12)


class Telemetry:
    """Outgoing frames of one node."""

    def __init__(self, node: "Node") -> None:
        self.node = node
        self.sequence = 0
        self.told = 0  # frames numbered so far: sequence numbers come round, this does not
        self.seen = 0
        self.dropped = 0
        self.groups: "list[Any]" = []
        self.fields = 0
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
        values = sum([fields >> k & 1 for k in range(m.FIELD_COUNT)])
        if rows == 0 or values == 0:
            return
        numbers = [k for k in range(self.node.joints.count) if joints >> k & 1]
        most = (MOST_PAYLOAD - HEAD - 4) // (4 * values)
        while numbers:
            part, numbers = numbers[:most], numbers[most:]
            width = 4 + 4 * len(part) * values
            fit = (MOST_PAYLOAD - HEAD) // width
            self.groups.append(self.make_group(part, width, rows if rows < fit else fit))

    def on_tick(self, steps: int = 1) -> None:
        """After a tick, or ``steps`` of them: tell faults and health when they are due."""
        node = self.node
        self.half_second += steps * node.tick_us
        if self.half_second >= 500000:
            self.half_second = 0
            self.health()
        self.fault_ticks += steps * node.tick_us
        if self.fault_ticks >= 100000:
            self.fault_ticks = 0
            self.tell_faults()

    def make_group(self, joints: "list[int]", width: int, rows: int) -> "Any":
        """Joints that share a frame of ``rows`` rows of ``width`` octets; a subclass has them."""
        raise NotImplementedError

    def free(self) -> int:
        """Free heap (octets); 0 where it is not told."""
        return 0

    def lost(self) -> int:
        """Rows and frames that nobody was told."""
        return self.dropped

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
            counts.append(self.node.board.standstills())
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
