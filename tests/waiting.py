"""Waiting for what is to come: with a generous end, for a busy computer proves nothing."""

import time

LONG_S = 60.0


def until(what, seconds=LONG_S):
    """Whether something came true within so long; returns at once when it does."""
    end = time.monotonic() + seconds
    while not (found := what()) and time.monotonic() < end:
        time.sleep(0.005)
    return found
