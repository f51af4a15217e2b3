"""From the controller's output to bridge duty: four kinds of drive.

0 bridge: the output is the duty. 1, 2: the motor's own small pulse amplifier, its
sensor input fixed at mid, turns pulse width into a duty; a proportional one
holds duty = error / full, a stretching one drives fully for that share of
the frame and then brakes. 3: the motor's original closed loop, which compares
the pulse with the joint's own potentiometer. Behaviour of such amplifiers: common
practice, no source; their constants are guesses and say so in sim/README.md.
"""

from sim.joint.part import BRIDGE, BUILTIN, PROPORTIONAL_AMPLIFIER, STRETCHED_AMPLIFIER

MYPY = False
if MYPY:  # types are for the checker only: a board has no typing module
    from sim.joint.part import Part, Plant
    from sim.model.schedule import Run


def clip(x: float, most: float) -> float:
    """Clip ``x`` to [-most, most]."""
    if x > most:
        return most
    if x < -most:
        return -most
    return x


def amplifier_share(p: "Part", width: float) -> float:
    """Share of full drive in [-1, 1] that a pulse width (s) asks for."""
    away = width - p.amplifier_neutral_s
    if away > p.amplifier_dead_s:
        return clip((away - p.amplifier_dead_s) / p.amplifier_full_s, 1.0)
    if away < -p.amplifier_dead_s:
        return clip((away + p.amplifier_dead_s) / p.amplifier_full_s, 1.0)
    return 0.0


def builtin_share(p: "Part", x: "Plant", setpoint_rad: float) -> float:
    """The original loop: proportional with a dead band, on the joint's angle."""
    away = setpoint_rad - x.joint_rad
    if -p.amplifier_dead_rad < away < p.amplifier_dead_rad:
        return 0.0
    return clip(away / p.amplifier_full_rad, 1.0)


def drive_duty(
    p: "Part", x: "Plant", run: "Run", value: float, setpoint_rad: float, h: float
) -> float:
    """Duty of the bridge for the coming ``h`` seconds, as the motor's wires take it.

    ``value`` is the controller's output (duty, or pulse width in s, 0 none). Exactly
    zero is off: the motor coasts.
    """
    found = own_duty(p, x, run, value, setpoint_rad, h)
    return found if p.wires >= 0 else -found


def own_duty(
    p: "Part", x: "Plant", run: "Run", value: float, setpoint_rad: float, h: float
) -> float:
    """Duty that bridge or motor's amplifier puts out."""
    x.coasting = 1 if value == 0.0 else 0
    if p.amplifier == BRIDGE:
        return clip(value, 1.0)
    if value <= 0.0:
        run.on_left_s = 0.0
        return 0.0
    run.frame_left_s -= h
    if run.frame_left_s <= 0.25 * h:
        run.frame_left_s += p.amplifier_frame_s
        if p.amplifier == BUILTIN:
            run.amplifier_duty = builtin_share(p, x, setpoint_rad)
        else:
            run.amplifier_duty = amplifier_share(p, value)
        share = run.amplifier_duty if run.amplifier_duty >= 0.0 else -run.amplifier_duty
        run.on_left_s = share * p.amplifier_frame_s
    if p.amplifier == PROPORTIONAL_AMPLIFIER or p.amplifier == BUILTIN:
        return run.amplifier_duty
    return stretched(run, h) if p.amplifier == STRETCHED_AMPLIFIER else 0.0


def stretched(run: "Run", h: float) -> float:
    """Average duty over ``h`` of full drive that lasts on_left_s more."""
    on = run.on_left_s
    if on <= 0.0:
        return 0.0
    share = 1.0 if on >= h else on / h
    run.on_left_s = on - h
    return share if run.amplifier_duty > 0.0 else -share
