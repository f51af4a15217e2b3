"""The one file that knows in what the runtimes differ.

Single-precision simulation replaces ``sqrt`` in its copy of the modules, so
every other file takes the square root from here.
"""

import gc
from math import sqrt

try:
    from micropython import const
except ImportError:

    def const(value):
        """Return ``value``: MicroPython folds such a name at compile time."""
        return value


try:
    from time import sleep_us, ticks_add, ticks_diff, ticks_us
except ImportError:
    from time import perf_counter_ns, sleep

    _PERIOD = 2**30

    def ticks_us():
        """Microseconds, wrapping at 2**30 like a board's."""
        return perf_counter_ns() // 1000 % _PERIOD

    def ticks_diff(late, early):
        """Signed difference (us) of two ticks_us values."""
        return (late - early + _PERIOD // 2) % _PERIOD - _PERIOD // 2

    def ticks_add(at, step):
        """A ticks_us value ``step`` us later."""
        return (at + step) % _PERIOD

    def sleep_us(span):
        """Sleep for ``span`` us or somewhat longer."""
        sleep(span * 1e-6)


def collect():
    """Collect garbage, where that is the program's business: CPython counts references."""
    if hasattr(gc, "mem_free"):
        gc.collect()


def free_memory():
    """Free heap (bytes); 0 where the runtime does not tell."""
    return gc.mem_free() if hasattr(gc, "mem_free") else 0


def is_single():
    """Tell whether this runtime's float is single precision."""
    return 1.0 + 1.0e-10 == 1.0


__all__ = (
    "collect", "const", "free_memory", "is_single", "sleep_us", "sqrt", "ticks_add", "ticks_diff", "ticks_us",
)  # fmt: skip
