"""A board on the desk: pins, converter, timer and watchdog of our own, in simulated time.

The world's clock moves when somebody asks for the time, sleeps, converts or is
told to stand still. While it moves, hard timers fire at their due time and the
watchdog bites, whatever the program is doing, as they do on a chip.
"""

import ctypes
import importlib
import json
import os
import shutil
import struct
import subprocess
import sys
import types
import weakref
from collections import defaultdict
from pathlib import Path

import pytest

from controller.joint.settings.settings import Settings
from controller.node import clock
from controller.wire import framing, table
from controller.wire import messages as m
from sim.translate import image, library

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
WRAP = 2**30
MODULES = (
    "controller.board.pins",
    "controller.board.adapter",
    "controller.board.program",
    "controller.board.wiring_cells",
    "controller.board.start",
)


class Bitten(BaseException):
    """The watchdog has reset the chip: the program ends here, whatever it catches."""


class Restarted(BaseException):
    """The program has asked for a reset."""


class World:
    """The chip: time, pins, timers, watchdog. Everything that is done to it is logged."""

    def __init__(self):
        self.us = 1_000_000
        self.look_us = 7
        self.convert_us = 2
        self.stall_us = 0
        self.analog = {}
        self.digital = {}
        self.outputs = {}
        self.timers = []
        self.watchdog = None
        self.interrupting = False
        self.log = []
        self.tasks = []
        self.cause = 1
        self.number = b"\x01\x02\x03\x04\x05\x06\x07\x08"
        self.memory = defaultdict(int)

    def note(self, what, *values):
        self.log.append((self.us, what, *values))

    def named(self, *names):
        return [entry for entry in self.log if entry[1] in names]

    # --- time

    def at(self, us, task):
        """Have ``task`` done, by the outside, once the clock has reached ``us``."""
        self.tasks.append((us, task))

    def stand(self, span):
        """Let ``span`` us pass: timers fire, the watchdog may bite."""
        end = self.us + span
        if self.interrupting:  # no interrupt of its own rank comes meanwhile
            self._go(end)
            return
        while True:
            running = [timer() for timer in self.timers]
            running = [timer for timer in running if timer is not None]
            due = min([timer.due for timer in running], default=end + 1)
            if due > end:
                break
            self._go(max(due, self.us))
            for timer in running:
                if timer.due == due:
                    timer.due += timer.period_us
                    self.interrupt(timer)
        self._go(max(end, self.us))

    def interrupt(self, timer):
        """One call from a timer; one that fails stops its timer with a printed line only."""
        self.interrupting = True
        try:
            timer.callback(timer)
        except Exception as error:
            self.note("failed", repr(error))
            timer.deinit()
        finally:
            self.interrupting = False

    def _go(self, us):
        self.us = us
        dog = self.watchdog
        if dog is not None and us - dog.fed_us > dog.timeout_us:
            self.us = dog.fed_us + dog.timeout_us
            self.note("bite")
            self.watchdog = None
            raise Bitten
        if self.interrupting:
            return
        ready = [task for due, task in self.tasks if due <= us]
        self.tasks = [one for one in self.tasks if one[0] > us]
        for task in ready:
            task()

    def ticks_us(self):
        self.stand(self.look_us)
        return self.us % WRAP

    def sleep_us(self, span):
        self.stand(span)

    def restart(self, cause):
        """What a reset does: pins, timers and watchdog are as after power-on."""
        self.outputs.clear()
        self.timers.clear()
        self.watchdog = None
        self.tasks.clear()
        self.cause = cause

    # --- what a meter on the pins would show

    def volts(self, first, second):
        """Mean voltage between two pins, over the supply."""
        return self.outputs[first].share() - self.outputs[second].share()

    def silent(self):
        """Whether every output is low."""
        return all(output.share() == 0.0 for output in self.outputs.values())


