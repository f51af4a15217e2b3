"""A node on simulated joints in simulated time, with a host's side of the line.

Nothing waits and nothing runs by itself: time moves by ``pass_ticks`` alone.
"""

import struct

from controller import portable
from controller.wire import framing, table
from controller.wire import messages as m
from host.virtual import board
from tests.properties.serial_line import Decoder, Line

BEAT_US = 20_000


class Clock:
    """Time that moves only when told; the board's counter wraps, this one does not."""

    def __init__(self, us):
        self.us = us

    def now(self):
        return self.us % 2**30

    def sleep(self, span):
        self.us += span


class LinkBench:
    """``judge`` (link_judge.py) is told of octets, of frames and of ticks."""

    def __init__(self, joint, count=1, start_us=1000, self_test=False, hard=()):
        self.clock = Clock(start_us)
        self.line = Line()
        self.joint = joint
        self.node = board.make_node([joint] * count, self.line, clock=self.clock)
        self.node.joints.hard = list(hard)
        self.settings = table.pack_table(joint.settings)
        if not self_test:
            self.settings = self.changed("stopping.check_V", 0.0)
        self.node.begin()
        self.decoder = Decoder()
        self.sequence = 0
        self.beating = False
        self.reader_lives = True
        self.beat_due = 0
        self.frames = []

    def changed(self, name, value, data=None):
        """The packed settings with one other value."""
        data = self.settings if data is None else data
        at = 4 * table.cell_of(type(self.joint.settings), name)
        return data[:at] + struct.pack("<f", value) + data[at + 4 :]

    @property
    def mask(self):
        return (1 << len(self.node.joints.slots)) - 1

    # --- time

    def pass_ticks(self, count, late_us=0):
        """Let ticks pass, the first of them late; the line is served in between."""
        for _ in range(count):
            self.beat_if_due()
            ahead = portable.ticks_diff(self.node.edge, self.clock.now())
            self.clock.us += max(ahead, 0) + late_us
            late_us = 0
            self.node.turn()
            for _ in range(3):
                self.clock.us += 150
                self.node.turn()
        taken, self.line.from_board = self.line.from_board, b""
        found = self.decoder.feed(taken)
        assert b"\x03" not in taken, "an interrupt character never stands in a frame"
        assert len(found) == taken.count(b"\x7e"), "the board sends whole frames only"
        self.frames = found
        return found

    def beat_if_due(self):
        if self.beating and self.clock.us >= self.beat_due:
            self.beat_due = self.clock.us + BEAT_US
            self.beat()

    # --- frames

    def send(self, kind, body=b"", fate=("sound", 0, 1), sequence=None):
        if sequence is None:
            self.sequence = (self.sequence + 1) & 0xFF
            sequence = self.sequence
        payload = bytes((kind, sequence)) + body
        self.line.put(payload, framing.encode(payload), fate)

    def beat(self, lease_ms=100, fate=("sound", 0, 1)):
        seen = self.node.telemetry.sequence if self.reader_lives else 0
        body = struct.pack("<IHB", self.clock.us & 0xFFFFFFFF, lease_ms, seen)
        self.send(m.BEAT, body, fate, sequence=0)

    def digest(self):
        """Digest of the settings in force, all joints together."""
        return table.digest(
            b"".join(table.pack_table(slot.settings) for slot in self.node.joints.slots)
        )

    def settle(self, data=None):
        """Send settings to every joint and have them taken over."""
        data = self.settings if data is None else data
        for k in range(len(self.node.joints.slots)):
            for at in range(0, len(data), 200):
                self.send(m.SETTING, struct.pack("<BH", k, at // 4) + data[at : at + 200])
            self.send(m.APPLY, struct.pack("<BI", k, table.digest(data)))
        self.pass_ticks(8 * len(self.node.joints.slots))

    def arm(self, fate=("sound", 0, 1)):
        self.send(m.ARM, struct.pack("<HI", self.mask, self.digest()), fate)

    def power(self):
        """Settings, beats, and every joint armed."""
        self.settle()
        self.beating = True
        self.pass_ticks(4)
        self.arm()
        self.pass_ticks(3)

    def answer(self):
        """Send nothing more; let two ticks pass and return the last answer's (result, detail)."""
        found = [one for one in self.pass_ticks(2) if one[0] == m.ANSWER]
        return found[-1][4], found[-1][5] | found[-1][6] << 8
