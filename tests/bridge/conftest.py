"""What these tests share: a command run in this process, boards in processes of their own."""

import json
import queue
import struct
import subprocess
import sys
from pathlib import Path

import pytest

from controller.wire import framing
from controller.wire import messages as m
from host.errors import LinkLostError
from host.link.bridge import Bridge
from host.link.transport import open_url
from sim.model import schedule, sensor
from tests.waiting import until

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
NOMINAL = (ROOT / "tests" / "data" / "nominal.toml").read_text(encoding="utf-8")
QUICK = NOMINAL.replace("[limits]\n", "[limits]\nself_test = false\n")


@pytest.fixture
def figures():
    """Asked for by tests that look at a figure: the others go without, half a second sooner."""


@pytest.fixture(autouse=True)
def no_figures(request, monkeypatch):
    if "figures" not in request.fixturenames:
        monkeypatch.setattr("host.figures.recording.recording_figure", lambda *_: None)
        monkeypatch.setattr("host.figures.look.save", lambda _figure, path: path)


@pytest.fixture
def joint_file(tmp_path):
    """The nominal joint without its self-test at arming, which would cost a second each time."""
    path = tmp_path / "joint.toml"
    path.write_text(QUICK, encoding="utf-8")
    return path


class Process:
    """A board in a process of its own."""

    def __init__(self, files, **options):
        self.process = subprocess.Popen(
            [sys.executable, str(HERE / "bench_board.py"), json.dumps(options), *map(str, files)],
            stdout=subprocess.PIPE, stdin=subprocess.PIPE, text=True, cwd=ROOT,
        )  # fmt: skip
        self._url = None

    @property
    def url(self):
        if self._url is None:
            line = self.process.stdout.readline()
            assert line, "the board did not start"
            self._url = json.loads(line)["url"]
        return self._url

    def end(self):
        self.process.kill()
        self.process.wait()
        for pipe in (self.process.stdin, self.process.stdout):
            pipe.close()


def started(folder):
    """A function that starts boards by name when first asked for; all end with its user."""
    path = folder / "joint.toml"
    path.write_text(QUICK, encoding="utf-8")
    known = {}

    def board(name, files=None, **options):
        if name not in known:
            known[name] = Process(files or [path], **options)
        return known[name]

    yield board
    for process in known.values():
        process.end()


@pytest.fixture(scope="module")
def processes(tmp_path_factory):
    """Boards of one file of tests: a board that nobody needs any more takes a quarter of a core."""
    yield from started(tmp_path_factory.mktemp("boards"))


def _let_tick(bridge, ticks):
    """Wait until the board has ticked so often: its time, not the computer's."""
    assert until(lambda: bridge.board_tick)
    stood = bridge.board_tick
    assert until(lambda: bridge.board_tick >= stood + ticks)


def freshen(url, joints=1):
    """Bring a board that other tests have used to where a new one stands."""
    bridge = Bridge(open_url(url), url)
    try:
        bridge.greet()
        bridge.beat()
        bridge.request(m.DRIVE_OFF, struct.pack("<H", 0xFFFF))
        for k in range(joints):
            for kind, a in ((schedule.SENSOR, sensor.SOUND), (schedule.MOVE_BY_HAND, 0.5)):
                bridge.request(m.MEDDLE, struct.pack("<BBfff", k, kind, a, 0.0, 0.0))
            bridge.request(m.MEDDLE, struct.pack("<BBfff", k, schedule.NO_OBJECT, 0.0, 0.0, 0.0))
        _let_tick(bridge, 25)  # the hand's move takes a few
        bridge.request(m.CLEAR, struct.pack("<H", 0xFFFF))
        bridge.request(m.TELEMETRY, struct.pack("<HHBB", 0, 0, 1, 0))
        _let_tick(bridge, 10)  # what was asked for takes effect within one
    finally:
        bridge.close()
    return url


@pytest.fixture
def board(processes):
    """URL of a virtual board with one joint."""
    return freshen(processes("one").url)


@pytest.fixture
def two_boards(processes):
    """URLs of two virtual boards of one joint, the clocks of which differ by seconds."""
    first = processes("one").url
    second = processes("two").url
    return [freshen(first), freshen(second)]


@pytest.fixture
def real_board(processes):
    """URL of a board that says it is a real one (what it moves is simulated all the same)."""
    return freshen(processes("real", real=True).url)


class Memory:
    """A transport in memory. ``answer`` makes payloads (or raw octets) of a payload sent."""

    def __init__(self, answer):
        self.answer = answer
        self.sent = []
        self.queue = queue.SimpleQueue()
        self.reader = framing.Reader()
        self.closed = False
        self.gone = None

    def write(self, data):
        if self.gone or self.closed:
            raise LinkLostError(self.gone or "closed")
        for payload in self.reader.feed(data):
            if payload[0] != m.BEAT:
                self.sent.append(payload)
            for reply in self.answer(payload) or ():
                self.queue.put(reply if isinstance(reply, bytearray) else framing.encode(reply))

    def read(self, wait_s):
        if self.gone:
            raise LinkLostError(self.gone)
        try:
            return bytes(self.queue.get(timeout=wait_s))
        except queue.Empty:
            return b""

    def close(self):
        self.closed = True

    def kinds(self):
        return [payload[0] for payload in self.sent]


def identity(version=m.VERSION, flags=m.VIRTUAL, joints=1, build=7, settings=0, inbound=128):
    return m.build(m.IDENTITY, 1, version, 0, flags, joints, 2000, build, settings, 0, 50, 50,
                   inbound)  # fmt: skip


def answer_to(payload, result=m.DONE, detail=0):
    return m.build(m.ANSWER, 1, payload[0], payload[1], result, detail)


def obedient(payload):
    """A board that does whatever it is asked."""
    if payload[0] == m.HELLO:
        return [identity()]
    if payload[0] in (m.BEAT, m.SETPOINTS):
        return []
    return [answer_to(payload)]


@pytest.fixture
def wire():
    """Makers of what a board says, and of a bridge to it."""

    class Wire:
        def __init__(self):
            self.bridges = []

        identity = staticmethod(identity)
        answer_to = staticmethod(answer_to)
        obedient = staticmethod(obedient)
        memory = staticmethod(Memory)

        def bridge(self, answer=obedient):
            transport = Memory(answer)
            self.bridges.append(Bridge(transport, "memory"))
            return self.bridges[-1], transport

    made = Wire()
    yield made
    for bridge in made.bridges:
        bridge.abandon()
