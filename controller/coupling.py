"""Cables that cross other joints: what this joint's drum must turn when the others move.

A cable's path over another joint changes with that joint's angle; the drum has to
take it up, or this joint moves. In terms of this joint's own speed that is

    across = sum_j share_j * speed_j,   share_j = moment arm there / own moment arm

(excursion = moment-arm matrix x joint speeds, one row a joint; L.-W. Tsai, "Robot
Analysis", 1999, sec. 7.2). The wanted speeds feed forward; the seen ones tell limits
and fault watch how fast the drum really turns.
"""

MYPY = False
if MYPY:  # types are for the checker only: a board has no typing module
    from typing import Any

    from controller.settings import Across
    from controller.state import State


def crosses(row: "Across") -> bool:
    """Tell whether this joint's cables cross any other joint."""
    return row.joint_1 >= 0 or row.joint_2 >= 0 or row.joint_3 >= 0


def fill(row: "Across", own: "State", states: "Any") -> None:
    """Put into ``own`` what the joints of the row want and do (rad/s, rad/s^2 of this joint)."""
    want = 0.0
    push = 0.0
    seen = 0.0
    count = len(states)
    if 0 <= row.joint_1 < count:
        want += row.share_1 * states[row.joint_1].motion.want_rad_s
        push += row.share_1 * states[row.joint_1].motion.want_rad_s2
        seen += row.share_1 * states[row.joint_1].sensed.speed_rad_s
    if 0 <= row.joint_2 < count:
        want += row.share_2 * states[row.joint_2].motion.want_rad_s
        push += row.share_2 * states[row.joint_2].motion.want_rad_s2
        seen += row.share_2 * states[row.joint_2].sensed.speed_rad_s
    if 0 <= row.joint_3 < count:
        want += row.share_3 * states[row.joint_3].motion.want_rad_s
        push += row.share_3 * states[row.joint_3].motion.want_rad_s2
        seen += row.share_3 * states[row.joint_3].sensed.speed_rad_s
    own.motion.across_rad_s = want
    own.motion.across_rad_s2 = push
    own.sensed.across_rad_s = seen
