"""Numbers as C writes them: the very bits of single precision."""

from math import isfinite

import numpy as np


def real(value: float) -> str:
    """A real number as a C literal with the bits of its single-precision value. Raises ValueError."""
    single = np.float32(value)
    if not isfinite(single):
        raise ValueError(f"{value!r} is no number of single precision")
    mantissa, exponent = float(single).hex().split("p")
    head, _, digits = mantissa.partition(".")
    digits = digits.rstrip("0")
    return f"{head}.{digits or '0'}p{exponent}f"


def whole(value: int) -> str:
    """A whole number as a C literal. Raises ValueError."""
    if not -(2**31) <= value < 2**31:
        raise ValueError(f"{value} does not fit 32 bits")
    return "(-2147483647 - 1)" if value == -(2**31) else str(value)
