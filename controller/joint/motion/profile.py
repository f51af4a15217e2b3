"""The jerk-limited move: planned once, followed segment by segment.

A move to rest from any state (position p, speed v, acceleration a) is a *push*
towards plus or minus the speed limit, as fast as jerk and acceleration limits
allow, cut off after some time s and followed by the quickest *stop*. Where it
would end grows with s, so s is found by bracketing; when the push has reached
the speed limit the rest is a cruise, known in closed form. This is the
time-optimal profile (checked against an independent planner in
``tests/reference/test_trajectory.py``).

Planning does a fixed number of steps in + - * / and sqrt only, so it gives the
same bits on every runtime, and can be spread over ticks. A state beyond a new
limit is first brought back inside at full jerk: the push does that by itself.
"""

from controller.joint.motion.speed_change import change_speed, stop_distance
from controller.portable import const, sqrt

MYPY = False
if MYPY:  # types are for the checker only: a board has no typing module
    from controller.joint.settings.settings import Profile
    from controller.joint.state import Motion, Plan

PARTS = const(
    13
)  # of one plan, whatever the move: two that find the phase, eleven bracket steps of two tries each


def go_on(plan: "Plan", t: float, j: float) -> None:
    """Move the planning point (p, v, a) on by ``t`` seconds at jerk ``j``."""
    a = plan.a
    v = plan.v
    plan.p += t * (v + t * (0.5 * a + t * j / 6.0))
    plan.v = v + t * (a + 0.5 * t * j)
    plan.a = a + t * j


def gap_here(plan: "Plan") -> float:
    """How far beyond the goal (rad) a stop begun at the planning point ends."""
    return plan.p + stop_distance(plan, plan.v, plan.a) - plan.goal


def set_limits(plan: "Plan", limits: "Profile", most_rad_s: float) -> None:
    """Take the limits of a Profile into ``plan``; ``most_rad_s`` caps the speed."""
    plan.speed = limits.speed_rad_s
    if plan.speed > most_rad_s:
        plan.speed = most_rad_s
    plan.acceleration = limits.acceleration_rad_s2
    plan.jerk = limits.jerk_rad_s3


def begin(plan: "Plan", p: float, v: float, a: float, target: float) -> None:
    """Start planning a move from (p, v, a) to rest at ``target`` (rad).

    Everything is mirrored so that the push is upward.
    """
    plan.sign = 1.0
    if target - p < stop_distance(plan, v, a):
        plan.sign = -1.0
    plan.start_v = v * plan.sign
    plan.start_a = a * plan.sign
    plan.goal = (target - p) * plan.sign
    change_speed(plan, plan.start_v, plan.start_a, plan.speed)
    plan.cruise_s = 0.0
    plan.phase = 0
    plan.found = 0


def work(plan: "Plan", part: int) -> None:
    """Do one part of planning, of ``PARTS``; each costs about as much as a plain tick's arithmetic."""
    if part == 0:
        try_start(plan)
        try_phase(plan)
    elif part == 1:
        try_phase(plan)
        try_phase(plan)
    else:
        narrow(plan)


def try_start(plan: "Plan") -> None:
    """Where a stop ends that begins at once."""
    plan.p = 0.0
    plan.v = plan.start_v
    plan.a = plan.start_a
    plan.gap = gap_here(plan)


def try_phase(plan: "Plan") -> None:
    """See whether the cut lies in the next phase of the push, and bracket it there.

    1 first jerk, 2 constant acceleration, 3 last jerk, 4 cruise.
    """
    if plan.found == 1:
        return
    plan.phase += 1
    plan.low_gap = plan.gap
    plan.best_s = 0.0
    plan.best_gap = -plan.gap
    t = phase_time(plan, plan.phase)
    go_on(plan, t, phase_jerk(plan, plan.phase))
    gap = gap_here(plan)
    plan.gap = gap
    if gap >= 0.0:
        plan.found = 1
        plan.low_s = 0.0
        plan.high_s = t
        plan.high_gap = gap
        if gap < plan.best_gap:
            plan.best_s = t
            plan.best_gap = gap
    elif plan.phase == 3:
        plan.found = 1
        plan.phase = 4
        plan.cruise_s = -gap / plan.speed


