"""Functions built from + - * / alone, so that every runtime gives the same bits.

``math.cos`` and random generators differ between C libraries; these do not.
"""

from controller.portable import const

TURN = const(6.283185307179586)
QUARTER = const(1.5707963267948966)
_WORD = const(0xFFFFFFFF)


def cosine(x: float) -> float:
    """Cosine of ``x`` (rad), |x| < 1e6; absolute error below 1e-9 (a test measures it).

    Folded into [0, pi/2], then the Taylor series, its last coefficient
    economised to balance the error.
    """
    if x < 0.0:
        x = -x
    x -= int(x / TURN) * TURN
    if x > 0.5 * TURN:
        x = TURN - x
    sign = 1.0
    if x > QUARTER:
        x = 0.5 * TURN - x
        sign = -1.0
    y = x * x
    s = -1.0 / 3628800.0 + y * (1.0 / 479001600.0 - y * 1.10e-11)
    s = 1.0 / 40320.0 + y * s
    s = -1.0 / 720.0 + y * s
    return sign * (1.0 + y * (-0.5 + y * (1.0 / 24.0 + y * s)))


def scramble(word: int) -> int:
    """Next 32-bit word of a linear congruential sequence (full period 2**32).

    Multiplier and increment: W. H. Press et al., "Numerical Recipes", 3rd ed.
    2007, sec. 7.1 (quick and dirty generator).
    """
    return (word * 1664525 + 1013904223) & _WORD


def fold(word: int) -> int:
    """Mix high bits into low ones: the low bits of ``scramble`` are poor."""
    word ^= word >> 16
    word = (word * 0x45D9F3B) & _WORD
    word ^= word >> 16
    return word


def bell(word: int) -> float:
    """Number of mean 0 and variance 1 made from ``word``: a sum of eight.

    Irwin-Hall with eight 16-bit parts: bell-shaped to 4.9 sigma, no logarithm.
    """
    total = 0
    for _ in range(4):
        word = scramble(word)
        mixed = fold(word)
        total += (mixed & 0xFFFF) + (mixed >> 16)
    return (total - 262140) * (1.0 / 53509.92)
