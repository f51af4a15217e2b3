"""Where the link's process begins: small, so that a virtual board starts while the rest still loads."""

from dataclasses import dataclass
from typing import Any

LOW_SHARE = 0.5
"""Share of the force limit that joints are armed with first."""


@dataclass(frozen=True)
class Wanted:
    """What the process is to open."""

    paths: list[str]
    ports: list[str]
    runtime: str
    seed: int
    out: str
    low_share: float
    """Share of the force limit that joints are armed with first."""


def main(wanted: Wanted, pipe: Any, urgent: Any) -> None:
    """Begin a virtual board where no port is given, then serve the pipe until it ends."""
    from host.page.joints import is_hand
    from host.starting import begin_board

    own = not wanted.ports and not is_hand(wanted.paths)  # a hand has boards of its own
    board = begin_board(wanted.runtime) if own else None
    from host.page.link_process import serve

    serve(wanted, pipe, urgent, board)
