"""Orders over the link: arm, stop, clear, move, stream. Each is whole or refused.

Functions return (result, detail) of the answer.
"""

from struct import unpack_from

from controller.joint.modes import (
    ARM,
    CLEAR,
    CONTROLLED_STOP,
    DRIVE_OFF,
    POWERED,
    RANK,
    RELEASE,
    STOP,
)
from controller.portable import const
from controller.wire import messages as m

MYPY = False
if MYPY:  # types are for the checker only: a board has no typing module
    from typing import Any

    from controller.node.node import Node

ALL = const(0xFFFF)

_REQUESTS = {
    m.ARM: ARM, m.DRIVE_OFF: DRIVE_OFF, m.STOP: STOP, m.CLEAR: CLEAR, m.RELEASE: RELEASE,
}  # fmt: skip


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
    if kind == m.ARM and body[1] != node.joints.digest():
        return m.DIFFERS, 0
    takes_away = (
        kind == m.STOP or kind == m.DRIVE_OFF
    )  # for those that exist, whoever else is named
    if not takes_away and body[0] != ALL and body[0] >> node.joints.count:
        return m.NO_JOINT, 0
    wanted = _REQUESTS[kind]
    if kind == m.STOP:
        if body[1] == 0:
            node.board.off()
        elif body[1] == 1:
            wanted = CONTROLLED_STOP
        else:
            return m.OUT_OF_RANGE, 1
    if wanted == ARM or wanted == RELEASE:
        for k in range(node.joints.count):
            if not body[0] >> k & 1:
                continue
            if not node.joints.may_arm(k):
                return m.DIFFERS, k
            if RANK[wanted] < RANK[node.joints.waits(k)]:
                return m.NOT_NOW, node.joints.mode(k)  # the tick takes one: this one would be lost
    for k in range(node.joints.count):
        if body[0] >> k & 1:
            node.joints.request(k, wanted)
    return m.DONE, 0


def target(node: "Node", body: "Any") -> "tuple[int, int]":
    """A move to a target, refused whole where it may not be followed."""
    joints = node.joints
    if body[0] >= joints.count:
        return m.NO_JOINT, body[0]
    if joints.mode(body[0]) != POWERED:
        return m.NOT_NOW, joints.mode(body[0])
    if not joints.target(body[0], body[1], body[2], body[3]):
        return m.REFUSED, 0
    return m.DONE, 0


def hold(node: "Node", body: "Any") -> "tuple[int, int]":
    """Stop by the profile and hold."""
    for k in range(node.joints.count):
        if body[0] >> k & 1:
            node.joints.hold(k)
    return m.DONE, 0


def setpoints(node: "Node", payload: bytes) -> bool:
    """Take streamed setpoints, whole; tell whether the frame made sense."""
    if len(payload) < 5:
        return False
    mask, span = unpack_from(m.HEAD[m.SETPOINTS], payload, 2)
    joints = [k for k in range(node.joints.count) if mask >> k & 1]
    if mask >> node.joints.count or len(payload) != 5 + 4 * len(joints) or span == 0:
        return False
    at = 5
    for k in joints:
        share, rate = unpack_from("<Hh", payload, at)
        at += 4
        node.joints.stream(k, share, rate, span)
    return True
