"""The boards of a hand: opened by their ports, or started as virtual boards that feel each other."""

import contextlib
import subprocess
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

from host.starting import begin_board, give, url_of
from sim.errors import InputError

if TYPE_CHECKING:
    from controller.settings import Settings
    from sim.hand.file import Hand


def order_of(hand: "Hand") -> list[int]:
    """Numbers of the joints in the hand, board after board: as a session counts them."""
    return [k for board in hand.boards for k in board.joints]


def all_virtual(hand: "Hand", ports: list[str]) -> bool:
    """Whether no board of the hand has a port."""
    return not ports and all(board.port is None for board in hand.boards if board.joints)


def open_boards(hand: "Hand", ports: list[str], runtime: str, seed: int,
                stack: contextlib.ExitStack) -> list[str]:  # fmt: skip
    """Ports of the boards that have joints, in their order; virtual boards are started. Raises InputError."""
    from host.virtual_board import job_of

    used = [board for board in hand.boards if board.joints]
    if ports and len(ports) != len(used):
        raise InputError(
            "", "--port", len(ports), f"the hand has {len(used)} boards with joints; give one each"
        )
    folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
    urls: list[str] = []
    started = []
    coupled = couples(hand, ports, runtime)
    if coupled:
        from host.virtual_hand import publish

        publish(hand, folder)
    for number, board in enumerate(used):
        port = ports[number] if ports else board.port
        if port is not None:
            urls.append(port)
            continue
        job = job_of([hand.members[k].joint for k in board.joints], seed=seed + 16 * number)
        job.hand = (str(folder), board.joints) if coupled else None
        process = begin_board(runtime)
        stack.callback(_end, process)
        give(process, job)
        started.append((len(urls), process))
        urls.append("")
    for place, process in started:  # they start side by side
        urls[place] = url_of(process)
    return urls


def couples(hand: "Hand", ports: list[str], runtime: str) -> bool:
    """Whether virtual boards simulate what the joints do to each other: all of them must be ours."""
    from sim.part import DIRECT

    direct = any(member.joint.part.cable.kind == DIRECT for member in hand.members)
    return all_virtual(hand, ports) and runtime == "cpython" and not direct


def _end(process: "subprocess.Popen[str]") -> None:
    if process.stdin is not None:
        with contextlib.suppress(OSError):
            process.stdin.close()
    try:
        process.wait(2.0)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()


def settings_of(hand: "Hand", order: list[int]) -> "dict[int, Settings]":
    """Settings of all joints with the rows of crossing cables that their own board can know."""
    from sim.hand.coupled import across_rows

    made: dict[int, Settings] = {}
    for board in hand.boards:
        places = {k: place for place, k in enumerate(board.joints)}
        rows = across_rows(hand, places)
        made.update({order.index(k): rows[k] for k in board.joints})
    return made
