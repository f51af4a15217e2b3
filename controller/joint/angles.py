"""Angles on a circle."""

from controller.portable import const

TURN_RAD = const(6.283185307179586)


def wrapped(angle: float) -> float:
    """Return ``angle`` (rad) less the whole turns that bring it to [-pi, pi)."""
    turns = angle / TURN_RAD + 0.5
    whole = int(turns)
    if turns < whole:
        whole -= 1
    return angle - whole * TURN_RAD


def apart(one: float, other: float) -> float:
    """Distance of two numbers."""
    return one - other if one >= other else other - one
