"""The one file that knows in what the runtimes differ.

Single-precision simulation replaces ``sqrt`` in its copy of this module, so
every other file takes the square root from here.
"""

from math import sqrt

try:
    from micropython import const
except ImportError:

    def const(value):
        """Return ``value``: MicroPython folds such a name at compile time."""
        return value


__all__ = ("const", "sqrt")
