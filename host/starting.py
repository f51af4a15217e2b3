"""Starting a virtual board: quick to import, so that the board starts while others still read.

The board loads what it is made of at once, and waits for its job: the joints that it is to
simulate, one line on its standard input. It tells its URL on its standard output, and ends with
its input.
"""

import base64
import json
import pickle
import subprocess
import sys
from dataclasses import dataclass
from typing import Any


@dataclass
class Job:
    """What a virtual board simulates."""

    parts: list[Any]
    """Parts (sim/part.py) that are really there."""
    starts_rad: list[float]
    tick_us: int
    build: int
    seed: int
    hand: tuple[str, list[int]] | None = None
    """Folder of what the boards of a hand share (host/virtual_hand.py), numbers of the joints in it."""


def begin_board(runtime: str) -> "subprocess.Popen[str]":
    """Start a virtual board; ``give`` it its job. Raises InputError for an unknown runtime.

    It has a session of its own: Ctrl-C goes to the host, which stops the drive first.
    """
    if runtime not in ("cpython", "micropython"):
        from sim.errors import InputError

        raise InputError("", "--runtime", runtime, "must be cpython or micropython")
    return subprocess.Popen([sys.executable, "-m", "host.board_process", runtime], stdout=subprocess.PIPE,
                            stdin=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True,
                            start_new_session=True)  # fmt: skip


def give(board: "subprocess.Popen[str]", job: Job) -> None:
    """Tell a board what it simulates."""
    assert board.stdin is not None
    board.stdin.write(base64.b64encode(pickle.dumps(job)).decode() + "\n")
    board.stdin.flush()


def url_of(board: "subprocess.Popen[str]") -> str:
    """Wait until a board serves; its URL. Raises InputError with what it says instead."""
    from sim.errors import InputError

    assert board.stdout is not None
    line = board.stdout.readline()
    told = json.loads(line) if line else {"failed": f"it ended with code {board.wait(5.0)}"}
    if "url" not in told:
        raise InputError("", "", None, f"the virtual board did not start: {told['failed']}")
    return str(told["url"])


def take(line: str) -> Job:
    """Read a job, as the board does: from the process that began it, from nobody else."""
    job: Job = pickle.loads(base64.b64decode(line))
    return job
