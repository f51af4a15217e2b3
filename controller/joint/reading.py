"""A reading (counts) by itself: its angle on the straight line and table, and whether it is sound."""

MYPY = False
if MYPY:  # types are for the checker only: a board has no typing module
    from controller.joint.settings.settings import Sensor


def correction(s: "Sensor", counts: int) -> float:
    """What the linearity table adds (rad) to the straight line at a reading (counts)."""
    points = s.correction_points
    if points < 2:
        return 0.0
    along = counts * (points - 1)
    k = along // s.counts_top
    if k < 0:
        k = 0
    if k > points - 2:
        k = points - 2
    low = s.correction_rad[k]
    return low + (along - k * s.counts_top) * (s.correction_rad[k + 1] - low) / s.counts_top


def straight_angle(s: "Sensor", counts: int) -> float:
    """Angle (rad) of a reading (counts) by settings ``s``; within a turn where it has no ends."""
    return (counts - s.zero_counts) * s.rad_per_count + correction(s, counts)


def at_rail(s: "Sensor", counts: int) -> bool:
    """Tell whether a reading lies outside the window of an intact wiper."""
    return counts < s.rail_low_counts or counts > s.rail_high_counts
