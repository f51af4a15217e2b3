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
"""

from controller.joint.angles import TURN_RAD
from controller.joint.reading import at_rail, straight_angle
from controller.joint.settings.settings import CONTINUOUS
from controller.joint.turning import take_continuous

MYPY = False
if MYPY:  # types are for the checker only: a board has no typing module
    from controller.joint.settings.settings import Sensor
    from controller.joint.state import Sensed


def take_limited(s: "Sensor", st: "Sensed", counts: int, steps: int) -> float:
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


def count_held(s: "Sensor", st: "Sensed", counts: int, second: int) -> None:
    """Count successive identical readings: a live sensor has some noise.

    Readings, not ticks: a late tick that stands for several has read once.

    A reading at a rail tells nothing of that (an open wiper is pulled down to the
    same zero again and again); the second wiper, where fitted, stands in for it.
    """
    if at_rail(s, counts):
        if s.wipers != 2 or at_rail(s, second):
            return
        counts = -1 - second
    if counts == st.last_counts:
        st.same_ticks += 1
    else:
        st.same_ticks = 0
    st.last_counts = counts


def sense(s: "Sensor", st: "Sensed", counts: int, second: int, steps: int, tick_s: float) -> None:
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


def fold_turns(s: "Sensor", st: "Sensed") -> int:
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
