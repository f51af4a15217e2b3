"""What may be commanded: kinds of setpoint, refusals, and the turn that is meant."""

from controller.joint.angles import TURN_RAD, wrapped
from controller.joint.settings.settings import CONTINUOUS
from controller.portable import const

MYPY = False
if MYPY:  # types are for the checker only: a board has no typing module
    from controller.joint.settings.settings import Sensor, Settings
    from controller.joint.state import Command, Motion, Sensed

# command.kind
TO_TARGET = const(1)
STREAMED = const(2)
HOLD_HERE = const(3)


def in_gap(s: "Sensor", angle: float) -> bool:
    """Tell whether ``angle`` (rad) lies in the dead gap of the sensor."""
    if s.gap_rad <= 0.0 or s.wipers == 2:
        return False
    apart = wrapped(angle - s.gap_from_rad - 0.5 * s.gap_rad)
    return -0.5 * s.gap_rad <= apart <= 0.5 * s.gap_rad


def acceptable(settings: "Settings", command: "Command") -> bool:
    """Tell whether a setpoint may be followed: in range, finite, not in the gap."""
    angle = command.target_rad
    speed = command.target_rad_s
    if settings.sensor.travel == CONTINUOUS:
        if not -TURN_RAD <= angle <= TURN_RAD or in_gap(settings.sensor, angle):
            return False
    elif not settings.limits.command_low_rad <= angle <= settings.limits.command_high_rad:
        return False
    if command.kind == STREAMED:
        most = settings.limits.speed_rad_s
        return -most <= speed <= most and 0.0 < command.span_s <= 10.0
    return True


def aimed(command: "Command", flags: int, angle_rad: float, turn: int) -> None:
    """Make a command of a target as it comes over the link (flags: 1 grip, 2 absolute turn)."""
    command.kind = TO_TARGET
    command.grip = flags & 1
    command.way = flags >> 1 & 1
    command.target_rad = angle_rad
    command.target_rad_s = 0.0
    command.turn = turn


def lowest(settings: "Settings") -> float:
    """Angle (rad) of the lowest streamed setpoint."""
    return (
        -0.5 * TURN_RAD if settings.sensor.travel == CONTINUOUS else settings.limits.command_low_rad
    )


def highest(settings: "Settings") -> float:
    """Angle (rad) of the highest streamed setpoint."""
    return (
        0.5 * TURN_RAD if settings.sensor.travel == CONTINUOUS else settings.limits.command_high_rad
    )


def streamed(settings: "Settings", command: "Command", share: int, rate: int, span_ms: int) -> None:
    """Make a command of a streamed setpoint: share of the range in 65535ths, of the speed limit in 32767ths."""
    low = lowest(settings)
    high = highest(settings)
    command.grip = 0
    command.way = 0
    command.target_rad = low + share * (high - low) / 65535.0
    if command.target_rad > high:  # the last bit of the highest step
        command.target_rad = high
    command.target_rad_s = rate * settings.limits.speed_rad_s / 32767.0
    command.span_s = span_ms * 1.0e-3
    command.kind = STREAMED


def goal_turn(settings: "Settings", motion: "Motion", sensed: "Sensed", command: "Command") -> int:
    """Whole turn (absolute) in which the commanded angle lies."""
    if settings.sensor.travel != CONTINUOUS:
        return 0
    if command.way == 1:
        return command.turn
    away = wrapped(command.target_rad - motion.setpoint_rad)
    turns = (motion.setpoint_rad + away - command.target_rad) / TURN_RAD
    whole = int(turns + 0.5) if turns >= 0.0 else -int(0.5 - turns)
    return sensed.base_turn + whole
