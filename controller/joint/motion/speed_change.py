"""The quickest change of speed under limits of acceleration and jerk.

Three segments: jerk to a peak acceleration, hold it, jerk back to zero. The
sign of the first jerk is that of the speed still missing once the present
acceleration has been brought to zero, v + a|a|/(2 jerk).
"""

from controller.portable import sqrt

MYPY = False
if MYPY:  # types are for the checker only: a board has no typing module
    from controller.joint.state import Plan


def stop_distance(plan: "Plan", v: float, a: float) -> float:
    """Distance (rad) of the quickest stop from speed v, acceleration a.

    ``plan`` holds the limits. Three segments: jerk to a peak acceleration, hold
    it, jerk to rest; the last is a cubic that ends at rest, so it covers
    -a_peak**3 / (6 jerk**2).
    """
    jerk = plan.jerk
    most = plan.acceleration
    sign = -1.0
    if v + (a if a >= 0.0 else -a) * a / (2.0 * jerk) < 0.0:
        sign = 1.0
    v *= sign
    a *= sign
    peak = 0.5 * a * a - jerk * v
    hold = 0.0
    if a > most:
        t = (a - most) / jerk
        hold = (-v - a * a / (2.0 * jerk)) / most
        peak = most
        j = -jerk
    else:
        if peak > most * most:
            hold = (-v - (2.0 * most * most - a * a) / (2.0 * jerk)) / most
            peak = most
        else:
            peak = sqrt(peak) if peak > 0.0 else 0.0
        t = (peak - a) / jerk
        j = jerk
    moved = t * (v + t * (0.5 * a + t * j / 6.0))
    v += t * (a + 0.5 * t * j)
    moved += hold * (v + 0.5 * hold * peak)
    return sign * (moved - peak * peak * peak / (6.0 * jerk * jerk))


def change_speed(plan: "Plan", v: float, a: float, aim: float) -> None:
    """Plan the quickest change from (v, a) to speed ``aim`` without acceleration.

    Writes durations t1, t2, t3 (s) and jerks j1, j3 (rad/s^3) into ``plan``.
    """
    jerk = plan.jerk
    most = plan.acceleration
    sign = -1.0
    if aim > v + (a if a >= 0.0 else -a) * a / (2.0 * jerk):
        sign = 1.0
    a *= sign
    rise = sign * (aim - v)
    plan.t2 = 0.0
    plan.j3 = -sign * jerk
    if a > most:
        plan.t1 = (a - most) / jerk
        plan.t2 = (rise - a * a / (2.0 * jerk)) / most
        plan.t3 = most / jerk
        plan.j1 = -sign * jerk
        return
    peak = jerk * rise + 0.5 * a * a
    if peak > most * most:
        plan.t2 = (rise - (2.0 * most * most - a * a) / (2.0 * jerk)) / most
        peak = most
    else:
        peak = sqrt(peak) if peak > 0.0 else 0.0
    plan.t1 = (peak - a) / jerk
    plan.t3 = peak / jerk
    plan.j1 = sign * jerk
