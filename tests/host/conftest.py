"""A node on simulated joints, driven turn by turn: no real time, no port."""

import struct
from pathlib import Path

import pytest

from controller import portable
from controller.wire import framing, table
from controller.wire import messages as m
from host.virtual import board
from sim.run.closed_loop import load_joint

NOMINAL = Path(__file__).resolve().parents[1] / "data" / "nominal.toml"


class Clock:
    """Time that moves only when told."""

    def __init__(self):
        self.us = 1000

    def now(self):
        return self.us % 2**30

    def sleep(self, span):
        self.us += span


class Wire:
    """Both ends of a stream in memory."""

    def __init__(self):
        self.to_board = b""
        self.from_board = b""
        self.reading = True

    def read(self, most):
        data, self.to_board = self.to_board[:most], self.to_board[most:]
        return data

    def write(self, data):
        if self.reading:
            self.from_board += data
        return self.reading


class Bench:
    """A node, its clock and a host's side of the wire."""

    def __init__(self, clock, joints=1, self_test=False, hard=()):
        self.clock = clock
        self.wire = Wire()
        self.joint = load_joint(NOMINAL)
        self.joint.settings.stopping.check_V *= self_test
        self.node = board.make_node([self.joint] * joints, self.wire, clock=clock)
        self.node.joints.hard = list(hard)
        self.node.begin()
        self.reader = framing.Reader()
        self.sequence = 0
        self.frames = []
        self.beating = False
        self.beat_due = 0

    def run(self, seconds):
        """Let time pass; the lease is renewed if ``beating``."""
        end = self.clock.us + int(seconds * 1e6)
        while self.clock.us < end and not self.node.leaving:
            if self.beating and self.clock.us >= self.beat_due:
                self.beat_due = self.clock.us + 20000
                self.send(m.BEAT, struct.pack("<IHB", self.clock.us, 100, self.last_sequence()))
            self.node.turn()
            self.clock.us += 50
        self.frames += self.reader.feed(self.wire.from_board)
        self.wire.from_board = b""

    def last_sequence(self):
        return self.node.telemetry.sequence

    def send(self, kind, body=b"", sequence=None):
        if sequence is None:
            self.sequence = (self.sequence + 1) & 0xFF
            sequence = self.sequence
        self.wire.to_board += framing.encode(bytes((kind, sequence)) + body)

    def ask(self, kind, body=b""):
        """Send a request and return its answer's (result, detail)."""
        self.send(kind, body)
        mine = self.sequence
        self.frames.clear()
        self.run(0.02)
        for payload in self.frames:
            if payload[0] == m.ANSWER and payload[3] == mine:
                return payload[4], payload[5] | payload[6] << 8
        return None

    def of_kind(self, kind):
        return [payload for payload in self.frames if payload[0] == kind]

    def send_settings(self):
        data = table.pack_table(self.joint.settings)
        for k in range(len(self.node.joints.slots)):
            for at in range(0, len(data), 40):
                body = struct.pack("<BH", k, at // 4) + data[at : at + 40]
                assert self.ask(m.SETTING, body) == (m.DONE, 0)
            assert self.ask(m.APPLY, struct.pack("<BI", k, table.digest(data))) == (m.DONE, 0)
        return table.digest(data * len(self.node.joints.slots))

    def power(self):
        """Send settings, beat and arm all joints."""
        digest = self.send_settings()
        self.beating = True
        self.run(0.05)
        mask = (1 << len(self.node.joints.slots)) - 1
        assert self.ask(m.ARM, struct.pack("<HI", mask, digest)) == (m.DONE, 0)
        self.run(0.02)
        return digest

    @property
    def report(self):
        return self.node.joints.slots[0].report

    @property
    def duty(self):
        return self.node.board.mechanism.values[0]


@pytest.fixture
def make_bench():
    clock = Clock()
    assert portable.ticks_diff(5, 2**30 - 5) == 10
    return lambda **options: Bench(clock, **options)
