"""The boards of a hand: opened by their ports, or started as virtual boards that feel each other."""

import contextlib
import subprocess
from typing import TYPE_CHECKING, Any

import numpy as np

from host.virtual.starting import begin_board, give, urls_of
from sim.errors import InputError

if TYPE_CHECKING:
    from controller.joint.settings.settings import Settings
    from sim.hand.file import Hand


def order_of(hand: "Hand") -> list[int]:
    """Numbers of the joints in the hand, board after board: as a session counts them."""
    return [k for board in hand.boards for k in board.joints]


def all_virtual(hand: "Hand", ports: list[str]) -> bool:
    """Whether no board of the hand has a port."""
    return not ports and all(board.port is None for board in hand.boards if board.joints)


def open_boards(hand: "Hand", ports: list[str], runtime: str, seed: int,
                stack: contextlib.ExitStack) -> list[str]:  # fmt: skip
    """Ports of the boards that have joints, in their order; virtual boards are started. Raises InputError.

    All virtual boards of a hand run in one process: their joints move in one simulated time.
    """
    used = [board for board in hand.boards if board.joints]
    if ports and len(ports) != len(used):
        raise InputError(
            "", "--port", len(ports), f"the hand has {len(used)} boards with joints; give one each"
        )
    given = [ports[k] if ports else board.port for k, board in enumerate(used)]
    missing = [board for board, port in zip(used, given, strict=True) if port is None]
    made = iter(
        _start(hand, missing, runtime, seed, couples(hand, ports), stack) if missing else ()
    )
    return [port if port is not None else next(made) for port in given]


def _start(hand: "Hand", boards: "list[Any]", runtime: str, seed: int, coupled: bool,
           stack: contextlib.ExitStack) -> list[str]:  # fmt: skip
    """Start virtual boards in one process; their URLs. Raises InputError."""
    from host.virtual.board import job_of
    from sim.hand.file import matrices

    order = sorted(k for board in boards for k in board.joints)  # a finger's joints stand in order
    job = job_of([hand.members[k].joint for k in order], seed=seed)
    numbers = {k: number for number, k in enumerate(order)}
    job.boards = [(round(hand.members[board.joints[0]].joint.settings.tick_s * 1e6),
                   [numbers[k] for k in board.joints]) for board in boards]  # fmt: skip
    if coupled:
        arms, links = matrices(hand)
        job.coupling = (arms[np.ix_(order, order)], links[order])
    process = begin_board(runtime)
    stack.callback(_end, process)
    give(process, job)
    return urls_of(process)


def couples(hand: "Hand", ports: list[str]) -> bool:
    """Whether virtual boards simulate what the joints do to each other: all of them must be ours."""
    from sim.joint.part import DIRECT

    direct = any(member.joint.part.cable.kind == DIRECT for member in hand.members)
    return all_virtual(hand, ports) and not direct


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
