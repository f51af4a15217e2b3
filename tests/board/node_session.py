"""A whole session with a node, in simulated time: prints every frame that the board sends.

Run by CPython and by MicroPython; both must print the same, octet for octet. The
joint is a few lines of arithmetic, the host a list of frames.
"""

import binascii
import struct

from controller.joint.settings.settings import Settings
from controller.node import loop as loop_module
from controller.node import rows
from controller.node.joints import Joints
from controller.wire import framing, table
from controller.wire import messages as m

TICK_US = 2000


class Clock:
    """Time that moves by a little with every look at it; no runtime's wraps during the session."""

    us = 1000000

    def now(self):
        """Time in us."""
        self.us += 11
        return self.us

    def sleep(self, span):
        """Let time pass."""
        self.us += span


class Board:
    """One joint: speed follows the drive with a lag; the angle is read in counts."""

    KIND, FLAGS, INBOUND = 0, m.VIRTUAL, 64
    tops = (4095,)

    def __init__(self):
        self.angle = 1.0
        self.speed = 0.0
        self.value = 0.0
        self.broken = 0
        self.most = 0.0

    def read(self, k, readings):
        """Move on by a tick and read."""
        if self.broken == 2:
            self.broken = 0
            raise ValueError
        self.speed += (self.value * 5.0 / 0.4 - self.speed) * 0.125
        self.angle += self.speed * 0.002
        readings.counts = 4095 if self.broken == 1 else int(self.angle * 1000.0 + 0.5)
        readings.supply_V = 5.0

    def drive(self, k, value, pulse):
        """Take a duty."""
        self.value = value
        if value > self.most:
            self.most = value

    def off(self):
        """Drive off."""
        self.value = 0.0

    def beat(self):
        """Nothing to feed."""

    def standstills(self):
        """None."""
        return 0


class Wire:
    """Both directions, in memory."""

    inbound = b""

    def read(self, most):
        """Octets of the host."""
        data, self.inbound = self.inbound[:most], self.inbound[most:]
        return data

    def write(self, data):
        """Print what the host would get."""
        payload = framing.decode(data[:-1])
        print(node.tick, payload[0], binascii.hexlify(payload).decode())
        return True


def settings():
    """Settings of the session: no self-test, watches that this joint passes."""
    s = Settings()
    s.tick_s = 0.002
    s.sensor.rail_low_counts, s.sensor.rail_high_counts = 10, 4000
    s.limits.travel_low_rad, s.limits.travel_high_rad = 0.2, 3.0
    s.limits.command_low_rad, s.limits.command_high_rad = 0.3, 2.9
    s.watch.still_s = s.watch.slow_s = s.watch.wrong_rad = 0.0
    s.heat.resistance_25_ohm = 0.0
    s.gains.kp, s.gains.ki = 12.0, 40.0
    return s


