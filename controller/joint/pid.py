"""Stages 5 and 8: two-degree-of-freedom PID with feed-forward.

    u = kp*(e - (1 - b)*(r - r0)) + integral + kd*(c*rdot - yf) + kv*rdot + ka*rddot + friction
    yf: backward difference of a first-order filter, Tf*yf' + yf = ydot:
        yf = (Tf * yf + (y - last y)) / (Tf + h)
    integral += ki * e * h + (applied - u) * h / Tt      (after the limits)

r, y: wanted and measured angle (rad), e = r - y, r0: where the loop was started
(b*r - y, measured from there, so that no angle is special), h: tick period times ticks elapsed. The
first tick after a reset has yf = 0 (no kick). The integral follows the voltage
that was really applied (tracking, time constant Tt: K. J. Astrom and T.
Hagglund, "PID Controllers", 2nd ed. 1995, sec. 3.5), within a bound of its
own, and is inert when ki is 0.

Inside a dead band with hysteresis the loop rests: the integral stands, the
derivative is off and the proportional term takes the low-passed error. So
backlash and stiction do not make it hunt, and sensor noise neither buzzes nor
makes the joint creep through its friction. Outside the dead band a constant
help against stiction brings the joint home before the integral has to.
"""

MYPY = False
if MYPY:  # types are for the checker only: a board has no typing module
    from controller.joint.settings.settings import Gains
    from controller.joint.state import Loop, Motion


def reset(loop: "Loop", angle: float) -> None:
    """Start at ``angle`` (rad) with an empty integral."""
    loop.integral_V = 0.0
    loop.derivative_rad_s = 0.0
    loop.last_rad = angle
    loop.origin_rad = angle
    loop.started = 0
    loop.resting = 0
    loop.error_rad = 0.0
    loop.calm_rad = 0.0
    loop.demand_V = 0.0


def filter_speed(g: "Gains", loop: "Loop", angle: float, h: float) -> float:
    """Update and return the filtered speed (rad/s) of the measured angle."""
    if loop.started == 0:
        loop.started = 1
        loop.last_rad = angle
        return 0.0
    lag = g.derivative_filter_s
    speed = (lag * loop.derivative_rad_s + (angle - loop.last_rad)) / (lag + h)
    loop.last_rad = angle
    loop.derivative_rad_s = speed
    return speed


def rest(g: "Gains", loop: "Loop", error: float, setpoint_rad_s: float, h: float) -> None:
    """Decide whether the loop rests (dead band with hysteresis, rad).

    By the low-passed error: noise alone must neither wake it nor put it to
    rest. A moving setpoint or a moving joint keeps it awake.
    """
    if g.rest_in_rad <= 0.0:
        return
    calm = loop.calm_rad + (error - loop.calm_rad) * (h / (g.rest_filter_s + h))
    loop.calm_rad = calm
    away = error - calm
    if away < 0.0:
        away = -away
    if calm < 0.0:
        calm = -calm
    if calm > g.rest_out_rad or setpoint_rad_s != 0.0 or away > 4.0 * g.rest_out_rad:
        loop.resting = 0
    elif calm < g.rest_in_rad and away < 2.0 * g.rest_out_rad:
        loop.resting = 1


def scheduled_kp(g: "Gains", error: float) -> float:
    """Proportional gain (V/rad) at this error: near_factor*kp close to zero."""
    if g.near_rad <= 0.0:
        return g.kp
    if error < 0.0:
        error = -error
    fade = error / g.near_rad - 1.0
    if fade >= 1.0:
        return g.kp
    if fade < 0.0:
        fade = 0.0
    return g.kp * (g.near_factor + (1.0 - g.near_factor) * fade)


def friction_feed(g: "Gains", setpoint_rad_s: float) -> float:
    """Voltage (V) against dry friction, faded in over a small wanted speed."""
    share = setpoint_rad_s / g.friction_speed_rad_s
    if share > 1.0:
        share = 1.0
    elif share < -1.0:
        share = -1.0
    return g.friction_feed_V * share


def breakaway_feed(g: "Gains", error: float) -> float:
    """Voltage (V) towards the setpoint outside the dead band, against stiction.

    Without it the proportional term alone stands still at an error of friction
    voltage over kp, and only the integral brings the joint home. Zero inside
    the dead band; for errors that swing by some dead bands it adds gain, most at about
    twice its width (``sim/tune/margins.py``: ``help_gain``), which tuning bounds.
    """
    most = g.breakaway_feed_V
    if error < 0.0:
        most = -most
        error = -error
    beyond = error - g.rest_out_rad
    if beyond <= 0.0:
        return 0.0
    if beyond >= g.rest_out_rad:
        return most
    return most * beyond / g.rest_out_rad


def held_back(g: "Gains", loop: "Loop", motion: "Motion") -> float:
    """What the setpoint weight keeps from the proportional term (rad): (1 - b)(r - r0)."""
    return (1.0 - g.setpoint_weight) * (motion.setpoint_rad - loop.origin_rad)


def demand(g: "Gains", loop: "Loop", motion: "Motion", angle: float, h: float) -> float:
    """Stage 5: return the demanded voltage (V) at measured ``angle`` (rad)."""
    error = motion.setpoint_rad - angle
    loop.error_rad = error
    drum = motion.setpoint_rad_s + motion.across_rad_s
    rest(g, loop, error, drum, h)
    speed = filter_speed(g, loop, angle, h)
    want = motion.setpoint_rad_s
    if loop.resting == 1:
        pull = loop.calm_rad - held_back(g, loop, motion)
        loop.demand_V = scheduled_kp(g, loop.calm_rad) * pull + loop.integral_V
        return loop.demand_V
    pull = error - held_back(g, loop, motion)
    u = scheduled_kp(g, error) * pull + loop.integral_V
    u += g.kd * (g.rate_weight * want - speed)
    push = motion.setpoint_rad_s2 + motion.across_rad_s2
    u += g.speed_feed * drum + g.acceleration_feed * push
    if g.friction_feed_V > 0.0:
        u += friction_feed(g, drum)
    if g.breakaway_feed_V > 0.0:
        u += breakaway_feed(g, error)
    loop.demand_V = u
    return u


def settle(g: "Gains", loop: "Loop", applied: float, h: float) -> None:
    """Stage 8: let the integral follow what was really applied (V)."""
    if g.ki <= 0.0:
        return
    integral = loop.integral_V
    if loop.resting == 0:
        integral += g.ki * loop.error_rad * h
    if applied != loop.demand_V:
        share = h / g.tracking_s
        if share > 1.0:
            share = 1.0
        integral += (applied - loop.demand_V) * share
    most = g.integral_limit_V
    if not -1.0e6 <= integral <= 1.0e6:
        integral = 0.0  # never let what is no number live on
    if integral > most:
        integral = most
    elif integral < -most:
        integral = -most
    loop.integral_V = integral


def standard_form(kp: float, ki: float, kd: float) -> tuple[float, float, float]:
    """Parallel gains to standard form: (Kp, Ti, Td); Ti is 0 where ki is 0."""
    return kp, (kp / ki if ki > 0.0 else 0.0), (kd / kp if kp > 0.0 else 0.0)


def parallel_form(kp: float, ti: float, td: float) -> tuple[float, float, float]:
    """Standard form (Kp, Ti in s, Td in s; Ti 0 is no integral) to (kp, ki, kd)."""
    return kp, (kp / ti if ti > 0.0 else 0.0), kp * td
