"""Cables that cross other joints: what this joint's drum must turn when the others move.

A cable's path over another joint changes with that joint's angle; the drum has to
take it up, or this joint moves. In terms of this joint's own speed that is

    across = sum_j share_j * speed_j,   share_j = moment arm there / own moment arm

(excursion = moment-arm matrix x joint speeds, one row a joint; L.-W. Tsai, "Robot
Analysis", 1999, sec. 7.2). The wanted speeds feed forward; the seen ones tell limits
and fault watch how fast the drum really turns.
"""

from controller.joint import faults, modes

MYPY = False
if MYPY:  # types are for the checker only: a board has no typing module
    from typing import Any

    from controller.joint.settings.settings import Across
    from controller.joint.state import State


def crosses(row: "Across") -> bool:
    """Tell whether this joint's cables cross any other joint."""
    return row.joint_1 >= 0 or row.joint_2 >= 0 or row.joint_3 >= 0


def wanted(state: "State") -> float:
    """Share of a joint's setpoint that counts: none where it is not driven."""
    return 1.0 if modes.driven(state.mode.mode) else 0.0


def trusted(state: "State") -> float:
    """Share of a joint's speed that counts: none where its sensor tells nothing.

    A speed that is carried on after the sensor failed would open the force window of
    the joint whose cables cross there, for ever.
    """
    s = state.sensed
    if s.started == 0 or s.odd_ticks > 0 or s.blind_s > 0.0:
        return 0.0
    fault = state.mode.fault
    if fault == faults.WIPER_RAIL or fault == faults.SENSOR_JUMP:
        return 0.0
    if fault == faults.SENSOR_HELD or fault == faults.BLIND:
        return 0.0
    return 1.0


def begin(own: "State") -> None:
    """No other joint moves the drum, as far as is known."""
    own.motion.across_rad_s = 0.0
    own.motion.across_rad_s2 = 0.0
    own.sensed.across_rad_s = 0.0


def add(own: "State", share: float, other: "State") -> None:
    """Put into ``own`` what one joint that is crossed wants and does (rad/s, rad/s^2 of this joint)."""
    counted = share * wanted(other)
    own.motion.across_rad_s += counted * other.motion.setpoint_rad_s
    own.motion.across_rad_s2 += counted * other.motion.setpoint_rad_s2
    own.sensed.across_rad_s += share * trusted(other) * other.sensed.speed_rad_s


def fill(row: "Across", own: "State", states: "Any") -> None:
    """Put into ``own`` what all joints of the row want and do."""
    count = len(states)
    begin(own)
    if 0 <= row.joint_1 < count:
        add(own, row.share_1, states[row.joint_1])
    if 0 <= row.joint_2 < count:
        add(own, row.share_2, states[row.joint_2])
    if 0 <= row.joint_3 < count:
        add(own, row.share_3, states[row.joint_3])
