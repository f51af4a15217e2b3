"""Orders over the link: arm, stop, clear, move, stream. Each is whole or refused.

Functions return (result, detail) of the answer.
"""

from struct import unpack_from

from controller.joint.modes import ARM, CLEAR, DISARM, EASE, POWERED, RELEASE, STOP
from controller.joint.motion import setpoint
from controller.joint.settings.settings import CONTINUOUS
from controller.node import settings_transfer
from controller.portable import const
from controller.records import copy
from controller.wire import messages as m

MYPY = False
if MYPY:  # types are for the checker only: a board has no typing module
    from typing import Any

    from controller.joint.settings.settings import Settings
    from controller.node.node import Node

PI = const(3.141592653589793)
ALL = const(0xFFFF)

_REQUESTS = {
    m.ARM: ARM, m.DISARM: DISARM, m.STOP: STOP, m.CLEAR: CLEAR, m.RELEASE: RELEASE,
}  # fmt: skip

# by number of the request: none, arm, disarm, stop, clear, release, ease
RANK = (0, 1, 5, 6, 2, 3, 4)


def is_request(kind: int) -> bool:
    """Tell whether a message is a request to the supervisor."""
    return kind in _REQUESTS


def may_drive(node: "Node") -> "tuple[int, int]":
    """Result that forbids powering any joint now, or DONE."""
    if not node.has_lease:
        return m.NO_LEASE, 0
    if not node.timing.fits:
        return m.TOO_SLOW, node.timing.cost_us
    return m.DONE, 0


def request(node: "Node", kind: int, body: "Any") -> "tuple[int, int]":
    """Pass a request to every joint of a mask; stopping needs no lease."""
    if kind == m.ARM or kind == m.RELEASE:
        result, detail = may_drive(node)
        if result != m.DONE:
            return result, detail
    if kind == m.ARM and body[1] != settings_transfer.digest(node):
        return m.DIFFERS, 0
    takes_away = kind == m.STOP or kind == m.DISARM  # for those that exist, whoever else is named
    if not takes_away and body[0] != ALL and body[0] >> len(node.slots):
        return m.NO_JOINT, 0
    wanted = _REQUESTS[kind]
    if kind == m.STOP:
        if body[1] == 0:
            node.board.off()
        elif body[1] == 1:
            wanted = EASE
        else:
            return m.OUT_OF_RANGE, 1
    if wanted == ARM or wanted == RELEASE:
        for k in range(len(node.slots)):  # nobody sent settings: its own defaults drive nothing
            if body[0] >> k & 1 and not node.slots[k].applied:
                return m.DIFFERS, k
    for k in range(len(node.slots)):
        command = node.slots[k].command
        if body[0] >> k & 1 and RANK[wanted] >= RANK[command.request]:
            command.request = wanted  # what stops is never taken back by what comes after it
    return m.DONE, 0


def target(node: "Node", body: "Any") -> "tuple[int, int]":
    """A move to a target, refused whole where it may not be followed."""
    if body[0] >= len(node.slots):
        return m.NO_JOINT, body[0]
    slot = node.slots[body[0]]
    if slot.report.mode != POWERED:
        return m.NOT_NOW, slot.report.mode
    trial = node.trial  # checked before anything is written: a refused one leaves no trace
    trial.kind = setpoint.TO_TARGET
    trial.grip = body[1] & 1
    trial.way = body[1] >> 1 & 1
    trial.target_rad = body[2]
    trial.target_rad_s = 0.0
    trial.turn = body[3]
    if not setpoint.acceptable(slot.settings, trial):
        return m.REFUSED, 0
    trial.request = slot.command.request
    copy(trial, slot.command)
    return m.DONE, 0


def hold(node: "Node", body: "Any") -> "tuple[int, int]":
    """Stop by the profile and hold."""
    for k in range(len(node.slots)):
        if body[0] >> k & 1:
            node.slots[k].command.kind = setpoint.HOLD_HERE
            node.slots[k].command.grip = node.slots[k].state.mode.grip  # a hold stays a grip
    return m.DONE, 0


def scale(settings: "Settings") -> "tuple[float, float]":
    """Angles (rad) of the lowest and highest streamed setpoint."""
    if settings.sensing.travel == CONTINUOUS:
        return -PI, PI
    return settings.limits.command_low_rad, settings.limits.command_high_rad


def setpoints(node: "Node", payload: bytes) -> bool:
    """Take streamed setpoints, whole; tell whether the frame made sense."""
    if len(payload) < 5:
        return False
    mask, span = unpack_from(m.HEAD[m.SETPOINTS], payload, 2)
    joints = [k for k in range(len(node.slots)) if mask >> k & 1]
    if mask >> len(node.slots) or len(payload) != 5 + 4 * len(joints) or span == 0:
        return False
    at = 5
    for k in joints:
        share, rate = unpack_from("<Hh", payload, at)
        at += 4
        slot = node.slots[k]
        if slot.report.mode != POWERED:
            continue
        low, high = scale(slot.settings)
        command = slot.command
        command.kind = setpoint.STREAMED
        command.grip = 0
        command.way = 0
        command.target_rad = low + share * (high - low) / 65535.0
        if command.target_rad > high:  # the last bit of the highest step
            command.target_rad = high
        command.target_rad_s = rate * slot.settings.limits.speed_rad_s / 32767.0
        command.span_s = span * 1.0e-3
    return True
