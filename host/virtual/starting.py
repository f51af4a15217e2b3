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

OVERPULL = "the cable was pulled with"
"""By these words of a virtual board a host knows that a cable was pulled beyond what it is allowed."""


@dataclass
class Job:
    """What the virtual boards of one process simulate."""

    parts: list[Any]
    """Parts (sim/joint/part.py) that are really there, of all joints."""
    starts_rad: list[float]
    delays_s: list[float]
    """Time from reading to drive."""
    boards: list[tuple[int, list[int]]]
    """Tick (us) and numbers of the joints, board by board."""
    build: int
    seed: int
    coupling: tuple[Any, Any] | None = None
    """Moment arms and links of a hand (sim/hand/file.py: matrices); None: each joint for itself."""
    cables: list[tuple[str, float]] | None = None
    """Joint's name and the pull (N) that its cable is allowed, inf where that is not known; None: nothing is."""

    def tick_us_of(self, joint: int) -> int:
        """Tick (us) of the board that a joint is on."""
        return next(tick_us for tick_us, numbers in self.boards if joint in numbers)


RUNTIMES = ("cpython", "micropython", "c")
"""Under which a virtual board runs: "c" is CPython with the tick translated to C, in single precision."""


def check_runtime(runtime: str) -> None:
    """Raises InputError for an unknown runtime."""
    if runtime not in RUNTIMES:
        from sim.errors import InputError

        raise InputError("", "--runtime", runtime, "must be one of " + ", ".join(RUNTIMES))


def begin_board(runtime: str) -> "subprocess.Popen[str]":
    """Start a virtual board; ``give`` it its job. Raises InputError for an unknown runtime.

    It has a session of its own: Ctrl-C goes to the host, which stops the drive first.
    """
    check_runtime(runtime)
    return subprocess.Popen([sys.executable, "-m", "host.virtual.board_process", runtime], stdout=subprocess.PIPE,
                            stdin=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True,
                            start_new_session=True)  # fmt: skip


def give(board: "subprocess.Popen[str]", job: Job) -> None:
    """Tell a board what it simulates."""
    assert board.stdin is not None
    board.stdin.write(base64.b64encode(pickle.dumps(job)).decode() + "\n")
    board.stdin.flush()


def url_of(board: "subprocess.Popen[str]") -> str:
    """Wait until a board serves; its URL. Raises InputError with what it says instead."""
    return urls_of(board)[0]


def urls_of(board: "subprocess.Popen[str]") -> list[str]:
    """Wait until the boards of a process serve; their URLs. Raises InputError with what it says instead."""
    from sim.errors import InputError

    assert board.stdout is not None
    line = board.stdout.readline()
    told = json.loads(line) if line else {"failed": f"it ended with code {board.wait(5.0)}"}
    if "urls" not in told:
        raise InputError("", "", None, f"the virtual board did not start: {told['failed']}")
    return [str(url) for url in told["urls"]]


def take(line: str) -> Job:
    """Read a job, as the board does: from the process that began it, from nobody else."""
    job: Job = pickle.loads(base64.b64decode(line))
    return job
