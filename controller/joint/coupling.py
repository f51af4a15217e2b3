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


def fill(row: "Across", own: "State", states: "Any") -> None:
    """Put into ``own`` what the joints of the row want and do (rad/s, rad/s^2 of this joint)."""
    want = 0.0
    push = 0.0
    seen = 0.0
    count = len(states)
    if 0 <= row.joint_1 < count:
        other = states[row.joint_1]
        share = row.share_1 * wanted(other)
        want += share * other.motion.want_rad_s
        push += share * other.motion.want_rad_s2
        seen += row.share_1 * trusted(other) * other.sensed.speed_rad_s
    if 0 <= row.joint_2 < count:
        other = states[row.joint_2]
        share = row.share_2 * wanted(other)
        want += share * other.motion.want_rad_s
        push += share * other.motion.want_rad_s2
        seen += row.share_2 * trusted(other) * other.sensed.speed_rad_s
    if 0 <= row.joint_3 < count:
        other = states[row.joint_3]
        share = row.share_3 * wanted(other)
        want += share * other.motion.want_rad_s
        push += share * other.motion.want_rad_s2
        seen += row.share_3 * trusted(other) * other.sensed.speed_rad_s
    own.motion.across_rad_s = want
    own.motion.across_rad_s2 = push
    own.sensed.across_rad_s = seen
