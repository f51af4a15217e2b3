"""A board that dies or hangs while `stream` moves it: what the command says, and its exit code."""

import os
import signal
import subprocess
import sys

import pytest

from tests.bridge.conftest import QUICK, ROOT, Process
from tests.waiting import LONG_S, until


@pytest.mark.parametrize("blow", [signal.SIGKILL, signal.SIGSTOP])
def test_a_board_that_answers_no_stop_may_still_be_driving(blow, tmp_path):
    """Killed, or hung with its drive on: the word that counts is "Supply switch!"."""
    path = tmp_path / "joint.toml"
    path.write_text(QUICK, encoding="utf-8")
    board = Process([path])
    rows = tmp_path / "run" / "telemetry.csv"
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    try:
        stream = subprocess.Popen(
            [sys.executable, "-m", "host.cli", "stream", str(path), "--port", board.url, "--duration", "4 s",
             "--folder", str(tmp_path / "run")],
            stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, cwd=tmp_path, env=environment,
        )  # fmt: skip
        assert until(lambda: rows.exists() and rows.stat().st_size > 5000)
        board.process.send_signal(blow)
        out, _ = stream.communicate(timeout=3.0 * LONG_S)
    finally:
        board.process.send_signal(signal.SIGCONT)
        board.end()
    assert stream.returncode == 1, out
    assert "may still be driving. Supply switch!" in " ".join(out.split())
    assert "Traceback" not in out
