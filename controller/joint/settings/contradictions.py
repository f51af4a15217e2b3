"""What single ranges cannot say: settings that contradict each other.

Run by the host before sending and by the board before taking over, with the
same code. Returns the dotted name of the setting to change, or None.
"""

from controller.joint.settings.settings import CONTINUOUS, PULSE
from controller.records import out_of_range

MYPY = False
if MYPY:  # types are for the checker only: a board has no typing module
    from controller.joint.settings.settings import Drive, Settings

SLOWEST_S = 0.2  # four steps of the thermal model (limits.HEAT_STEP_S)
WARMEST = 1.001  # of the resistance at 25 degC; rounding of single precision
HALF_ULP = 5.9604645e-08  # of a single-precision number of size one


def integral_stuck(settings: "Settings") -> bool:
    """Tell whether one count of error cannot move a full integral in single precision.

    ki * tick * (one count) must exceed half a unit in the last place of the
    integral's bound.
    """
    g = settings.gains
    if g.ki <= 0.0:
        return False
    count = settings.sensor.rad_per_count
    if count < 0.0:
        count = -count
    return g.ki * settings.tick_s * count <= HALF_ULP * g.integral_limit_V


def rest_voltage(settings: "Settings") -> float:
    """Largest voltage (V) that the limits let out at rest: self-test and release included."""
    limits, stopping = settings.limits, settings.stopping
    most = limits.resistance_ohm * limits.current_A
    weak = stopping.check_V if stopping.check_V > stopping.release_V else stopping.release_V
    reach = limits.resistance_ohm * limits.check_current_A
    if weak > reach:
        weak = reach
    return most if most > weak else weak


def crosses_itself(settings: "Settings", place: int) -> bool:
    """Tell whether the joint at this place of its board is said to cross its own cable."""
    row = settings.across
    return row.joint_1 == place or row.joint_2 == place or row.joint_3 == place


def pulse_wrong(d: "Drive") -> "str | None":
    """Setting by which a pulse would not be one: width (s) below zero, or longer than its frame."""
    reach = d.dead_s + d.full_s
    if d.neutral_s <= reach:
        return "drive.full_s"
    if d.neutral_s + reach >= d.frame_s:
        return "drive.frame_s"
    return None


def contradiction(settings: "Settings") -> "str | None":
    """Dotted name of the first setting that cannot stand beside the others, or None."""
    found = out_of_range(settings)
    if found is not None:
        return found
    s, limits, g = settings.sensor, settings.limits, settings.gains
    if s.rail_low_counts >= s.rail_high_counts or s.rail_high_counts > s.counts_top:
        return "sensor.rail_high_counts"
    if s.rad_per_count == 0.0:
        return "sensor.rad_per_count"
    if g.rest_out_rad < g.rest_in_rad:
        return "gains.rest_out_rad"
    if integral_stuck(settings):
        return "gains.integral_limit_V"
    if settings.drive.sign == 0:
        return "drive.sign"
    if settings.drive.kind == PULSE:
        wrong = pulse_wrong(settings.drive)
        if wrong is not None:
            return wrong
    if limits.grip_current_A > limits.current_A:
        return "limits.grip_current_A"
    h = settings.heat
    if h.hot_C <= h.warm_C:
        return "heat.hot_C"
    conducted = 1.0 / h.winding_K_W + 1.0 / h.case_K_W  # from the case, both ways
    if h.resistance_25_ohm > 0.0:  # the window is R times I: R is the coldest that can be
        if limits.resistance_ohm > WARMEST * (h.resistance_25_ohm + h.driver_ohm):
            return "limits.resistance_ohm"
    if h.winding_J_K * h.winding_K_W < SLOWEST_S or h.case_J_K < SLOWEST_S * conducted:
        return "heat.winding_J_K"  # the model's steps would swing
    if s.travel == CONTINUOUS:
        if s.wipers == 1 and settings.profile.speed_rad_s * s.blind_limit_s < s.gap_rad:
            return "profile.speed_rad_s"  # no move could ever cross the dead gap
        return None
    if not limits.travel_low_rad < limits.travel_high_rad:
        return "limits.travel_high_rad"
    if limits.command_low_rad < limits.travel_low_rad:
        return "limits.command_low_rad"
    if limits.command_high_rad > limits.travel_high_rad:
        return "limits.command_high_rad"
    if not limits.command_low_rad < limits.command_high_rad:
        return "limits.command_high_rad"
    return None