def make_machine(world):
    """The module ``machine`` of a board of the RP2040 kind, strict about what it is given."""

    class Pin:
        OUT, IN, PULL_UP = 1, 0, 2

        def __init__(self, number, mode=None, pull=None, value=None):
            assert type(number) is int
            self.number = number
            world.note("pin", number, mode, pull, value)
            self.level = value

        def value(self):
            return world.digital.get(self.number, 1)

    class PWM:
        def __init__(self, pin, freq, duty_u16=None):
            assert isinstance(pin, Pin)
            assert pin.level == 0
            self.number, self.freq = pin.number, freq
            self.mode, self.amount = "u16", None
            world.note("pwm", self.number, freq)
            world.outputs[self.number] = self
            if duty_u16 is not None:
                self.duty_u16(duty_u16)

        def duty_u16(self, duty):
            assert type(duty) is int
            if not 0 <= duty <= 65535:
                raise ValueError("duty")
            self.mode, self.amount = "u16", duty
            world.note("duty", self.number, duty, world.interrupting)

        def duty_ns(self, width):
            assert type(width) is int
            if not 0 <= width <= 10**9 // self.freq:
                raise ValueError("width")
            self.mode, self.amount = "ns", width
            world.note("width", self.number, width)

        def share(self):
            if self.mode == "ns":
                return self.amount * self.freq / 1e9
            return self.amount / 65535

    class ADC:
        def __init__(self, pin):
            assert isinstance(pin, Pin)
            self.number = pin.number
            world.note("adc", self.number)

        def read_u16(self):
            """12 bits, stretched to 16 by repeating the uppermost four."""
            stall, world.stall_us = world.stall_us, 0
            world.stand(stall + world.convert_us)
            counts = world.analog[self.number]
            if callable(counts):
                counts = counts()
            world.note("convert", self.number)
            return counts << 4 | counts >> 8

    class Timer:
        PERIODIC, ONE_SHOT = 1, 0

        def __init__(self, period, mode, callback, hard=False, tick_hz=1000):
            assert type(period) is int
            self.period_us = period * 1000000 // tick_hz
            self.mode, self.callback, self.hard = mode, callback, hard
            self.due = world.us + self.period_us
            world.note("timer", self.period_us)
            world.timers.append(weakref.ref(self))  # the chip does not keep it alive

        def deinit(self):
            world.timers[:] = [one for one in world.timers if one() not in (None, self)]

    class WDT:
        def __init__(self, timeout):
            assert type(timeout) is int
            assert world.watchdog is None, "it cannot be made anew"
            self.timeout_us = timeout * 1000
            self.fed_us = world.us
            world.note("watchdog", timeout)
            world.watchdog = self

        def feed(self):
            self.fed_us = world.us

    def reset():
        world.restart(WDT_RESET)  # this port tells it so: it resets itself by the watchdog
        raise Restarted

    WDT_RESET = 3
    machine = types.ModuleType("machine")
    for one in (Pin, PWM, ADC, Timer, WDT, reset):
        setattr(machine, one.__name__, one)
    machine.WDT_RESET, machine.PWRON_RESET = WDT_RESET, 1
    machine.reset_cause = lambda: world.cause
    machine.unique_id = lambda: world.number
    machine.mem32 = world.memory
    return machine


def make_machine_code():
    """The chip's machine code on this computer: the same C, in its own memory."""

    class Code:
        def __init__(self, path):
            self.words = memoryview(Path(path).read_bytes()).cast("I")
            self.at = 1

    class Memory:
        def __init__(self, octets):
            self.octets = bytearray(octets)
            self.whole = memoryview(self.octets).cast("i")
            self.at = ctypes.addressof((ctypes.c_char * octets).from_buffer(self.octets))

    module = types.ModuleType("controller.board.machine_code")
    module.Code, module.Memory = Code, Memory
    module.enter = lambda _code, number, memory: library.tick_library().call(number, memory)
    module.caller = lambda code, memory: lambda number: module.enter(code.at, number, memory.at)
    return module


