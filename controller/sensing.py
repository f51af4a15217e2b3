"""Stage 2: counts to angle and speed.

Equations
    angle = (counts - zero) * rad_per_count + correction(counts)
    speed: backward difference of a first-order filter,
        speed' = (Tf * speed + (angle - last angle)) / (Tf + h),
    with h the tick period times the ticks elapsed. The first good tick after a
    reset gives speed zero, so nothing kicks at power-up.

A reading at a rail, or one that jumps further than ``jump_rad`` for each tick
elapsed, is implausible: it is counted and the last good angle stands until
``bad_ticks`` of them in a row trip.

Continuous travel is unwrapped over the seam. In and beside the dead gap the
angle is carried on at the last good speed: there a reading that departs from
that is not believed (the pull-down empties an open wiper over several ticks),
and behind the gap two in a row must agree before one is. What the carried angle
was off goes into the angle alone, not into the speed. Of two wipers the one that
departs is left out.
"""

from controller.angles import TURN_RAD, apart, wrapped
from controller.settings import CONTINUOUS

MYPY = False
if MYPY:  # types are for the checker only: a board has no typing module
    from controller.settings import Sensing
    from controller.state import Sensed


def straight_angle(s: "Sensing", counts: int) -> float:
    """Angle (rad) of a reading (counts) by settings ``s``, limited travel."""
    angle = (counts - s.zero_counts) * s.rad_per_count
    points = s.correction_points
    if points > 1:
        at = counts * (points - 1) / s.counts_top
        k = int(at)
        if k > points - 2:
            k = points - 2
        low = s.correction_rad[k]
        angle += low + (at - k) * (s.correction_rad[k + 1] - low)
    return angle


def at_rail(s: "Sensing", counts: int) -> bool:
    """Tell whether a reading lies outside the window of an intact wiper."""
    return counts < s.rail_low_counts or counts > s.rail_high_counts


def track_weight(s: "Sensing", counts: int) -> float:
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
    s: "Sensing", st: "Sensed", counts: int, second: int, carried: float, doubt: float
) -> float:
    """Change of angle (rad) since the last tick by two wipers, by validity.

    Weights fall to zero towards each track's gap, so the sum never jumps. A wiper
    further than ``doubt`` (rad) from the carried angle is left out where the other
    is not. The caller has seen to it that not both weights are zero.
    """
    first_weight = track_weight(s, counts)
    second_weight = track_weight(s, second)
    one = wrapped((counts - s.zero_counts) * s.rad_per_count - st.angle_rad)
    two = wrapped((second - s.second_zero_counts) * s.rad_per_count - st.angle_rad)
    if st.started == 1 and first_weight > 0.0 and second_weight > 0.0:
        first_off = apart(one, carried) > doubt
        if first_off != (apart(two, carried) > doubt):
            return two if first_off else one
    return (first_weight * one + second_weight * two) / (first_weight + second_weight)


def near_gap(s: "Sensing", st: "Sensed", reach: float) -> bool:
    """Tell whether the carried angle lies within ``reach`` (rad) of the gap."""
    middle = s.gap_from_rad + 0.5 * s.gap_rad
    apart = wrapped(st.angle_rad - middle)
    if apart < 0.0:
        apart = -apart
    return apart <= 0.5 * s.gap_rad + reach


def take_limited(s: "Sensing", st: "Sensed", counts: int, steps: int) -> float:
    """Read a limited joint; return the change of angle, or 0 if implausible."""
    if at_rail(s, counts):
        st.rail = 1
        st.odd_ticks += steps
        return 0.0
    moved = straight_angle(s, counts) - st.angle_rad
    if st.started == 0:
        st.angle_rad += moved
        return 0.0
    reach = s.jump_rad * (steps + st.odd_ticks)
    if moved > reach or moved < -reach:
        st.odd_ticks += steps
        return 0.0
    st.odd_ticks = 0
    return moved


