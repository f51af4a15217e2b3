"""Draws that are alike in every process.

Hypothesis mixes constants into its draws that it finds in whatever local code is imported (since
version 6.131, 2025). A command, a worker elsewhere and a test import different code, and would
draw different programs from one seed. Whole numbers on small grids gain nothing from constants.
"""

import contextlib
from collections.abc import Iterator
from typing import Any

from hypothesis.internal.conjecture.providers import AVAILABLE_PROVIDERS, HypothesisProvider

OWN = "hypothesis"
"""Name under which Hypothesis looks its own source of draws up."""


class Steady(HypothesisProvider):
    """Hypothesis's own source of draws, without the constants."""

    def _maybe_draw_constant(self, *_: Any, **__: Any) -> None:
        return None


@contextlib.contextmanager
def steady_draws() -> Iterator[None]:
    """Have all searches of this process draw so, for a while."""
    before = AVAILABLE_PROVIDERS[OWN]
    AVAILABLE_PROVIDERS[OWN] = Steady
    try:
        yield
    finally:
        AVAILABLE_PROVIDERS[OWN] = before
