"""Following a planned move: seven segments of constant jerk, one after another.

    p += v t + a t^2/2 + j t^3/6,   v += a t + j t^2/2,   a += j t

``profile.py`` writes the segments; at the end of the last one the move is over.
"""

from controller.portable import const

MYPY = False
if MYPY:  # types are for the checker only: a board has no typing module
    from controller.joint.state import Motion


SEGMENTS = const(7)


def duration(motion: "Motion") -> float:
    """Whole time (s) of the plan in ``motion``."""
    total = 0.0
    for k in range(SEGMENTS):
        total += motion.duration_s[k]
    return total


def advance(motion: "Motion", h: float) -> None:
    """Follow the plan for ``h`` seconds; at its end stand on the target."""
    p = motion.setpoint_rad
    v = motion.setpoint_rad_s
    a = motion.setpoint_rad_s2
    while motion.segment < SEGMENTS:
        j = motion.jerk_rad_s3[motion.segment]
        t = motion.segment_left_s
        ends = t <= h
        if not ends:
            t = h
        p += t * (v + t * (0.5 * a + t * j / 6.0))
        v += t * (a + 0.5 * t * j)
        a += t * j
        h -= t
        if not ends:
            motion.segment_left_s -= t
            break
        motion.segment += 1
        if motion.segment < SEGMENTS:
            motion.segment_left_s = motion.duration_s[motion.segment]
    motion.setpoint_rad = p
    motion.setpoint_rad_s = v
    motion.setpoint_rad_s2 = a


def coast(motion: "Motion") -> None:
    """Go on at the present speed until the next plan takes over."""
    motion.setpoint_rad_s2 = 0.0
    motion.jerk_rad_s3[6] = 0.0
    motion.duration_s[6] = 1.0e3
    motion.segment = 6
    motion.segment_left_s = 1.0e3
