"""Every way a host can be lost: the drive goes off within its bound, in board time.

A real process is the host, a real process the virtual board. What the board did is asked of it
afterwards, in ticks, so a busy machine cannot make these tests lie.
"""

import json
import os
import signal
import socket
import struct
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from controller.joint import faults
from controller.wire import messages as m
from host.errors import LinkLostError, RefusedError
from host.link.bridge import Bridge
from host.link.transport import open_url
from host.recordings.recorder import Run
from tests.waiting import until

ROOT = Path(__file__).resolve().parents[2]
NOMINAL = ROOT / "tests" / "data" / "nominal.toml"
TICK_S = 0.002


@pytest.fixture
def joint_file(tmp_path):
    path = tmp_path / "joint.toml"
    path.write_text(NOMINAL.read_text(encoding="utf-8"), encoding="utf-8")
    return path


@pytest.fixture
def board(joint_file, request):
    """A virtual board in a process of its own; yields its URL."""
    options = getattr(request, "param", ())
    process = subprocess.Popen(
        [sys.executable, "-m", "host.cli", "board", "--quiet", *options, str(joint_file)],
        stdout=subprocess.PIPE, stdin=subprocess.PIPE, text=True, cwd=ROOT,
    )  # fmt: skip
    try:
        yield json.loads(process.stdout.readline())["url"], process
    finally:
        process.kill()
        process.wait()


def start_victim(joint_file, url, folder, *extra):
    process = subprocess.Popen(
        [sys.executable, str(ROOT / "tests" / "host" / "victim.py"), str(joint_file), url, str(folder),
         *extra], stdout=subprocess.PIPE, text=True, cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )  # fmt: skip
    line = process.stdout.readline()
    assert line.strip() == "streaming", "the victim did not get as far as streaming"
    return process


def ask_fault(url):
    """Connect as a new host and wait for the board's report: (fault, tick of it)."""
    bridge = reached(url)
    try:
        assert until(lambda: lease_is_over(bridge)), "nobody renews it"
        bridge.beat()
        assert until(lambda: bridge.faults), "the board reports no fault"
        assert bridge.powered == 0
        return bridge.faults[0]
    finally:
        bridge.close()


def lease_is_over(bridge):
    """Whether the board would refuse to drive anything for want of a lease."""
    try:
        bridge.request(m.ARM, struct.pack("<HI", 0, 0))
    except RefusedError as error:
        return error.result == m.NO_LEASE
    return False


def check(url, folder):
    """The drive was lost to silence; how soon stands in test_node_bounds.py, in simulated time."""
    fault, tick = ask_fault(url)
    run = Run(folder)
    assert fault == faults.LINK_SILENT
    last = run["tick"][-1]
    assert run["mode"][-1] == 2, "the victim was powered when it was lost"
    assert tick > last
    return run, tick, last


def test_host_killed(board, joint_file, tmp_path):
    url, _ = board
    victim = start_victim(joint_file, url, tmp_path / "run")
    victim.send_signal(signal.SIGKILL)
    victim.wait()
    run, _, _ = check(url, tmp_path / "run")
    assert len(run["tick"]) > 100
    assert any(event["event"] == "settings" for event in run.events)


@pytest.mark.parametrize(
    "board", [("--tcp", "0")], indirect=True
)  # a stopped process keeps its pty locked
def test_host_stopped(board, joint_file, tmp_path):
    url, _ = board
    victim = start_victim(joint_file, url, tmp_path / "run")
    victim.send_signal(signal.SIGSTOP)
    try:
        # the board's loop goes on ticking, though nobody reads the port
        first = ask_tick(url)
        assert until(lambda: (ask_tick(url) - first) * TICK_S >= 0.25)
    finally:
        victim.kill()
        victim.send_signal(signal.SIGCONT)
        victim.wait()
    check(url, tmp_path / "run")


def reached(url):
    """A bridge to the board, as soon as the host before is given up."""

    def one():
        bridge = Bridge(open_url(url), url)
        try:
            bridge.greet()
        except LinkLostError:
            bridge.abandon()
            return None
        return bridge

    return until(one)


def ask_tick(url):
    bridge = reached(url)
    try:
        bridge.greet()
        bridge.beat()
        return until(lambda: bridge.board_tick)
    finally:
        bridge.abandon()


def test_host_that_no_longer_reads(board, joint_file, tmp_path):
    """Its beats go on; the board sees that its reader does not."""
    url, _ = board
    victim = start_victim(joint_file, url, tmp_path / "run", "deaf")
    assert victim.stdout.readline().strip() == "deaf"
    victim.kill()
    victim.wait()
    fault, tick = ask_fault(url)
    assert fault == faults.LINK_SILENT
    last = Run(tmp_path / "run")["tick"][-1]
    assert tick > last


@pytest.mark.parametrize("board", [("--tcp", "0")], indirect=True)
def test_cable_pulled(board, joint_file, tmp_path):
    """A proxy between host and board is cut; the host says so, the board's drive goes off."""
    url, _ = board
    proxy = Proxy(int(url.rsplit(":", 1)[1]))
    victim = start_victim(joint_file, f"tcp://127.0.0.1:{proxy.port}", tmp_path / "run")
    proxy.cut()
    assert victim.wait(60.0) != 0
    run, _, _ = check(url, tmp_path / "run")
    assert any(event["event"] == "link_lost" for event in run.events)


class Proxy:
    """Passes bytes between a host and a board until it is cut."""

    def __init__(self, board_port):
        self.server = socket.create_server(("127.0.0.1", 0))
        self.port = self.server.getsockname()[1]
        self.ends = []
        threading.Thread(target=self._serve, args=(board_port,), daemon=True).start()

    def _serve(self, board_port):
        host, _ = self.server.accept()
        board = socket.create_connection(("127.0.0.1", board_port))
        self.ends = [host, board]
        for a, b in ((host, board), (board, host)):
            threading.Thread(target=self._pass, args=(a, b), daemon=True).start()

    def _pass(self, a, b):
        try:
            while data := a.recv(4096):
                b.sendall(data)
        except OSError:
            return

    def cut(self):
        for end in self.ends:
            end.shutdown(socket.SHUT_RDWR)
            end.close()


def test_ctrl_c_stops_the_drive_first_and_the_program_then(board, joint_file, tmp_path):
    url, _ = board
    process = subprocess.Popen(
        [sys.executable, "-m", "host.cli", "stream", str(joint_file), "--port", url, "--duration", "60 s",
         "--folder", str(tmp_path / "run")], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        cwd=tmp_path, env={**os.environ, "PYTHONPATH": str(ROOT)},
    )  # fmt: skip
    rows = tmp_path / "run" / "telemetry.csv"
    assert until(lambda: rows.exists() and rows.stat().st_size > 60000)
    process.send_signal(signal.SIGINT)
    out, _ = process.communicate(timeout=60.0)
    assert process.returncode == 130
    assert "STOP: stopped: " in out
    fault, _ = ask_fault(url)
    assert fault == faults.STOP_PRESSED
    modes = Run(tmp_path / "run")["mode"]
    assert modes[-1] in (2, 4)


def test_a_bare_ctrl_c_byte_ends_the_drive_and_the_program(board):
    """What any terminal sends: the board's program ends, on its way out the drive is off."""
    url, process = board
    transport = open_url(url)
    transport.write(b"\x03")
    assert process.wait(60.0) == 0
    transport.close()
