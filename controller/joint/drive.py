"""Stage 10: allowed voltage to the duty of a bridge or the width of a pulse.

Pulse drive (common practice, no source): the motor's own small board, with its
sensor input fixed at mid, takes the pulse width as a speed command, about
1.5 ms standing still, once every 20 ms frame. So the output is latched at the
frame; off means no pulse at all, at once.
"""

from controller.joint.settings.settings import BRIDGE

MYPY = False
if MYPY:  # types are for the checker only: a board has no typing module
    from controller.joint.settings.settings import Drive, Settings
    from controller.joint.state import Output


def duty(allowed: float, supply_V: float, most: float) -> float:
    """Duty in [-most, most] that gives ``allowed`` volts on average."""
    if not 0.0 < supply_V <= 1000.0:
        return 0.0
    share = allowed / supply_V
    if share > most:
        return most
    if share < -most:
        return -most
    return share


def pulse_width(s: "Drive", share: float) -> float:
    """Width (s) of the pulse for a share of full voltage in [-1, 1]."""
    if share > 0.0:
        return s.neutral_s + s.dead_s + share * s.full_s
    if share < 0.0:
        return s.neutral_s - s.dead_s + share * s.full_s
    return s.neutral_s


def switch_off(out: "Output") -> None:
    """Drive off: duty zero, or no pulse."""
    out.value = 0.0
    out.left_s = 0.0
    out.latched_V = 0.0


def put_out(
    settings: "Settings", out: "Output", allowed: float, supply_V: float, powered: bool, h: float
) -> None:
    """Latch the output for the coming tick into ``out`` (Output)."""
    s = settings.drive
    if not powered:
        switch_off(out)
        return
    share = duty(allowed, supply_V, settings.limits.full_duty)
    if s.kind == BRIDGE:
        out.value = share if s.sign >= 0 else -share
        out.latched_V = allowed
        return
    out.left_s -= h
    if out.left_s > 0.25 * h:
        return
    out.left_s += s.frame_s
    if out.left_s <= 0.0:
        out.left_s = s.frame_s
    out.value = pulse_width(s, share if s.sign >= 0 else -share)
    out.latched_V = allowed
