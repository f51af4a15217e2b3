"""Where the link's process begins: small, so that a virtual board starts while the rest still loads."""

from typing import Any

from host.page.opening import Opening


def main(opening: Opening, pipe: Any, urgent: Any) -> None:
    """Begin a virtual board where no port is given, then serve the pipe until it ends."""
    from host.page.joints import is_hand
    from host.virtual.starting import begin_board

    own = not opening.ports and not is_hand(opening.paths)  # a hand has boards of its own
    board = begin_board(opening.runtime) if own else None
    from host.page.link_process import serve

    serve(opening, pipe, urgent, board)
