"""One axis run forward, exactly: inertia, viscous and Coulomb friction under a drive that is held.

    J dv/dt = u - offset - gravity(q) - b v - F sign(v);   |u - offset - gravity| <= F holds it at rest

The drive of a row is held until the next row (zero-order hold), so that between two rows the motion is an
exponential, up to a stop inside the row and on from there: no step size, no half a sample of doubt.
Gravity is taken from the angle at the beginning of a row.
"""

from math import cos, exp, log, sin

MYPY = False
if MYPY:  # types are for the checker only: a board has no typing module
    from typing import Any


def share_of(x: float) -> float:
    """(1 - e^-x)/x, also about zero."""
    if -1e-6 < x < 1e-6:
        return 1.0 - 0.5 * x
    return (1.0 - exp(-x)) / x


def until_rest(v: float, force: float, b: float, inertia: float) -> float:
    """Time (s) in which J v' = force - b v brings a speed to zero (force against it)."""
    x = -b * v / force
    if -1e-9 < x < 1e-9:
        return -inertia * v / force
    return inertia / b * log(1.0 + x)


def follow_axis(
    values: "Any", drive: "Any", angle: float, speed: float, h: float, angles: "Any", speeds: "Any"
) -> None:
    """Run from an angle and a speed; write both at every row, before its drive acts.

    values: inertia, viscous, coulomb, offset, gravity_sin, gravity_cos; h: from row to row (s).
    """
    inertia, b, coulomb = values[0], values[1], values[2]
    q, v = angle, speed
    for k in range(len(drive)):
        angles[k] = q
        speeds[k] = v
        net = drive[k] - values[3]
        if values[4] != 0.0 or values[5] != 0.0:
            net -= values[4] * sin(q) + values[5] * cos(q)
        left = h
        for _ in range(2):  # at most one stop in a row
            way = 1.0 if v > 0.0 else -1.0 if v < 0.0 else 0.0
            if way == 0.0:
                if -coulomb <= net <= coulomb:
                    break
                way = 1.0 if net > 0.0 else -1.0
            force = net - coulomb * way
            span = left
            stops = False
            if v != 0.0 and force * way < 0.0:
                rest = until_rest(v, force, b, inertia)
                if rest < left:
                    span = rest
                    stops = True
            x = b / inertia * span
            gone = share_of(x)
            push = force / inertia * span
            later = 0.5 - x / 6.0 if -1e-6 < x < 1e-6 else (1.0 - gone) / x
            q += span * (v * gone + push * later)
            v = 0.0 if stops else v * exp(-x) + push * gone
            left -= span
            if left <= 0.0 or not stops:
                break


def follow_windows(
    values: "Any",
    drive: "Any",
    begins: "Any",
    ends: "Any",
    starts: "Any",
    h: float,
    angles: "Any",
    speeds: "Any",
) -> None:
    """The same window by window: rows begins[w] to ends[w] - 1, from angle and speed starts[w]."""
    for w in range(len(begins)):
        a, e = begins[w], ends[w]
        follow_axis(values, drive[a:e], starts[w, 0], starts[w, 1], h, angles[a:e], speeds[a:e])
