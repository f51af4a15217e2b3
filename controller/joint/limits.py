"""Stage 6: demanded to allowed voltage.

The chain from fingertip to voltage ends here: the host has turned the tip
force limit into a winding current (``sim/joint/settings.py``), and the current
into a voltage window around the back-EMF,

    high = max(K w, 0) + R I,   low = min(K w, 0) - R I,

with the coldest (pessimistic) resistance. Zero is always inside, so the force
limit never drives, and braking is never weakened by it. In order: speed and
travel (a speed cap that shrinks to zero at the soft ends), force with heat
derating and supply, slew, and once more force and supply, which always win.
Each limit that bound sets its bit.
"""

from controller.joint import heat
from controller.joint.settings.settings import LIMITED
from controller.portable import const, sqrt

MYPY = False
if MYPY:  # types are for the checker only: a board has no typing module
    from controller.joint.settings.safety_settings import Limits
    from controller.joint.settings.settings import Settings
    from controller.joint.state import Allowed, Sensed

TRAVEL = const(1)
"Soft end of travel: braking before it, or no drive beyond it."
SPEED = const(2)
"Joint speed."
FORCE = const(4)
"Fingertip force, as winding current."
SLEW = const(8)
"Change of voltage per time."
SUPPLY = const(16)
"More voltage asked for than the supply has."
HEAT = const(32)
"The force limit is lowered because the winding is warm."
WEAK = const(64)
"The force limit is the lower one of gripping, checking or releasing."


MELTED_C = const(1000.0)
SENSOR_TRUST = const(0.1)
HEAT_STEP_S = const(0.05)  # the winding warms in seconds: no need to ask every tick


def reset(st: "Allowed") -> None:
    """Forget the last voltage (temperatures and their history stand)."""
    st.last_V = 0.0
    st.bits = 0


def slew(s: "Limits", st: "Allowed", u: float, h: float) -> float:
    """Bound the change of voltage since the last tick (V)."""
    if s.slew_V_s <= 0.0:
        return u
    reach = s.slew_V_s * h
    if u > st.last_V + reach:
        st.bits |= SLEW
        return st.last_V + reach
    if u < st.last_V - reach:
        st.bits |= SLEW
        return st.last_V - reach
    return u


def cap_voltage(s: "Limits", cap: float, speed: float) -> float:
    """Voltage (V) that holds ``speed`` at ``cap`` (rad/s, both in one direction).

    Back-EMF of the cap, pull-back beyond it, and what dry friction takes: the
    last fades out with the cap, so that nothing pushes at a soft end.
    """
    friction = s.friction_V * cap / (cap + 0.2)
    return s.back_emf_V_s * cap + s.speed_gain_V_s * (cap - speed) + friction


def speed_cap(s: "Limits", room: float, most: float) -> float:
    """Highest speed (rad/s) towards a soft end that is ``room`` (rad) away."""
    if room <= 0.0:
        return 0.0
    cap = sqrt(2.0 * s.brake_rad_s2 * room)
    return cap if cap < most else most


def cap_speed(
    s: "Limits", st: "Allowed", travel: int, u: float, angle: float, speed: float, most: float
) -> float:
    """Bound voltage so that speed stays within the cap in both directions."""
    up = most
    down = most
    if travel == LIMITED:
        up = speed_cap(s, s.travel_high_rad - angle, most)
        down = speed_cap(s, angle - s.travel_low_rad, most)
    # A push up while moving up can break only the upper bound, and so on.
    if u > 0.0 or speed > 0.0:
        high = cap_voltage(s, up, speed)
        if u > high:
            st.bits |= SPEED if up == most else TRAVEL
            return high
    if u < 0.0 or speed < 0.0:
        low = -cap_voltage(s, down, -speed)
        if u < low:
            st.bits |= SPEED if down == most else TRAVEL
            return low
    return u


