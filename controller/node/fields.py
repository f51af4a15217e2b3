"""Telemetry fields of a joint, by their place in ``messages.FIELDS``."""

MYPY = False
if MYPY:  # types are for the checker only: a board has no typing module
    from controller.joint.settings.safety_settings import Limits
    from controller.joint.settings.settings import Settings
    from controller.joint.state import Readings, Report


def force(limits: "Limits", current_A: float) -> float:
    """Estimated fingertip force (N) of a winding current (A); friction taken off."""
    if current_A > limits.loss_A:
        return (current_A - limits.loss_A) * limits.newton_per_A
    if current_A < -limits.loss_A:
        return (current_A + limits.loss_A) * limits.newton_per_A
    return 0.0


def value_of(settings: "Settings", readings: "Readings", r: "Report", field: int) -> float:
    """Value of a field, as it is sent."""
    if field == 0:
        return r.angle_rad
    if field == 1:
        return r.setpoint_rad
    if field == 2:
        return r.allowed_V
    if field == 3:
        return force(settings.limits, r.current_A)
    if field == 4:
        return r.speed_rad_s
    if field == 5:
        return r.demand_V
    if field == 6:
        return r.current_A
    if field == 7:
        return r.winding_C
    if field == 8:
        return readings.supply_V
    if field == 9:
        return readings.counts
    if field == 10:
        return r.mode
    if field == 11:
        return r.fault
    if field == 12:
        return r.limits
    return r.turn
