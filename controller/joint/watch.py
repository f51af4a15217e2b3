"""Fault watch: what drive, angle, supply and time can show of a fault.

Expected motion comes from a first-order model of the drive,

    d(model)/dt = (push / K - model) / lag,   push = u beyond +-friction_V (and the spring),

restarted from the measured speed whenever the push turns round; then the first
``lost_rad`` of expected motion may go into backlash and cable stretch. Expected
and seen motion are compared in a leaky window. Thresholds are settings with stated
formulas (``sim/joint/settings.py``); what they cannot see is said in
``README.md``: nothing can be known of a joint that is not driven.
"""

from controller.joint import faults
from controller.joint.settings.settings import LIMITED

MYPY = False
if MYPY:  # types are for the checker only: a board has no typing module
    from controller.joint.settings.safety_settings import Watch
    from controller.joint.settings.settings import Sensor, Settings
    from controller.joint.state import Allowed, Evidence, Readings, Sensed, State


def reset(e: "Evidence") -> None:
    """Forget all evidence of motion (late ticks are kept)."""
    e.model_rad_s = 0.0
    e.drive_sign = 0.0
    e.slack_rad = 0.0
    e.slack_sign = 0.0
    e.expected_rad = 0.0
    e.seen_rad = 0.0
    e.still_s = 0.0
    e.slow_s = 0.0
    e.wrong_rad = 0.0
    e.over_ticks = 0
    e.fast_ticks = 0
    e.far_s = 0.0
    e.push_V = 0.0


def push_beyond_friction(w: "Watch", u: float) -> float:
    """The part of the voltage (V) that must move even the stiffest joint."""
    if u > w.friction_V + w.spring_V:
        return u - w.friction_V - w.spring_V
    if u < -w.friction_V:
        return u + w.friction_V
    return 0.0


def expect(w: "Watch", e: "Evidence", u: float, speed: float, h: float) -> None:
    """Advance the expectation model under voltage ``u`` (V) for ``h`` seconds."""
    push = push_beyond_friction(w, u)
    sign = 0.0
    if push > 0.0:
        sign = 1.0
    elif push < 0.0:
        sign = -1.0
    if sign != e.drive_sign:
        e.drive_sign = sign
        if sign != 0.0:
            e.model_rad_s = speed
            e.expected_rad = 0.0
            e.seen_rad = 0.0
            if sign != e.slack_sign:
                e.slack_sign = sign
                e.slack_rad = w.lost_rad
    share = h / w.lag_s
    if share > 1.0:
        share = 1.0
    e.model_rad_s += (push / w.emf_V_s - e.model_rad_s) * share


def compare(w: "Watch", e: "Evidence", moved: float, h: float) -> None:
    """Compare expected and seen motion; advance the still and slow times (s)."""
    leak = h / w.window_s
    if leak > 1.0:
        leak = 1.0
    moves = e.model_rad_s * h
    if e.slack_rad > 0.0 and moves * e.drive_sign > 0.0:
        e.slack_rad -= moves * e.drive_sign
        moves = 0.0
    e.expected_rad += moves - leak * e.expected_rad
    e.seen_rad += moved - leak * e.seen_rad
    sign = e.drive_sign
    due = e.expected_rad * sign
    seen = e.seen_rad * sign
    if sign != 0.0 and due > w.least_rad and seen < w.still_ratio * due:
        e.still_s += h
    elif e.still_s > 0.0:
        e.still_s -= h
    if sign != 0.0 and due > w.least_rad and seen < w.slow_ratio * due:
        e.slow_s += h
    elif e.slow_s > 0.0:
        e.slow_s -= h


def wrong_way(w: "Watch", e: "Evidence", u: float, moved: float, h: float) -> None:
    """Add up motion against the drive ``u`` (V) beyond what the model still coasts (rad).

    Friction alone is the measure: a spring may hold the joint against the drive, not turn it back.
    """
    sign = 0.0
    if u > w.friction_V:
        sign = 1.0
    elif u < -w.friction_V:
        sign = -1.0
    if sign == 0.0:
        e.wrong_rad = 0.0
        return
    against = -moved * sign
    coasting = -e.model_rad_s * sign * h
    if against > 0.0 and coasting > 0.0:
        against -= coasting
        if against < 0.0:
            against = 0.0
    e.wrong_rad += against
    if e.wrong_rad < 0.0:
        e.wrong_rad = 0.0


def gather(settings: "Settings", e: "Evidence", sensed: "Sensed", u: float, h: float) -> None:
    """Take in one tick: ``u`` (V) was applied while the joint moved."""
    w = settings.watch
    if sensed.blind_s > 0.0:  # in the dead gap the angle is carried on, not seen: no evidence
        e.drive_sign = 0.0
        e.expected_rad = 0.0
        e.seen_rad = 0.0
        e.wrong_rad = 0.0
        return
    moved = sensed.moved_rad + sensed.across_rad_s * h
    expect(w, e, u, sensed.speed_rad_s + sensed.across_rad_s, h)
    compare(w, e, moved, h)
    e.push_V += (u - e.push_V) * (h / (w.window_s + h))
    wrong_way(w, e, u, moved, h)


