"""What main.py of a board calls first: drive off, read the wiring, make the node. Then it is forgotten.

A bare Ctrl-C (0x03 never stands inside a frame) raises KeyboardInterrupt and
ends here with the drive off and the prompt reachable. A boot pin that is held
low keeps the program from starting at all.
"""

import json
import sys

from machine import Pin, mem32, reset_cause, unique_id

from controller.board.adapter import Board
from controller.board.program import STAY, ChipNode
from controller.board.stdio import Stdio
from controller.board.wiring_cells import join
from controller.joint import faults
from controller.node.native_joints import NativeJoints
from controller.portable import const
from controller.wire import messages as m

try:
    from machine import WDT_RESET
except ImportError:
    WDT_RESET = 3

CHIPS = ("RP2040", "RP2350")
WATCHDOG_AT = {"RP2040": 0x40058000, "RP2350": 0x400D8000}
"RP2040 datasheet, 4.7; the RP2350's address from its headers, from memory."
REASON = const(0x08)
SCRATCH = const(0x0C)


def chip():
    """The kind of chip, as images are named; "" for another."""
    machine = getattr(sys.implementation, "_machine", "")
    for one in CHIPS:
        if one in machine:
            return one
    return ""


def read_json(path):
    """Return a JSON file, or None where there is none or half of one."""
    try:
        with open(path) as file:
            return json.load(file)
    except (OSError, ValueError):
        return None


def serial_number():
    """The chip's number as one integer of 64 bits."""
    number = 0
    for one in unique_id()[:8]:
        number = number << 8 | one
    return number


def held(pin):
    """Tell whether the pin that keeps the program from starting is pulled low."""
    return pin is not None and Pin(pin, Pin.IN, Pin.PULL_UP).value() == 0


def told_to_stay(kind):
    """Tell whether the last program asked to stay at the prompt this once."""
    at = WATCHDOG_AT[kind] + SCRATCH if kind else 0
    if not kind or mem32[at] != STAY:
        return False
    mem32[at] = 0
    return True


def load(about, kind):
    """The chip's machine code, if it is the one that was written last; else None: half written."""
    if about is None or "image" not in about or not kind:
        return None
    from controller.board.machine_code import Code  # only where there is an assembler

    try:
        code = Code(kind.lower() + ".bin")
    except OSError:
        return None
    return code if code.words[-1] == about["image"] else None


def make_node(wiring, about, kind):
    """Return the node of this board."""
    board = Board(wiring)  # its first act is drive off
    tick_us, count = wiring["tick_us"], len(wiring["joints"])
    code = load(about, kind)
    build = about["build"] if about else 0
    if code is None:
        from controller.board.half_written import NoJoints  # only then: it would take memory

        board.FLAGS = m.HALF
        return ChipNode(board, Stdio(), NoJoints(count), tick_us, build, serial_number())
    from controller.board.machine_code import Memory, caller, enter

    memory = Memory(code.words[-3] + count * code.words[-2])
    joints = NativeJoints(count, tick_us, memory.whole, memory.octets, caller(code, memory))
    board.kept = code, memory  # or they would be collected
    join(board, joints, enter, code.at, memory.at, kind == "RP2040")
    node = ChipNode(board, Stdio(), joints, tick_us, build, serial_number())
    if bitten(kind):
        node.was_reset = True
        node.fail(faults.WATCHDOG_RESET, True)
    return node


def bitten(kind):
    """Tell whether the watchdog's timer ended the last program.

    ``reset()`` of this family goes by the watchdog too, so the cause alone does
    not tell; the chip's REASON register does: bit 0 the timer, bit 1 forced.
    """
    return reset_cause() == WDT_RESET and mem32[WATCHDOG_AT[kind] + REASON] & 3 != 2


def made():
    """The node to run, or None and why on the line."""
    wiring = read_json("board.json")
    if wiring is None:
        print("no board.json: nothing is driven")
        return None
    kind = chip()
    if held(wiring.get("stay_pin")):
        print("stay pin held: the program does not start")
        return None
    if told_to_stay(kind):
        print("ended on purpose: the program starts at the next reset")
        return None
    node = make_node(wiring, read_json("build.json"), kind)
    node.stay_at = WATCHDOG_AT[kind] + SCRATCH if kind else 0
    return node
