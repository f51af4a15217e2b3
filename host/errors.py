"""What can go wrong between this computer and a board: one tree, apart from bad input.

BenchError
    LinkError               the link itself
        LinkLostError       the board went away: unplugged, closed, or it broke the connection
        NoAnswerError       it did not answer in time
    RefusedError            it answered that it will not
    StoppedError            a joint tripped, or a link was lost, while something was streamed
"""

from controller.wire import messages as m


class BenchError(Exception):
    """Base of all."""


class LinkError(BenchError):
    """The link to a board is of no use any more."""


class LinkLostError(LinkError):
    """The board went away."""


class NoAnswerError(LinkError):
    """The board did not answer in time."""


RESULTS = (
    "DONE", "UNKNOWN", "BAD_LENGTH", "NO_JOINT", "OUT_OF_RANGE", "DIFFERS", "NOT_NOW", "NO_LEASE",
    "TOO_SLOW", "REFUSED", "HALF_WRITTEN",
)  # fmt: skip
"""Results of an answer, by number; their texts stand beside the messages."""


def result_text(result: int) -> str:
    """Words of an answer's result."""
    from sim.documentation import constant_strings

    if result >= len(RESULTS):
        return f"result {result}"
    return constant_strings(m)[RESULTS[result]]


class RefusedError(BenchError):
    """The board refused a request. kind: of the request; result, detail: of its answer."""

    def __init__(self, kind: int, result: int, detail: int) -> None:
        self.kind, self.result, self.detail = kind, result, detail
        more = f" ({detail})" if detail else ""
        if result == m.TOO_SLOW and detail:
            more += (
                f"; {0.95e6 / detail:.0f} Hz would fit: [control] rate, and tick_us of board.json"
            )
        super().__init__(result_text(result) + more)


class StoppedError(BenchError):
    """A joint tripped, or the link was lost, while something was streamed: what happened, in words."""
