"""A board of the released firmware in an emulated RP2040, and a host on its serial line: all in the chip's own time.

``JOINTLOOP_RP2040`` names a folder with firmware, emulator and its client ``rp2emu.py``. Not a test.
"""

import base64
import importlib.util
import os
import shutil
import struct
from pathlib import Path

import pytest

from controller.joint.settings.settings import Settings
from controller.wire import framing, table
from controller.wire import messages as m

EQUIPMENT = os.environ.get("JOINTLOOP_RP2040", "")
HERE = Path(__file__).parent
STEP_US = 500

needed = pytest.mark.skipif(
    not EQUIPMENT or shutil.which("node") is None,
    reason="JOINTLOOP_RP2040 and Node are needed to emulate an RP2040",
)


def emulator(*options, torn_us=None):
    """A chip, powered up."""
    spec = importlib.util.spec_from_file_location("rp2emu", Path(EQUIPMENT) / "rp2emu.py")
    client = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(client)
    if torn_us is not None:
        os.environ["JOINTLOOP_TORN_US"] = str(torn_us)
    try:
        return client.Emu(*options)
    finally:
        os.environ.pop("JOINTLOOP_TORN_US", None)


def settings(tick_us, oversampling=4):
    """Settings for the joints of ``plant.mjs``; no self-test."""
    s = Settings()
    s.tick_s = tick_us * 1e-6
    s.sensor.counts_top = 4095 * oversampling
    s.sensor.rad_per_count = 0.001 / oversampling
    s.sensor.rail_low_counts, s.sensor.rail_high_counts = 20 * oversampling, 4000 * oversampling
    s.limits.travel_low_rad, s.limits.travel_high_rad = 0.2, 3.0
    s.limits.command_low_rad, s.limits.command_high_rad = 0.3, 2.9
    s.stopping.check_V = 0.0
    s.watch.still_s = s.watch.slow_s = s.watch.wrong_rad = 0.0
    s.heat.resistance_25_ohm = 0.0
    s.gains.kp, s.gains.ki = 12.0, 40.0
    s.gains.integral_limit_V = 1.0
    s.profile.plan_ticks = 15
    return s


class Board:
    """A chip that runs the board's program, and what a host says and hears."""

    def __init__(self, flash, torn_us=None):
        self.emulator = emulator("--flash", flash, "--plant", HERE / "plant.mjs", torn_us=torn_us)
        self.reader = framing.Reader()
        self.frames = []
        self.sequence = 0
        self.seen = 0
        self.beating = False
        self.beat_us = 0
        self.text = b""
        self.identity = ()
        self.digest = 0

    @property
    def us(self):
        """The chip's time."""
        return self.emulator.last.get("us", 0.0)

    def boot(self):
        """Until the serial line is up and the program answers."""
        for _ in range(200):
            self.emulator.run(20_000)
            if self.emulator.last["connected"]:
                self.identity = m.parse(self.ask(m.HELLO, "<B", m.VERSION, us=4_000_000))
                return
        raise AssertionError("the serial line is not up")

    def run(self, us, until=None):
        """Let time pass, beating every 20 ms; ``until(payload)``: to that frame. Returns it."""
        end = self.us + us
        while self.us < end:
            if self.beating and self.us >= self.beat_us:
                self.beat_us = self.us + 20_000
                body = struct.pack("<IHB", int(self.us) & 0xFFFFFFFF, 80, self.seen)
                self.emulator.send(framing.padded(framing.encode(bytes((m.BEAT, 0)) + body)))
            out, _ = self.emulator.run(STEP_US)
            self.text += out
            found = None
            for payload in self.reader.feed(out):
                self.seen = payload[1]
                self.frames.append((self.us, payload))
                if found is None and until is not None and until(payload):
                    found = payload
            if found is not None:
                return found
        assert until is None, f"nothing such within {us} us: {self.frames[-3:]} {self.text[-300:]}"
        return None

    def send(self, kind, body=b""):
        """Say something."""
        self.sequence = (self.sequence + 1) & 0xFF
        self.emulator.send(framing.padded(framing.encode(bytes((kind, self.sequence)) + body)))

    def ask(self, kind, layout="", *values, us=400_000):
        """Say something and wait for the answer: its result, or the payload where it is another kind of answer."""
        self.send(kind, struct.pack(layout, *values) if layout else b"")
        own = (m.IDENTITY, m.VALUES)

        def answers(payload):
            return payload[0] in own or (payload[0] == m.ANSWER and payload[2] == kind)

        payload = self.run(us, answers)
        return payload if payload[0] in own else payload[4]

    def settle(self, made, joints):
        """Send settings to every joint, and beat. Returns the digest of all."""
        data = table.pack_table(made)
        for k in range(joints):
            for at in range(0, len(data), 48):
                self.send(m.SETTING, struct.pack("<BH", k, at // 4) + data[at : at + 48])
                self.run(12_000)
            result = self.ask(m.APPLY, "<BI", k, table.digest(data))
            assert result == m.DONE, self.frames[-1][1].hex()
        self.beating = True
        self.run(60_000)
        self.digest = table.digest(data * joints)
        return self.digest

    def duties(self, joints=1):
        """Duty of the pins of all joints, in [-1, 1]."""
        pins = [pin for k in range(joints) for pin in (2 * k + 2, 2 * k + 3)]
        found = self.emulator.ctl(pwm=pins)["pwm"]
        return [found[2 * k]["duty"] - found[2 * k + 1]["duty"] for k in range(joints)]

    def until_off(self, joints=1, most_us=400_000):
        """Time (us) until every drive is zero."""
        begun = self.us
        while self.us < begun + most_us:
            if not any(self.duties(joints)):
                return self.us - begun
            out, _ = self.emulator.run(250)
            for payload in self.reader.feed(out):
                self.seen = payload[1]
                self.frames.append((self.us, payload))
        raise AssertionError(f"still driven after {most_us} us")

    def of_kind(self, kind):
        """Payloads of a kind that were heard."""
        return [payload for _, payload in self.frames if payload[0] == kind]

    def memory(self):
        """All of the chip's memory (RP2040 datasheet, 2.6.2: 264 kB)."""
        return base64.b64decode(self.emulator.ctl(mem=[0x20000000, 264 * 1024])["mem"])

    def close(self):
        """Power off."""
        self.emulator.close()


def wiring(joints, tick_us):
    """board.json of the joints of ``plant.mjs``."""
    return {"tick_us": tick_us, "joints": [
        {"wiper": 26 + k, "out": [2 * k + 2, 2 * k + 3], "oversampling": 4, "rest_V": 6.0, "emf_V_s": 1.0}
        for k in range(joints)]}  # fmt: skip


def written(target, files):
    """A flash image with a board's files on it: (name on the board, octets)."""
    made = emulator()
    made.boot()
    made.raw()
    folders = sorted(
        {"/".join(name.split("/")[:n]) for name, _ in files for n in range(1, name.count("/") + 1)}
    )
    made.exec(f"import os\nfor d in {folders!r}:\n os.mkdir(d)")
    for name, octets in files:
        made.put(octets, name)
    made.ctl(flash=str(target))
    made.close()
    return target