def setting_frames(data):
    """The settings in frames that fit into 64 octets."""
    return [(m.SETTING, struct.pack("<BH", 0, at // 4) + data[at : at + 40])
            for at in range(0, len(data), 40)]  # fmt: skip


def share(angle):
    """A streamed setpoint's 16 bits."""
    return int((angle - 0.3) / 2.6 * 65535.0 + 0.5)


def session(data, digest):
    """Yield the steps of the host: a frame, raw octets, ticks to wait, or a word."""
    yield m.HELLO, b"\x01"
    yield m.READ, struct.pack("<BHB", 0, 0, 20)
    yield m.ARM, struct.pack("<HI", 1, digest)  # no lease
    yield "beat"
    yield 20
    yield m.ARM, struct.pack("<HI", 1, digest)  # not these settings
    yield from setting_frames(data)
    yield m.APPLY, struct.pack("<BI", 0, digest ^ 1)
    yield from setting_frames(data)
    yield m.APPLY, struct.pack("<BI", 0, digest)
    yield m.READ, struct.pack("<BHB", 0, 7, 48)
    yield m.READ, struct.pack("<BHB", 0, 5000, 1)
    yield m.READ, struct.pack("<BHB", 3, 0, 1)
    yield m.HELLO, b"\x01"
    yield m.TELEMETRY, struct.pack("<HHBB", 1, 0x3FFF, 4, 3)
    yield m.TARGET, struct.pack("<BBfh", 0, 0, 1.5, 0)  # not armed
    yield m.ARM, struct.pack("<HI", 1, digest)
    yield 20
    yield m.APPLY, struct.pack("<BI", 0, digest)  # not while powered
    yield m.TARGET, struct.pack("<BBfh", 0, 0, 1.5, 0)
    yield 250
    for angle in (9.0, -1.0, float("inf")):
        yield m.TARGET, struct.pack("<BBfh", 0, 0, angle, 0)
    for k in range(15):
        yield m.SETPOINTS, struct.pack("<HBHh", 1, 20, share(1.5 + 0.02 * k), 3277)
        yield 10
    yield m.HOLD, struct.pack("<H", 1)
    yield 100
    yield m.TARGET, struct.pack("<BBfh", 0, 1, 1.2, 0)
    yield 150
    yield m.STOP, struct.pack("<HB", 0xFFFF, 0)
    yield 60
    yield m.SEEN, struct.pack("<BB", 0, 16)
    yield m.CLEAR, struct.pack("<H", 1)
    yield m.ARM, struct.pack("<HI", 1, digest)
    yield 20
    yield m.STOP, struct.pack("<HB", 1, 1)
    yield 200
    yield m.RELEASE, struct.pack("<H", 1)
    yield 100
    yield m.ARM, struct.pack("<HI", 1, digest)
    yield 10
    yield m.DRIVE_OFF, struct.pack("<H", 1)
    yield 10
    yield 0x55, b""
    yield m.MEDDLE, struct.pack("<BBfff", 0, 1, 0.0, 0.0, 0.0)
    yield m.CLEAR, b""
    yield m.CLEAR, struct.pack("<H", 2)
    yield m.LEAVE, struct.pack("<I", 1)
    yield b"\x00junk\x7e\x01\x7e" + framing.encode(b"\x01\x01\x01")[:-3] + b"\x00\x00\x7e"
    yield m.ARM, struct.pack("<HI", 1, digest)
    yield 10
    yield m.TARGET, struct.pack("<BBfh", 0, 0, 2.0, 0)
    yield 30
    yield "error"
    yield 80
    yield m.SEEN, struct.pack("<BB", 0, 17)
    yield m.CLEAR, struct.pack("<H", 1)
    yield m.ARM, struct.pack("<HI", 1, digest)
    yield 10
    yield "torn wire"
    yield 80
    yield "mended wire"
    yield 20
    yield m.CLEAR, struct.pack("<H", 1)
    yield m.ARM, struct.pack("<HI", 1, digest)
    yield 10
    yield m.TARGET, struct.pack("<BBfh", 0, 0, 2.0, 0)
    yield 30
    yield "silent"
    yield 100
    yield "beat"
    yield 100
    yield m.LEAVE, struct.pack("<I", m.LEAVE_MAGIC)
    yield 5


class Host:
    """Sends the steps, and beats every 20 ms between."""

    def __init__(self, steps):
        self.steps = steps
        self.sequence = 0
        self.beating = False
        self.next_tick = 0
        self.next_beat = 0

    def act(self):
        """Once a tick: beat, and the next step when it is due."""
        if self.beating and node.tick >= self.next_beat:
            self.next_beat = node.tick + 10
            body = struct.pack("<IHB", node.tick, 100, node.telemetry.sequence)
            wire.inbound += framing.encode(bytes((m.BEAT, 0)) + body)
        if node.tick < self.next_tick:
            return
        self.next_tick = node.tick + 3
        step = next(self.steps)
        if type(step) is int:
            self.next_tick = node.tick + step
        elif type(step) is bytes:
            wire.inbound += step
        elif type(step) is tuple:
            self.sequence = (self.sequence + 1) & 0xFF
            wire.inbound += framing.encode(bytes((step[0], self.sequence)) + step[1])
        else:
            self.beating = step != "silent" and (self.beating or step == "beat")
            board.broken = {"error": 2, "torn wire": 1}.get(step, 0)


rows.free_memory = lambda: 0  # what is free is the runtime's own affair

board, wire = Board(), Wire()
node = loop_module.Loop(board, wire, Joints(1), TICK_US, 0x1234, 0, Clock())
node.joints.slots[0].settings.tick_s = 0.002
packed = table.pack_table(settings())
host = Host(session(packed, table.digest(packed)))
node.begin()
while not node.leaving:
    before = node.tick
    node.turn()
    if node.tick != before:
        host.act()
print("end", node.tick, board.value, board.most > 0.2)