class Host:
    """A host's side of a wire in memory; it acts in the world's time."""

    def __init__(self, world, settings):
        self.world = world
        self.settings = settings
        self.to_board = b""
        self.reading = True
        self.block_us = 0
        self.beating = False
        self.seen = 0
        self.sequence = 0
        self.frames = []
        self.reader = framing.Reader()

    # --- what the node takes for its stream

    def read(self, most):
        data, self.to_board = self.to_board[:most], self.to_board[most:]
        if b"\x03" in data:  # as the port of a board does
            raise KeyboardInterrupt
        return data

    def write(self, data):
        block, self.block_us = self.block_us, 0
        self.world.stand(block)
        if self.reading:
            for payload in self.reader.feed(data):
                self.seen = payload[1]
                self.frames.append(payload)
        return self.reading

    # --- what the host does

    def send(self, kind, body=b""):
        self.sequence = (self.sequence + 1) & 0xFF
        self.to_board += framing.encode(bytes((kind, self.sequence)) + body)

    def beat(self):
        if self.beating:
            body = struct.pack("<IHB", self.world.us & 0xFFFFFFFF, 100, self.seen)
            self.to_board += framing.encode(bytes((m.BEAT, 0)) + body)
        self.world.at(self.world.us + 20_000, self.beat)

    def play(self, script):
        """Have a generator act; it yields the seconds until it goes on."""

        def step():
            try:
                pause = next(script)
            except StopIteration:
                return
            self.world.at(self.world.us + round(pause * 1e6), step)

        step()

    def settle(self, joints=1):
        """Script: send the settings to every joint, then beat."""
        data = table.pack_table(self.settings)
        for k in range(joints):
            for at in range(0, len(data), 40):
                self.send(m.SETTING, struct.pack("<BH", k, at // 4) + data[at : at + 40])
                yield 0.016
            self.send(m.APPLY, struct.pack("<BI", k, table.digest(data)))
            yield 0.01
        self.beating = True
        yield 0.06

    def drive_on(self, joints=1):
        """Script: settings, beats, arming, and a target 1 rad away for every joint."""
        yield from self.settle(joints)
        digest = table.digest(table.pack_table(self.settings) * joints)
        self.send(m.ARM, struct.pack("<HI", (1 << joints) - 1, digest))
        yield 0.03
        for k in range(joints):
            self.send(m.TARGET, struct.pack("<BBfh", k, 0, 3.0, 0))
            yield 0.02
        yield 0.1

    def leave(self):
        self.send(m.LEAVE, struct.pack("<I", m.LEAVE_MAGIC))

    # --- what it was told

    def of_kind(self, kind):
        return [payload for payload in self.frames if payload[0] == kind]

    def answers(self, kind):
        """Results of the requests of a kind, in order."""
        return [payload[4] for payload in self.of_kind(m.ANSWER) if payload[2] == kind]


def quiet_settings():
    """Settings with which a joint that never moves is driven without a trip."""
    s = Settings()
    s.limits.travel_low_rad, s.limits.travel_high_rad = -0.5, 4.5
    s.limits.command_low_rad, s.limits.command_high_rad = 0.0, 4.0
    s.watch.still_s = s.watch.slow_s = s.watch.wrong_rad = 0.0
    s.heat.resistance_25_ohm = 0.0
    return s


BRIDGE = {"wiper": 26, "out": [2, 3], "rest_V": 6.0, "emf_V_s": 1.0}
PULSE = {"wiper": 27, "out": [4, None], "rest_V": 6.0, "emf_V_s": 1.0}


@pytest.fixture
def wiring():
    """Make a board.json of some joints."""

    def make(*joints, **more):
        return {"tick_us": 2000, "joints": [dict(joint) for joint in joints], **more}

    return make


@pytest.fixture
def bridge_joint():
    return dict(BRIDGE)


@pytest.fixture
def pulse_joint():
    return dict(PULSE)


@pytest.fixture
def world(monkeypatch):
    """A world in which the control layer's clock runs, and whose ``machine`` can be imported."""
    world = World()
    world.analog = {26: 2000, 27: 2000, 28: 2000, 29: 2000}
    monkeypatch.setitem(sys.modules, "machine", make_machine(world))
    monkeypatch.setattr(clock, "ticks_us", world.ticks_us)
    monkeypatch.setattr(clock, "sleep_us", world.sleep_us)
    monkeypatch.setitem(sys.modules, "controller.board.machine_code", make_machine_code())
    return world


@pytest.fixture
def board_modules(world):
    """The board's modules, loaded on this world's ``machine``: adapter, start."""
    import controller.board

    for name in MODULES:
        sys.modules.pop(name, None)
    made = types.SimpleNamespace(
        **{name.rpartition(".")[2]: importlib.import_module(name) for name in MODULES}
    )
    made.adapter.ticks_us = world.ticks_us
    yield made
    for name in MODULES:
        sys.modules.pop(name, None)
        if hasattr(controller.board, name.rpartition(".")[2]):
            delattr(controller.board, name.rpartition(".")[2])


@pytest.fixture
def adapter(board_modules):
    return board_modules.adapter


@pytest.fixture
def host(world):
    """A host whose beats run once it says so."""
    host = Host(world, quiet_settings())
    host.beat()
    return host


@pytest.fixture
def start(board_modules, host, tmp_path, monkeypatch):
    """``controller.board.start`` in a folder of its own, its link being the host's wire.

    ``start.node`` is the node that was made last, ``start.file(name, data)`` writes a file.
    """
    start = board_modules.start
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(start, "Stdio", lambda: host)
    monkeypatch.setattr(start, "chip", lambda: "RP2350")  # its pins go by the port's own functions
    real = start.make_node

    def make_node(wiring, about, kind):
        start.node = real(wiring, about, kind)
        return start.node

    def main():
        node = start.made()
        if node is not None:
            node.serve()

    monkeypatch.setattr(start, "make_node", make_node)
    start.main = main
    code = image.kept(image.CHIPS[1])
    (tmp_path / "rp2350.bin").write_bytes(code)
    start.about = {"build": 77, "image": int.from_bytes(code[-4:], "little")}

    def put(name, data):
        text = data if isinstance(data, str) else json.dumps(data)
        (tmp_path / name).write_text(text, encoding="utf-8")

    start.file = put
    return start


@pytest.fixture
def make_node(start, wiring):
    """A node on the pins of this world: ``make_node(*joints)``."""

    def make(*joints, **more):
        return start.make_node(wiring(*(joints or (BRIDGE,)), **more), start.about, "RP2350")

    return make


@pytest.fixture
def run_for(world):
    """Run a node by its own loop for some seconds of the world: the host then takes it off."""

    def run(node, seconds, *tasks):
        begun = world.us
        for after, task in tasks:
            world.at(begun + round(after * 1e6), task)
        world.at(begun + round(seconds * 1e6), lambda: setattr(node, "leaving", True))
        node.run()

    return run


@pytest.fixture
def bitten():
    return Bitten


@pytest.fixture
def restarted():
    return Restarted


@pytest.fixture(scope="session")
def micropython():
    """The MicroPython interpreter; tests without one are skipped with the reason."""
    where = f"{Path(sys.executable).parent}{os.pathsep}{os.environ.get('PATH', '')}"
    program = shutil.which("micropython", path=where)
    if program is None:
        pytest.skip("no MicroPython interpreter on this machine (wheels: x86-64 Linux)")
    return program


@pytest.fixture(scope="session")
def run_script(micropython):
    """Run a script of this folder: ``run_script(name, *arguments, python=False, heap="192k")``.

    Returns what it printed.
    """

    def run(name, *arguments, python=False, heap="192k"):
        command = [sys.executable] if python else [micropython, "-X", f"heapsize={heap}"]
        done = subprocess.run(
            [*command, str(HERE / name), *map(str, arguments)], cwd=ROOT, capture_output=True,
            text=True, timeout=120, check=False,
            env={**os.environ, "MICROPYPATH": str(ROOT), "PYTHONPATH": str(ROOT)},
        )  # fmt: skip
        assert done.returncode == 0, (done.stdout + done.stderr)[-2000:]
        return done.stdout

    return run
