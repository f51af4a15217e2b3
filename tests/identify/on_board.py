"""`record --excite` on a virtual board with a hidden part, in simulated time.

Node, adapter, mechanism and messages are those of a board that is served; only the clock and the
wire stand in memory, so that a recording of 20 s takes a few and none depends on the computer.
"""

import struct

from controller.joint import modes
from controller.wire import framing, table
from controller.wire import messages as m
from host.commands.stream import FIELDS
from host.link.bridge import BEAT_S, Rows
from host.link.moves import sampled
from host.link.session import scaled
from host.recordings.recorder import Recorder
from host.virtual.adapter import Adapter
from host.virtual.board import job_of, node_of
from host.virtual.loop import LocalNode
from host.virtual.mechanism import Mechanism
from host.virtual.remote import RemoteNode
from sim.identify.excite import SAMPLE_S, excitation


class Clock:
    """Time that moves only when told."""

    def __init__(self):
        self.us = 1000
        self.paused_us = 0

    def now(self):
        return self.us % 2**30

    def sleep(self, span):
        self.us += span


class Wire:
    """Both ends of a stream in memory."""

    def __init__(self):
        self.to_board, self.from_board = b"", b""

    def read(self, most):
        data, self.to_board = self.to_board[:most], self.to_board[most:]
        return data

    def write(self, data):
        self.from_board += data
        return True


class OnBoard:
    """A virtual board and the host's side of its wire. Use as a context."""

    def __init__(self, joint, part, seed=1, runtime="cpython", delay_s=None, warmth_C=None):
        job = job_of([joint], [part], seed)
        if delay_s is not None:
            job.delays_s = [delay_s]
        self.joint, self.clock, self.wire = joint, Clock(), Wire()
        mechanism = Mechanism(job)
        if warmth_C is not None:
            mechanism.plants["winding_C"] = warmth_C
            mechanism.plants["case_C"] = 25.0 + 0.6 * (warmth_C - 25.0)
        adapter = Adapter(mechanism, [0], self.clock)
        tick_us = job.boards[0][0]
        self.remote = None
        if runtime == "micropython":
            self.remote = RemoteNode(adapter, self.wire, tick_us, job.build)
            self.served = self.remote
        else:
            node = node_of(adapter, self.wire, tick_us, job.build, self.clock)
            self.served = LocalNode(node, adapter, self.wire)
        self.reader, self.rows, self.answers = framing.Reader(), [], []
        self.sequence, self.seen, self.beat_due, self.mode = 0, 0, 0, 0
        self.served.begin()
        self.edge_us = self.clock.us + tick_us

    def __enter__(self):
        return self

    def __exit__(self, *_):
        if self.remote is not None:
            self.remote.close()

    def tick(self):
        """One tick of the board, beats before it."""
        self.clock.us = self.edge_us
        self.edge_us += self.served.tick_us
        if self.clock.us >= self.beat_due:
            self.beat_due = self.clock.us + round(BEAT_S * 1e6)
            self.send(m.BEAT, struct.pack(m.LAYOUT[m.BEAT], self.clock.us % 2**32, 100, self.seen))
        self.served.tick(0)
        self.served.serve()
        for payload in self.reader.feed(self.wire.from_board):
            self.take(payload)
        self.wire.from_board = b""

    def take(self, payload):
        """What the board has said."""
        self.seen = payload[1]
        if payload[0] == m.ANSWER:
            self.answers.append(payload[2:5])
        elif payload[0] == m.FAULT:
            raise AssertionError(f"fault {payload[7]}")
        elif payload[0] == m.ROWS:
            count = len(FIELDS)
            names = [name for name in m.FIELDS if name in FIELDS]
            for at in range(8, len(payload), 4 + 4 * count):
                tick, *values = struct.unpack_from(f"<I{count}f", payload, at)
                self.rows.append((tick, dict(zip(names, values, strict=True))))
            self.mode = self.rows[-1][1]["mode"]

    def send(self, kind, body):
        self.sequence = (self.sequence + 1) & 0xFF
        self.wire.to_board += framing.encode(bytes((kind, self.sequence)) + body)

    def ask(self, kind, body):
        """Send a request and wait for its answer."""
        self.send(kind, body)
        mine = (kind, self.sequence)
        self.answers.clear()
        for _ in range(50):
            self.tick()
            for one in self.answers:
                if tuple(one[:2]) == mine:
                    assert one[2] == m.DONE, (kind, one[2])
                    return
        raise AssertionError(f"no answer to {kind:#x}")

    def run(self, seconds):
        for _ in range(round(seconds * 1e6 / self.served.tick_us)):
            self.tick()

    def record_excitation(self, seconds, folder, about=None):
        """What `record --excite` does, into a run folder: its path."""
        settings = self.joint.settings
        data = table.pack_table(settings)
        for at in range(0, len(data), 40):
            self.ask(m.SETTING, struct.pack("<BH", 0, at // 4) + data[at : at + 40])
        self.ask(m.APPLY, struct.pack("<BI", 0, table.digest(data)))
        mask = sum(1 << m.FIELDS.index(name) for name in set(FIELDS))
        self.ask(m.TELEMETRY, struct.pack("<HHBB", 1, mask, 1, 8))
        self.run(0.1)
        self.ask(m.ARM, struct.pack("<HI", 1, table.digest(data)))
        for _ in range(2000):
            self.tick()
            if self.mode == modes.POWERED:
                break
        plan = excitation(settings, seconds)
        move = sampled("excitation", plan.time_s, plan.angle_rad, plan.speed_rad_s)
        self.ask(m.TARGET, struct.pack("<BBfh", 0, 0, move.at(0.0)[0], 0))
        self.run(1.5)
        for number in range(int(move.seconds / SAMPLE_S + 1e-9) + 1):
            position, rate = scaled(settings, *move.at(number * SAMPLE_S))
            self.send(m.SETPOINTS, struct.pack("<HBHh", 1, round(SAMPLE_S * 1e3), position, rate))
            self.run(SAMPLE_S)
        self.ask(m.DRIVE_OFF, struct.pack("<H", 0xFFFF))
        self.run(0.1)
        told = {"excitation": [{"seconds": seconds, "pieces": plan.pieces}], "virtual": True,
                **(about or {})}  # fmt: skip
        recorder = Recorder(folder, told, 1, FIELDS, settings.tick_s, 1)
        names = list(FIELDS)
        values = [[[row[name] for name in names]] for _, row in self.rows]
        recorder.rows(Rows([tick for tick, _ in self.rows], [0], names, values, 0, 0.0))
        recorder.close()
        return folder


def record(joint, part, seconds, folder, about=None, **options):
    """Record the excitation of a hidden part on a virtual board: the run's folder."""
    with OnBoard(joint, part, **options) as board:
        return board.record_excitation(seconds, folder, about)
