"""Stage 2 of a joint that turns without end: over the seam, and across the sensor's dead gap.

Continuous travel is unwrapped over the seam. In and beside the dead gap the
angle is carried on at the last good speed, or the setpoint's where that is less:
there a reading that departs from that is not believed (the pull-down empties an open wiper over several ticks),
and behind the gap two in a row must agree before one is. What the carried angle
was off goes into the angle alone, not into the speed. Of two wipers the one that
departs is left out.
"""

from controller.joint.angles import apart, wrapped
from controller.joint.reading import at_rail, correction, straight_angle

MYPY = False
if MYPY:  # types are for the checker only: a board has no typing module
    from controller.joint.settings.settings import Sensor
    from controller.joint.state import Sensed


def track_weight(s: "Sensor", counts: int) -> float:
    """Trust in one of two wipers: 0 at its gap, 1 beyond ``blend_rad`` of it."""
    if at_rail(s, counts):
        return 0.0
    inside = counts - s.rail_low_counts
    other = s.rail_high_counts - counts
    if other < inside:
        inside = other
    width = s.rad_per_count * inside
    if width < 0.0:
        width = -width
    return 1.0 if width >= s.blend_rad else width / s.blend_rad


def blended_change(
    s: "Sensor", st: "Sensed", counts: int, second: int, carried: float, doubt: float
) -> float:
    """Change of angle (rad) since the last tick by two wipers, by validity.

    Weights fall to zero towards each track's gap, so the sum never jumps. A wiper
    further than ``doubt`` (rad) from the carried angle is left out where the other
    is not. The caller has seen to it that not both weights are zero.
    """
    first_weight = track_weight(s, counts)
    second_weight = track_weight(s, second)
    one = wrapped(straight_angle(s, counts) - st.angle_rad)
    straight = (second - s.second_zero_counts) * s.rad_per_count
    two = wrapped(straight + correction(s, second) - st.angle_rad)
    if st.started == 1 and first_weight > 0.0 and second_weight > 0.0:
        first_off = apart(one, carried) > doubt
        if first_off != (apart(two, carried) > doubt):
            return two if first_off else one
    return (first_weight * one + second_weight * two) / (first_weight + second_weight)


def near_gap(s: "Sensor", st: "Sensed", reach: float) -> bool:
    """Tell whether the carried angle lies within ``reach`` (rad) of the gap."""
    middle = s.gap_from_rad + 0.5 * s.gap_rad
    apart = wrapped(st.angle_rad - middle)
    if apart < 0.0:
        apart = -apart
    return apart <= 0.5 * s.gap_rad + reach


def carried_change(s: "Sensor", st: "Sensed", h: float) -> float:
    """Change of angle (rad) in a tick without a reading to believe.

    None below half the speed that crosses the gap in time: there the speed is mostly
    noise, and following it would make a standing joint run.
    """
    speed = st.speed_rad_s if st.speed_rad_s >= 0.0 else -st.speed_rad_s
    if s.wipers == 1 and speed * s.blind_limit_s < 0.5 * s.gap_rad:
        return 0.0
    return st.speed_rad_s * h


def carry_with(st: "Sensed", setpoint_rad_s: float) -> None:
    """Carry the unseen angle on at the setpoint's speed (rad/s), never quicker than was seen.

    At the speed of before, the loop would brake against an angle that runs away from the joint,
    and turn it round inside the gap.
    """
    most = st.speed_rad_s if st.speed_rad_s >= 0.0 else -st.speed_rad_s
    if setpoint_rad_s > most:
        setpoint_rad_s = most
    elif setpoint_rad_s < -most:
        setpoint_rad_s = -most
    st.speed_rad_s = setpoint_rad_s


def carry_on(st: "Sensed", carried: float, h: float) -> float:
    """Pass a tick without a reading to believe; return the carried change (rad)."""
    st.blind_s += h
    st.odd_ticks = 0
    return carried


def take_behind_gap(s: "Sensor", st: "Sensed", moved: float, reach: float, h: float) -> float:
    """Believe a reading behind the gap when the one before was off by the same.

    ``moved`` (rad) is what the reading says of the change. Returns the carried
    change; the correction is left in ``put_right_rad`` and in the angle.
    """
    carried = carried_change(s, st, h)
    off = moved - carried
    agrees = st.off_known == 1 and apart(off, st.off_rad) <= 0.25 * reach
    st.off_known = 1
    st.off_rad = off
    if not agrees or apart(moved, 0.0) > reach + s.gap_rad:
        return carry_on(st, carried, h)
    st.put_right_rad = off
    st.angle_rad += off
    st.blind_s = 0.0
    st.odd_ticks = 0
    return carried


def take_continuous(
    s: "Sensor", st: "Sensed", counts: int, second: int, steps: int, h: float
) -> float:
    """Read a joint that turns without end; return the change of angle (rad)."""
    carried = carried_change(s, st, h)
    reach = s.jump_rad * steps
    # once blind, until a reading is believed: the carried angle may be across already
    beside = st.started == 1 and (st.blind_s > 0.0 or near_gap(s, st, reach))
    lost = at_rail(s, counts)
    if s.wipers == 2:
        beside = False
        lost = track_weight(s, counts) + track_weight(s, second) <= 0.0
    if lost:
        st.rail = 1
        st.off_known = 0
        if beside:
            return carry_on(st, carried, h)
        st.odd_ticks += steps
        return 0.0
    if s.wipers == 2:
        moved = blended_change(s, st, counts, second, carried, 0.5 * reach)
    else:
        moved = wrapped(straight_angle(s, counts) - st.angle_rad)
    if st.started == 0:
        st.angle_rad += moved
        return 0.0
    if beside and (st.blind_s > 0.0 or apart(moved, carried) > 0.25 * reach):
        return take_behind_gap(s, st, moved, reach, h)
    if apart(moved, 0.0) > reach + s.jump_rad * st.odd_ticks:
        st.odd_ticks += steps
        return 0.0
    st.odd_ticks = 0
    st.blind_s = 0.0
    return moved
