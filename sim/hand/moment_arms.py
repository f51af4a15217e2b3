"""Excursion and moment arm of a tendon at a joint, by three models.

J. M. F. Landsmeer, "Studies in the anatomy of articulation", Acta Morphologica Neerlando-
Scandinavica 3 (1961) 287-303 (attribution from memory; the formulas follow from the geometry):
    1    a pulley of radius r:             E = r q                      arm r
    2    a loop, free to bowstring:        E = 2 r sin(q/2)             arm r cos(q/2)
    3    a sheath, tendon at distance d of the bone, y along it:
         E = 2 [y (1 - (q/2)/tan(q/2)) + d q/2]
         arm = d + y ((q/2)/sin^2(q/2) - cot(q/2))
"""

from math import cos, sin, tan

import numpy as np

SMALL = 1e-4


def excursion(model: int, q: float, r: float, y: float = 0.0) -> float:
    """Excursion (m) at an angle (rad); r: radius, or d of model 3 (m)."""
    half = 0.5 * q
    if model == 1:
        return r * q
    if model == 2:
        return 2.0 * r * sin(half)
    if abs(half) < SMALL:
        return r * q
    return 2.0 * (y * (1.0 - half / tan(half)) + r * half)


def moment_arm(model: int, q: float, r: float, y: float = 0.0) -> float:
    """Moment arm (m): the excursion's slope."""
    half = 0.5 * q
    if model == 1:
        return r
    if model == 2:
        return r * cos(half)
    if abs(half) < SMALL:
        return r + y * 2.0 * half / 3.0
    return r + y * (half / sin(half) ** 2 - 1.0 / tan(half))


def polynomial(model: int, low: float, high: float, r: float, y: float = 0.0) -> tuple[float, float, float]:  # fmt: skip
    """The kernel's a, b, c with arm = a (1 + b q + c q^2), least squares over a range (rad)."""
    q = np.linspace(low, high, 101)
    arms = np.array([moment_arm(model, float(one), r, y) for one in q])
    c, b, a = np.polyfit(q, arms, 2)
    return float(a), float(b / a), float(c / a)