def phase_time(plan: "Plan", phase: int) -> float:
    """Duration (s) of phase 1, 2 or 3 of the push."""
    if phase == 1:
        return plan.t1
    return plan.t2 if phase == 2 else plan.t3


def phase_jerk(plan: "Plan", phase: int) -> float:
    """Jerk (rad/s^3) in phase 1, 2 or 3 of the push."""
    if phase == 1:
        return plan.j1
    return 0.0 if phase == 2 else plan.j3


def try_cut(plan: "Plan", s: float) -> float:
    """Cut the push after ``s`` seconds of its phase, narrow the bracket to it.

    Returns the gap (rad). The cut that came nearest to the goal is kept.
    """
    plan.p = 0.0
    plan.v = plan.start_v
    plan.a = plan.start_a
    for phase in range(1, plan.phase):
        go_on(plan, phase_time(plan, phase), phase_jerk(plan, phase))
    go_on(plan, s, phase_jerk(plan, plan.phase))
    gap = gap_here(plan)
    size = gap
    if gap < 0.0:
        plan.low_s = s
        plan.low_gap = gap
        size = -gap
    else:
        plan.high_s = s
        plan.high_gap = gap
    if size < plan.best_gap:
        plan.best_gap = size
        plan.best_s = s
    return gap


def narrow(plan: "Plan") -> None:
    """One step of the bracket: halve it, then cut where Ridders' rule points.

    C. J. F. Ridders, "A new algorithm for computing a single root of a real
    continuous function", IEEE Trans. Circuits and Systems 26 (1979) 979-980:
    safe as halving, quadratic near the root, one square root.
    """
    if plan.phase == 4:
        return
    low = plan.low_gap
    high = plan.high_gap
    half = 0.5 * (plan.high_s - plan.low_s)
    s = plan.low_s + half
    if half <= 0.0:
        return
    middle = try_cut(plan, s)
    below = middle * middle - low * high
    if below > 0.0:
        s -= half * middle / sqrt(below)
        if plan.low_s < s < plan.high_s:
            try_cut(plan, s)


def finish(plan: "Plan", motion: "Motion", p: float, v: float, a: float) -> None:
    """Write the seven segments into ``motion`` and start following from (p, v, a)."""
    d = motion.duration_s
    j = motion.jerk_rad_s3
    sign = plan.sign
    for k in range(3):
        d[k] = phase_time(plan, k + 1)
        j[k] = sign * phase_jerk(plan, k + 1)
        if k + 1 == plan.phase:
            d[k] = plan.best_s
        elif k + 1 > plan.phase:
            d[k] = 0.0
    d[3] = plan.cruise_s
    j[3] = 0.0
    plan.v = plan.start_v
    plan.a = plan.start_a
    for k in range(3):
        go_on(plan, d[k], sign * j[k])
    write_stop(plan, motion, sign)
    motion.setpoint_rad = p
    motion.setpoint_rad_s = v
    motion.setpoint_rad_s2 = a
    motion.segment = 0
    motion.segment_left_s = d[0]


def write_stop(plan: "Plan", motion: "Motion", sign: float) -> None:
    """Write the stop from the planning point as the last three segments."""
    change_speed(plan, plan.v, plan.a, 0.0)
    for k in range(3):
        motion.duration_s[4 + k] = phase_time(plan, k + 1)
        motion.jerk_rad_s3[4 + k] = sign * phase_jerk(plan, k + 1)


def stop(plan: "Plan", motion: "Motion") -> None:
    """Plan the quickest stop from the present setpoint; needs no bracket."""
    plan.v = motion.setpoint_rad_s
    plan.a = motion.setpoint_rad_s2
    for k in range(4):
        motion.duration_s[k] = 0.0
        motion.jerk_rad_s3[k] = 0.0
    write_stop(plan, motion, 1.0)
    motion.segment = 4
    motion.segment_left_s = motion.duration_s[4]