def carried_change(s: "Sensing", st: "Sensed", h: float) -> float:
    """Change of angle (rad) in a tick without a reading to believe.

    None below half the speed that crosses the gap in time: there the speed is mostly
    noise, and following it would make a standing joint run.
    """
    speed = st.speed_rad_s if st.speed_rad_s >= 0.0 else -st.speed_rad_s
    if s.tracks == 1 and speed * s.blind_limit_s < 0.5 * s.gap_rad:
        return 0.0
    return st.speed_rad_s * h


def carry_on(st: "Sensed", carried: float, h: float) -> float:
    """Pass a tick without a reading to believe; return the carried change (rad)."""
    st.blind_s += h
    st.odd_ticks = 0
    return carried


def take_behind_gap(s: "Sensing", st: "Sensed", moved: float, reach: float, h: float) -> float:
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
    s: "Sensing", st: "Sensed", counts: int, second: int, steps: int, h: float
) -> float:
    """Read a joint that turns without end; return the change of angle (rad)."""
    carried = carried_change(s, st, h)
    reach = s.jump_rad * steps
    # once blind, until a reading is believed: the carried angle may be across already
    beside = st.started == 1 and (st.blind_s > 0.0 or near_gap(s, st, reach))
    lost = at_rail(s, counts)
    if s.tracks == 2:
        beside = False
        lost = track_weight(s, counts) + track_weight(s, second) <= 0.0
    if lost:
        st.rail = 1
        st.off_known = 0
        if beside:
            return carry_on(st, carried, h)
        st.odd_ticks += steps
        return 0.0
    if s.tracks == 2:
        moved = blended_change(s, st, counts, second, carried, 0.5 * reach)
    else:
        moved = wrapped((counts - s.zero_counts) * s.rad_per_count - st.angle_rad)
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


def count_held(s: "Sensing", st: "Sensed", counts: int, second: int) -> None:
    """Count successive identical readings: a live sensor has some noise.

    Readings, not ticks: a late tick that stands for several has read once.

    A reading at a rail tells nothing of that (an open wiper is pulled down to the
    same zero again and again); the second wiper, where fitted, stands in for it.
    """
    if at_rail(s, counts):
        if s.tracks != 2 or at_rail(s, second):
            return
        counts = -1 - second
    if counts == st.last_counts:
        st.same_ticks += 1
    else:
        st.same_ticks = 0
    st.last_counts = counts


def sense(s: "Sensing", st: "Sensed", counts: int, second: int, steps: int, tick_s: float) -> None:
    """Stage 2: update angle, speed and plausibility in ``st`` (Sensed)."""
    h = tick_s * steps
    st.rail = 0
    st.put_right_rad = 0.0
    count_held(s, st, counts, second)
    if s.travel == CONTINUOUS:
        moved = take_continuous(s, st, counts, second, steps, h)
    else:
        moved = take_limited(s, st, counts, steps)
    if st.started == 0:
        st.moved_rad = 0.0
        st.speed_rad_s = 0.0
        if st.rail == 0:
            st.started = 1
        return
    st.moved_rad = moved
    st.angle_rad += moved
    lag = s.speed_filter_s
    if st.odd_ticks == 0 and st.blind_s == 0.0:
        st.speed_rad_s = (lag * st.speed_rad_s + moved) / (lag + h)


def fold_turns(s: "Sensing", st: "Sensed") -> int:
    """Fold whole turns out of the angle; return how many were folded (turns).

    Keeps single-precision angles exact near zero while the joint turns on and
    on: the count of turns is an integer that never loses a bit.
    """
    if s.travel != CONTINUOUS:
        return 0
    whole = 0
    if st.angle_rad > 4.0 * TURN_RAD:
        whole = 4
    elif st.angle_rad < -4.0 * TURN_RAD:
        whole = -4
    if whole != 0:
        st.angle_rad -= whole * TURN_RAD
        st.base_turn += whole
    return whole