def count_late(w: "Watch", e: "Evidence", steps: int) -> int:
    """Late ticks count up, ticks in time count down at a sixteenth."""
    if steps > 1:
        e.late_sixteenths += 16 * (steps - 1)
    elif e.late_sixteenths > 0:
        e.late_sixteenths -= 1
    if w.late_ticks > 0 and e.late_sixteenths > 16 * w.late_ticks:
        e.late_sixteenths = 16 * w.late_ticks
        return faults.LATE_TICKS
    return faults.NONE


def beyond_travel(settings: "Settings", angle: float) -> float:
    """How far (rad) the angle lies beyond the nearer soft end; 0 inside."""
    limits = settings.limits
    if angle > limits.travel_high_rad:
        return angle - limits.travel_high_rad
    if angle < limits.travel_low_rad:
        return limits.travel_low_rad - angle
    return 0.0


def sensor_fault(s: "Sensor", sensed: "Sensed") -> int:
    """Fault that the readings alone show, or NONE."""
    if sensed.odd_ticks >= s.bad_ticks:
        return faults.WIPER_RAIL if sensed.rail == 1 else faults.SENSOR_JUMP
    if s.held_ticks > 0 and sensed.same_ticks >= s.held_ticks:
        return faults.SENSOR_HELD
    if sensed.blind_s > s.blind_limit_s:
        return faults.BLIND
    return faults.NONE


def travel_fault(settings: "Settings", e: "Evidence", sensed: "Sensed") -> int:
    """Fault of angle and speed beyond their bounds, or NONE."""
    w = settings.watch
    if settings.sensor.travel == LIMITED and w.over_travel_rad > 0.0:
        if beyond_travel(settings, sensed.angle_rad) > w.over_travel_rad:
            e.over_ticks += 1
        else:
            e.over_ticks = 0
        if e.over_ticks >= w.over_travel_ticks:
            return faults.OVER_TRAVEL
    if w.over_speed_rad_s > 0.0:
        if -w.over_speed_rad_s <= sensed.speed_rad_s <= w.over_speed_rad_s:
            e.fast_ticks = 0
        else:
            e.fast_ticks += 1
        if e.fast_ticks >= w.over_speed_ticks:
            return faults.OVER_SPEED
    return faults.NONE


def supply_fault(settings: "Settings", allowed: "Allowed", readings: "Readings") -> int:
    """Fault of supply or heat, or NONE."""
    limits = settings.limits
    if limits.supply_low_V > 0.0 and not readings.supply_V >= limits.supply_low_V:
        allowed.supply_low_ticks += 1
    else:
        allowed.supply_low_ticks = 0
    if allowed.supply_low_ticks >= limits.supply_ticks:
        return faults.SUPPLY_LOW
    if settings.heat.resistance_25_ohm > 0.0 and allowed.winding_C >= settings.heat.hot_C:
        return faults.TOO_HOT
    return faults.NONE


def standing_fault(settings: "Settings", state: "State", readings: "Readings") -> int:
    """Fault that can be seen whether driven or not, or NONE."""
    late = count_late(settings.watch, state.evidence, readings.steps)
    supply = supply_fault(settings, state.allowed, readings)
    travel = travel_fault(settings, state.evidence, state.sensed)
    sensor = sensor_fault(settings.sensor, state.sensed)
    if readings.outside_fault != faults.NONE:
        return readings.outside_fault
    if sensor != faults.NONE:
        return sensor
    if travel != faults.NONE:
        return travel
    if supply != faults.NONE:
        return supply
    return late


def wrong_way_fault(w: "Watch", e: "Evidence") -> int:
    """Fault of motion against the drive, or NONE."""
    if w.wrong_rad > 0.0 and e.wrong_rad > w.wrong_rad:
        return faults.REVERSED
    return faults.NONE


def motion_fault(w: "Watch", e: "Evidence", grip: int) -> int:
    """Fault that only a driven joint shows, or NONE; a grip may be blocked."""
    wrong = wrong_way_fault(w, e)
    if wrong != faults.NONE or grip == 1:
        return wrong
    if w.still_s > 0.0 and e.still_s > w.still_s:
        return faults.NO_MOTION
    if w.slow_s > 0.0 and e.slow_s > w.slow_s:
        return faults.BLOCKED
    return faults.NONE


def following_fault(w: "Watch", e: "Evidence", error: float, h: float) -> int:
    """Fault of a following error (rad) that lasts, or NONE."""
    if -w.following_rad <= error <= w.following_rad:
        e.far_s = 0.0
    else:
        e.far_s += h
    if w.following_rad > 0.0 and e.far_s > w.following_s:
        return faults.FOLLOWING
    return faults.NONE
