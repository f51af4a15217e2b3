"""Joint angle to converter counts: track, loading, noise, gap, faults.

Order: electrical fraction with linearity error; loading by the pull-down,
y = x / (1 + x(1-x)/m) with m pull-down over track resistance (loaded
potentiometer divider); faults; noise; converter steps; quantisation.
"""

from controller.portable import const
from sim.model.arithmetic import TURN, bell, scramble

MYPY = False
if MYPY:  # types are for the checker only: a board has no typing module
    from sim.joint.part import Potentiometer, Sense

SOUND = const(0)
OPEN = const(1)
SHORTED = const(2)
HELD = const(3)
FLOATING = const(4)


def track_fraction(p: "Potentiometer", angle: float) -> float:
    """Share of the track (0..1) at a joint angle (rad); -1 in the dead gap."""
    x = p.zero_fraction + p.sign * angle / p.electrical_rad
    if p.turning == 1:
        turn = TURN / p.electrical_rad
        whole = int(x / turn)
        x -= whole * turn
        if x < 0.0:
            x += turn
        if x > 1.0:
            return -1.0
    return x


def bent(p: "Potentiometer", x: float) -> float:
    """Linearity error and loading of a share ``x`` of the track."""
    if x < 0.0:
        return 0.0
    if x > 1.0:
        return 1.0
    rest = x * (1.0 - x)
    x += 4.0 * p.even_error * rest + 20.785 * p.odd_error * rest * (0.5 - x)
    if p.load_ratio > 0.0:
        x = x / (1.0 + x * (1.0 - x) / p.load_ratio)
    return x


def wiper(p: "Potentiometer", s: "Sense", angle: float, h: float) -> float:
    """Wiper voltage as a share of its supply, faults included, after ``h`` s."""
    if s.fault == SHORTED:
        return 1.0
    x = track_fraction(p, angle)
    lost = x < 0.0 and p.turning == 1
    if s.fault == FLOATING or ((s.fault == OPEN or lost) and p.fall_s <= 0.0):
        s.wander += 0.002 * bell(s.word)
        s.word = scramble(scramble(s.word + 77))
        away = s.fraction + s.wander
        return 0.0 if away < 0.0 else (1.0 if away > 1.0 else away)
    if s.fault == OPEN or lost:
        share = h / p.fall_s
        s.fraction -= s.fraction * (share if share < 1.0 else 1.0)
        return s.fraction
    s.fraction = bent(p, x)
    return s.fraction


def read(p: "Potentiometer", s: "Sense", angle: float, h: float) -> int:
    """Counts of the first wiper at a joint angle (rad); ``h`` s since the last."""
    top = p.top_counts
    code = wiper(p, s, angle, h) * top
    if s.fault == HELD:
        return s.held_counts
    if p.noise_counts > 0.0:
        code += p.noise_counts * bell(s.word)
        for _ in range(5):
            s.word = scramble(s.word)
    if p.step_counts > 0.0:
        quarter = code * 4.0 / top + 0.5
        code += p.step_counts * (quarter - int(quarter) - 0.5)
    counts = int(code + 0.5)
    if counts < 0:
        counts = 0
    elif counts > top:
        counts = top
    s.held_counts = counts
    return counts


def read_second(p: "Potentiometer", s: "Sense", angle: float) -> int:
    """Counts of the second wiper, which leads the first (no faults of its own)."""
    x = track_fraction(p, angle + p.second_offset_rad)
    if x < 0.0:
        return 0
    code = bent(p, x) * p.top_counts
    if p.noise_counts > 0.0:
        code += p.noise_counts * bell(s.word + 12345)
    counts = int(code + 0.5)
    return p.top_counts if counts > p.top_counts else (0 if counts < 0 else counts)
