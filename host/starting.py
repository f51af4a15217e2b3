"""Starting a virtual board: quick to import, so that the board starts while others still read."""

import subprocess
import sys


def begin_board(paths: list[str], runtime: str, seed: int, hand: tuple[str, list[int]] | None = None
                ) -> "subprocess.Popen[str]":  # fmt: skip
    """Start a virtual board; it tells its URL on its standard output, and ends with its input.

    Whoever starts it reads the joint files too, and says what is wrong with them: it keeps quiet.
    hand: folder of what the boards of a hand share, and the joints' numbers in the hand.
    """
    command = [sys.executable, "-m", "host.cli", "board", "--runtime", runtime, "--seed", str(seed),
               "--quiet", *paths]  # fmt: skip
    if hand is not None:
        command += ["--hand", hand[0], *[f"--member={number}" for number in hand[1]]]
    return subprocess.Popen(command, stdout=subprocess.PIPE, stdin=subprocess.PIPE,
                            stderr=subprocess.DEVNULL, text=True)  # fmt: skip
