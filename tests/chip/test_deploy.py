"""``jointloop deploy`` onto the released firmware of an emulated RP2040, over its serial line; then a session.

By the host's own code, with mpremote: the serial line is a TCP port here. The chip runs on its own, slower than real
time, so what a host says within a lease comes early; nothing is timed by this computer.
"""

import json
import socket
import struct
import subprocess
import threading
from pathlib import Path

import pytest

from controller.joint import faults
from controller.joint.modes import OFF, POWERED, TRIPPED
from controller.wire import messages as m
from controller.wire import table
from host.link.bridge import Bridge
from host.link.transport import open_url
from tests.chip import board as chip

pytestmark = chip.needed
ANSWER_S = 20.0
END_S = 120.0
"""Ends of waits, not bounds: the chip runs at a sixth of real time and less."""


@pytest.fixture
def port():
    """A bare board's serial line, as a URL; its prompt answers."""
    with socket.create_server(("127.0.0.1", 0)) as free:
        number = free.getsockname()[1]
    process = subprocess.Popen(
        ["node", str(Path(chip.EQUIPMENT) / "rp2emu.mjs"), "--serial", str(number),
         "--plant", str(chip.HERE / "plant.mjs")], stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    try:
        assert "serial" in process.stderr.readline()
        yield f"socket://127.0.0.1:{number}"
    finally:
        process.kill()
        process.wait()


class Watched:
    """The newest row of a bridge's telemetry, and a wait for one."""

    def __init__(self, bridge):
        self.news = threading.Condition()
        self.row = []
        bridge.on_rows.append(self.take)

    def take(self, rows):
        with self.news:
            self.row = rows.values[-1][0]
            self.news.notify_all()

    def until(self, wanted):
        with self.news:
            assert self.news.wait_for(lambda: self.row and wanted(*self.row), END_S), self.row
        return self.row


def test_deploy_then_a_session_by_the_hosts_own_code(port, tmp_path, inside):
    (tmp_path / "board.json").write_text(json.dumps(chip.wiring(1, 2000)), encoding="utf-8")
    done = inside("deploy", port, "--board", "board.json", "--json")
    assert done.returncode == 0, done.stdout + done.stderr
    assert "1 joint(s) at 500 Hz" in done.json["identity"]
    assert done.json["identity"].endswith("fits.")
    bridge = Bridge(open_url(port), port)
    try:
        assert bridge.greet(ANSWER_S).joints == 1
        data = table.pack_table(chip.settings(2000))
        digest = table.digest(data)
        for at in range(0, len(data), 48):
            body = struct.pack("<BH", 0, at // 4) + data[at : at + 48]
            bridge.request(m.SETTING, body, ANSWER_S)
        bridge.request(m.APPLY, struct.pack("<BI", 0, digest), ANSWER_S)
        bridge.beat()
        seen = Watched(bridge)
        mask = sum(1 << m.FIELDS.index(name) for name in ("angle_rad", "mode", "fault"))
        bridge.request(m.TELEMETRY, struct.pack("<HHBB", 1, mask, 4, 4), ANSWER_S)
        seen.until(lambda angle, mode, fault: mode == OFF)
        bridge.request(m.ARM, struct.pack("<HI", 1, digest), ANSWER_S)
        seen.until(lambda angle, mode, fault: mode == POWERED)
        bridge.request(m.TARGET, struct.pack("<BBfh", 0, 0, 1.6, 0), ANSWER_S)
        seen.until(lambda angle, mode, fault: abs(angle - 1.6) < 0.03)
        bridge.request(m.STOP, struct.pack("<HB", 0xFFFF, 0), ANSWER_S)
        row = seen.until(lambda angle, mode, fault: mode == TRIPPED)
        assert row[2] == faults.STOP_PRESSED
    finally:
        bridge.close()
