"""Stages 5 and 8: two-degree-of-freedom PID with feed-forward.

    u = kp*(b*r - y) + integral + kd*(c*rdot - yf) + kv*rdot + ka*rddot + friction
    yf: backward difference of a first-order filter, Tf*yf' + yf = ydot:
        yf = (Tf * yf + (y - last y)) / (Tf + h)
    integral += ki * e * h + (applied - u) * h / Tt      (after the limits)

r, y: wanted and measured angle (rad), h: tick period times ticks elapsed. The
first tick after a reset has yf = 0 (no kick). The integral follows the voltage
that was really applied (tracking, time constant Tt: K. J. Astrom and T.
Hagglund, "PID Controllers", 2nd ed. 1995, sec. 3.5) and is inert when ki is 0.
Inside a dead band with hysteresis the integral rests, so that backlash and
stiction do not make it hunt.
"""


def reset(loop, angle):
    """Start at ``angle`` (rad) with an empty integral."""
    loop.integral_V = 0.0
    loop.derivative_rad_s = 0.0
    loop.last_rad = angle
    loop.started = 0
    loop.resting = 0
    loop.error_rad = 0.0
    loop.demand_V = 0.0


def filter_speed(g, loop, angle, h):
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


def rest(g, loop, error):
    """Decide whether the integral rests (dead band with hysteresis, rad)."""
    if error < 0.0:
        error = -error
    if error < g.rest_in_rad:
        loop.resting = 1
    elif error > g.rest_out_rad:
        loop.resting = 0


def scheduled_kp(g, error):
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


def friction_feed(g, want_rad_s):
    """Voltage (V) against dry friction, faded in over a small wanted speed."""
    share = want_rad_s / g.friction_speed_rad_s
    if share > 1.0:
        share = 1.0
    elif share < -1.0:
        share = -1.0
    return g.friction_feed_V * share


def demand(g, loop, motion, angle, h):
    """Stage 5: return the demanded voltage (V) at measured ``angle`` (rad)."""
    error = motion.want_rad - angle
    loop.error_rad = error
    rest(g, loop, error)
    speed = filter_speed(g, loop, angle, h)
    want = motion.want_rad_s
    pull = error - (1.0 - g.setpoint_weight) * motion.want_rad
    u = scheduled_kp(g, error) * pull + loop.integral_V
    u += g.kd * (g.rate_weight * want - speed)
    u += g.speed_feed * want + g.acceleration_feed * motion.want_rad_s2
    if g.friction_feed_V > 0.0:
        u += friction_feed(g, want)
    loop.demand_V = u
    return u


def settle(g, loop, applied, h):
    """Stage 8: let the integral follow what was really applied (V)."""
    if g.ki <= 0.0:
        return
    if loop.resting == 0:
        loop.integral_V += g.ki * loop.error_rad * h
    if applied != loop.demand_V:
        share = h / g.tracking_s
        if share > 1.0:
            share = 1.0
        loop.integral_V += (applied - loop.demand_V) * share


def standard_form(kp, ki, kd):
    """Parallel gains to standard form: (Kp, Ti, Td); Ti is 0 where ki is 0."""
    return kp, (kp / ki if ki > 0.0 else 0.0), (kd / kp if kp > 0.0 else 0.0)


def parallel_form(kp, ti, td):
    """Standard form (Kp, Ti in s, Td in s; Ti 0 is no integral) to (kp, ki, kd)."""
    return kp, (kp / ti if ti > 0.0 else 0.0), kp * td
