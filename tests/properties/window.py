"""The window of the force limit and the supply, worked out apart from the controller.

From the chain of the limits: the current of the mode, less what a warm winding leaves, times
the cold resistance, around the back-EMF; never more than the supply gives.
"""

from controller.joint.modes import open_loop


def share_left(heat, winding_C):
    """Share of the current limit that the warm winding leaves: one straight line."""
    if heat.resistance_25_ohm <= 0.0:
        return 1.0
    return min(max((heat.hot_C - winding_C) / (heat.hot_C - heat.warm_C), 0.0), 1.0)


def window(settings, mode, winding_C, speed, supply):
    """Lowest and highest voltage (V) that may be applied; speed (rad/s), supply (V).

    mode: the record of the joint's mode. A controlled stop keeps the limit of what it ends.
    """
    s = settings.limits
    amps = s.check_current_A
    if not open_loop(mode):
        amps = s.grip_current_A if mode.grip else s.current_A
    reach = s.resistance_ohm * amps * share_left(settings.heat, winding_C)
    emf = s.back_emf_V_s * speed
    # a fitted sensor is believed within a tenth of the force window of what the speed says
    doubt = 0.1 * s.resistance_ohm * s.current_A if s.current_fitted else 0.0
    most = supply * s.full_duty if 0.0 <= supply <= 1000.0 else 0.0
    low = max(-reach + min(emf - doubt, 0.0), -most)
    return low, min(reach + max(emf + doubt, 0.0), most)
