"""Draws that are alike in every process.

Hypothesis mixes constants into its draws that it finds in whatever local code is imported (since
version 6.131, 2025). A command, a worker elsewhere and a test import different code, and would
draw different scenarios from one seed. Whole numbers on small grids gain nothing from constants.
"""

import contextlib
import threading
from collections.abc import Iterator
from typing import Any

from hypothesis.internal.conjecture.providers import AVAILABLE_PROVIDERS, HypothesisProvider

OWN = "hypothesis"
"""Name under which Hypothesis looks its own source of draws up."""


class Steady(HypothesisProvider):
    """Hypothesis's own source of draws, without the constants."""

    def _maybe_draw_constant(self, *_: Any, **__: Any) -> None:
        return None


_lock = threading.Lock()
_inside: list[Any] = []
"""What was in place before, once for every search under way: workers may have several threads."""


@contextlib.contextmanager
def steady_draws() -> Iterator[None]:
    """Have all searches of this process draw so, for a while."""
    with _lock:
        _inside.append(_inside[0] if _inside else AVAILABLE_PROVIDERS[OWN])
        AVAILABLE_PROVIDERS[OWN] = Steady
    try:
        yield
    finally:
        with _lock:
            before = _inside.pop()
            if not _inside:
                AVAILABLE_PROVIDERS[OWN] = before
