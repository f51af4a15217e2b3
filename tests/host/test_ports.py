"""Ports that are missing, busy, silent, or something else: one clear line, exit 2, soon."""

import os
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from controller.wire import framing
from controller.wire import messages as m

pty = pytest.importorskip("pty")
ROOT = Path(__file__).resolve().parents[2]
NOMINAL = ROOT / "tests" / "data" / "nominal.toml"


def record(url, tmp_path):
    begun = time.monotonic()
    done = subprocess.run(
        [sys.executable, "-m", "host.cli", "record", str(NOMINAL), "--port", url, "--duration", "1 s"],
        cwd=tmp_path, capture_output=True, text=True, check=False, timeout=30,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )  # fmt: skip
    done.spent = time.monotonic() - begun
    return done


class Stranger:
    """Something else on a pty: ``answer`` makes bytes of what it hears."""

    def __init__(self, answer):
        import tty

        self.ours, theirs = pty.openpty()
        tty.setraw(theirs)
        self.theirs = theirs
        self.url = os.ttyname(theirs)
        self.answer = answer
        threading.Thread(target=self._run, daemon=True).start()

    def _run(self):
        while True:
            try:
                data = os.read(self.ours, 1024)
            except OSError:
                return
            reply = self.answer(data)
            if reply:
                os.write(self.ours, reply)


def other_version(data):
    if m.HELLO not in data:
        return b""
    return framing.encode(m.build(m.IDENTITY, 1, 9, 0, 0, 1, 2000, 0, 0, 0, 50, 50, 48))


@pytest.mark.parametrize(
    ("answer", "words"),
    [
        (lambda data: b"", ("does not answer as a jointloop board",)),
        (lambda data: data, ("does not answer as a jointloop board",)),
        (lambda data: b">>> hello\r\n", ("does not answer as a jointloop board",)),
        (other_version, ("version 9", "deploy")),
    ],
    ids=["silent", "echo", "prompt", "version"],
)
def test_something_else_on_the_port(answer, words, tmp_path):
    stranger = Stranger(answer)
    done = record(stranger.url, tmp_path)
    assert done.returncode == 2, done.stderr
    for word in words:
        assert word in done.stderr
    assert done.stderr.count("\n") == 1
    assert "Traceback" not in done.stderr


def test_missing_port(tmp_path):
    done = record("/dev/no-such-port", tmp_path)
    assert done.returncode == 2
    assert "/dev/no-such-port" in done.stderr
    assert "cannot be opened" in done.stderr


def test_busy_port(tmp_path):
    import serial

    stranger = Stranger(lambda data: b"")
    with serial.Serial(stranger.url, exclusive=True):
        done = record(stranger.url, tmp_path)
    assert done.returncode == 2
    assert "cannot be opened" in done.stderr