def force_window(s: "Limits", st: "Allowed", emf: float, amps: float, supply_V: float) -> None:
    """Set the window (V) of force limit and supply around the back-EMF (V)."""
    reach = s.resistance_ohm * amps
    st.high_V = reach + (emf if emf > 0.0 else 0.0)
    st.low_V = -reach + (emf if emf < 0.0 else 0.0)
    most = supply_V * s.full_duty
    if not 0.0 <= most <= 1000.0:  # no reading of a supply: no drive
        most = 0.0
    if st.high_V > most:
        st.high_V = most
    if st.low_V < -most:
        st.low_V = -most


def clip_to_window(st: "Allowed", u: float, supply_V: float) -> float:
    """Clip to the window of this tick and say by bits what bound."""
    if u > st.high_V:
        st.bits |= SUPPLY if st.high_V >= supply_V else FORCE
        return st.high_V
    if u < st.low_V:
        st.bits |= SUPPLY if -st.low_V >= supply_V else FORCE
        return st.low_V
    return u


def allow(
    settings: "Settings",
    st: "Allowed",
    u: float,
    sensed: "Sensed",
    supply_V: float,
    emf: float,
    amps: float,
    most: float,
    h: float,
) -> float:
    """Stage 6: return the allowed voltage (V) for a demand ``u`` (V).

    amps: current limit in force (A); most: speed limit in force (rad/s); emf:
    estimated back-EMF (V); h: time since the last tick (s).
    """
    s = settings.limits
    st.bits = 0
    if not -1.0e6 < u < 1.0e6:  # not a number, or infinite: never let it out
        u = 0.0
    u = cap_speed(s, st, settings.sensor.travel, u, sensed.angle_rad, sensed.speed_rad_s, most)
    share = heat.derating(settings.heat, st.winding_C)
    if share < 1.0:
        st.bits |= HEAT
    force_window(s, st, emf, amps * share, supply_V)
    u = clip_to_window(st, u, supply_V * s.full_duty)
    u = slew(s, st, u, h)
    if u > st.high_V:
        return st.high_V
    return u if u >= st.low_V else st.low_V


def back_emf(s: "Limits", st: "Allowed", sensed: "Sensed", current_A: float) -> float:
    """Back-EMF (V) from the speed, or from a fitted current sensor (A).

    The sensor is believed as far as ``SENSOR_TRUST`` of the force window from what
    the speed says: a dead one must not open the window tick by tick, and what is no
    number ends at the lower bound.
    """
    by_speed = s.back_emf_V_s * (sensed.speed_rad_s + sensed.across_rad_s)
    if (
        sensed.blind_s > 0.0
    ):  # a speed that nobody sees opens no window: something may be in the way
        by_speed = 0.0
    if s.current_fitted != 1:
        return by_speed
    emf = st.last_V - s.resistance_ohm * current_A
    trust = SENSOR_TRUST * s.resistance_ohm * s.current_A
    if emf > by_speed + trust:
        return by_speed + trust
    return emf if emf >= by_speed - trust else by_speed - trust


def account(
    settings: "Settings", st: "Allowed", applied: float, emf: float, current_A: float, h: float
) -> None:
    """Estimate current and heat of the tick that is beginning (V, V, A, s)."""
    s = settings.heat
    if s.resistance_25_ohm <= 0.0:
        winding = 0.0
        amps = (applied - emf) / settings.limits.resistance_ohm
    else:
        winding = heat.resistance(s.resistance_25_ohm, st.winding_C)
        amps = (applied - emf) / (winding + s.driver_ohm)
    if settings.limits.current_fitted == 1 and -1.0e3 < current_A < 1.0e3:
        amps = current_A
    st.current_A = amps
    st.last_V = applied
    if s.resistance_25_ohm > 0.0:
        st.heat_J += winding * amps * amps * h
        st.heat_s += h
        if st.heat_s >= HEAT_STEP_S:
            heat.warm_up(s, st, st.heat_J / st.heat_s, st.heat_s)
            if st.winding_C > MELTED_C:  # whatever the sensor says, a number it stays
                st.winding_C = MELTED_C
            if st.case_C > MELTED_C:
                st.case_C = MELTED_C
            st.heat_J = 0.0
            st.heat_s = 0.0
