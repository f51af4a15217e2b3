"""Settings over the link: staged cell by cell, taken over whole or refused whole."""

from struct import unpack_from

from controller.joint.modes import driven
from controller.joint.settings.contradictions import contradiction, crosses_itself, rest_voltage
from controller.joint.settings.settings import BUILTIN, Settings
from controller.joint.state import State
from controller.portable import const
from controller.records import copy, get
from controller.wire import messages as m
from controller.wire import table

MYPY = False
if MYPY:  # types are for the checker only: a board has no typing module
    from typing import Any

    from controller.node.node import Node

VALUES_AT_ONCE = const(48)


def digest(node: "Node") -> int:
    """Digest of the settings in force, of all joints together."""
    return table.digest(b"".join([table.pack_table(slot.settings) for slot in node.slots]))


def stage(node: "Node", payload: bytes) -> "tuple[int, int]":
    """Stage cells of a joint's settings; nothing is in force before ``apply``.

    Returns (result, detail) like every function here.
    """
    if len(payload) < 9 or (len(payload) - 5) % 4:
        return m.BAD_LENGTH, 0
    joint, index = unpack_from(m.HEAD[m.SETTING], payload, 2)
    if joint >= len(node.slots):
        return m.NO_JOINT, joint
    slot = node.slots[joint]
    if slot.staged is None:
        slot.staged = bytearray(table.pack_table(slot.settings))
    data = payload[5:]
    if index * 4 + len(data) > len(slot.staged):
        return m.OUT_OF_RANGE, index
    slot.staged[index * 4 : index * 4 + len(data)] = data
    return m.DONE, 0


def apply(node: "Node", body: "Any") -> "tuple[int, int]":
    """Take staged settings over whole, or refuse them whole and say which cell."""
    if body[0] >= len(node.slots):
        return m.NO_JOINT, body[0]
    slot = node.slots[body[0]]
    if driven(slot.report.mode) or slot.command.request != 0:
        return m.NOT_NOW, slot.report.mode  # an order that waits was given under other settings
    data = bytes(slot.staged) if slot.staged is not None else table.pack_table(slot.settings)
    slot.staged = None
    if table.digest(data) != body[1]:
        return m.DIFFERS, 0
    fresh = Settings()
    table.unpack_table(data, fresh)
    wrong = contradiction(fresh)
    if wrong is not None:
        return m.OUT_OF_RANGE, table.cell_of(Settings, wrong)
    if int(fresh.tick_s * 1.0e6 + 0.5) != node.tick_us:
        return m.OUT_OF_RANGE, table.cell_of(Settings, "tick_s")
    wrong = beyond_board(node, body[0], fresh)
    if wrong is not None:
        return m.OUT_OF_RANGE, table.cell_of(Settings, wrong)
    copy(fresh, slot.settings)
    slot.applied = True
    begin_afresh(slot.state)
    return m.DONE, 0


def beyond_board(node: "Node", place: int, fresh: "Settings") -> "str | None":
    """Dotted name of the first setting that does not fit this board, or None."""
    if fresh.sensing.counts_top != node.board.tops[place]:
        return "sensing.counts_top"  # another oversampling: every angle would be wrong
    if fresh.drive.kind == BUILTIN:  # it can be neither limited nor stopped
        return "drive.kind"
    if crosses_itself(fresh, place):
        return "across.joint_1"
    slot = node.slots[place]  # what bounds the force: volts at rest, and what a speed may add
    if rest_voltage(fresh) > slot.rest_V:
        return "limits.current_A"
    if fresh.limits.back_emf_V_s > slot.emf_V_s:
        return "limits.back_emf_V_s"
    for name, low, high in node.hard:  # what the board itself never goes beyond
        if not low <= get(fresh, name) <= high:
            return str(name)
    return None


def begin_afresh(state: "State") -> None:
    """Under new settings, angle, turns, motion and evidence begin anew; heat and faults stay."""
    fresh = State()
    copy(fresh.sensed, state.sensed)
    copy(fresh.motion, state.motion)
    copy(fresh.plan, state.plan)
    copy(fresh.loop, state.loop)
    copy(fresh.evidence, state.evidence)
    copy(fresh.output, state.output)
    state.mode.push_sign = 0.0
    state.mode.from_rad = 0.0


def values(node: "Node", body: "Any") -> "tuple[int, int, bytes]":
    """Cells of the settings in force: (result, detail, octets)."""
    if body[0] >= len(node.slots):
        return m.NO_JOINT, body[0], b""
    data = table.pack_table(node.slots[body[0]].settings)
    count = body[2]
    if count == 0 or count > VALUES_AT_ONCE or (body[1] + count) * 4 > len(data):
        return m.OUT_OF_RANGE, body[1], b""
    return m.DONE, 0, data[body[1] * 4 : (body[1] + count) * 4]
