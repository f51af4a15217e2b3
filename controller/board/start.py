"""What main.py of a board calls: drive off, read the wiring, serve, drive off.

A bare Ctrl-C (0x03 never stands inside a frame) raises KeyboardInterrupt and
ends here with the drive off and the prompt reachable. A boot pin that is held
low keeps the program from starting at all.
"""

import json
import os

from machine import Pin, mem32, reset, reset_cause, unique_id

from controller.board.adapter import Board
from controller.board.stdio import Stdio
from controller.joint import faults
from controller.joint.settings.settings import Settings
from controller.node.joints import Joints
from controller.node.node import Node
from controller.portable import const
from controller.records import leaves, put

try:
    from machine import WDT_RESET
except ImportError:
    WDT_RESET = 3

STAY = "stay.txt"
REASON_RP2040 = const(0x40058008)
REASON_RP2350 = const(0x400D8008)
NAMES = [name for name, _ in leaves(Settings)]


def read_json(path):
    """Return a JSON file, or None where there is none."""
    try:
        with open(path) as file:
            return json.load(file)
    except OSError:
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


def told_to_stay():
    """Tell whether the last program asked to stay at the prompt this once."""
    try:
        os.remove(STAY)
    except OSError:
        return False
    return True


def make_node(wiring, build):
    """Return the node of this board."""
    board = Board(wiring)  # its first act is drive off
    node = Node(
        board, Stdio(), Joints(len(wiring["joints"])), wiring["tick_us"], build, serial_number()
    )
    for name, low, high in wiring.get("hard_limits", []):
        if name not in NAMES:
            raise ValueError("board.json: hard_limits: no such setting: " + str(name))
        node.joints.hard.append((name, low, high))
    for k in range(len(node.joints.slots)):
        put(node.joints.slots[k].settings, "tick_s", wiring["tick_us"] * 1.0e-6)
        node.joints.slots[k].rest_V = wiring["joints"][k].get(
            "rest_V", 0.0
        )  # none said: no settings fit
        node.joints.slots[k].emf_V_s = wiring["joints"][k].get("emf_V_s", 0.0)
    if bitten():
        node.was_reset = True
        node.fail(faults.WATCHDOG_RESET, True)
    return node


def bitten():
    """Tell whether the watchdog's timer ended the last program.

    ``reset()`` of this family goes by the watchdog too, so the cause alone does
    not tell; the chip's REASON register does: bit 0 the timer, bit 1 forced
    (RP2040 datasheet, 4.7; the RP2350's address from its headers, from memory).
    """
    if reset_cause() != WDT_RESET:
        return False
    chip = os.uname().machine
    address = REASON_RP2350 if "RP2350" in chip else REASON_RP2040
    return mem32[address] & 3 != 2


def main():
    """Serve until the host asks to leave, Ctrl-C, or an error: the drive is off on every way."""
    wiring = read_json("board.json")
    if wiring is None:
        print("no board.json: nothing is driven")
        return
    if held(wiring.get("stay_pin")):
        print("stay pin held: the program does not start")
        return
    if told_to_stay():
        print("ended on purpose: the program starts at the next reset")
        return
    about = read_json("build.json") or {"build": 0}
    node = make_node(wiring, about["build"])
    try:
        node.run()
    except KeyboardInterrupt:
        print("interrupted: drive off")
    finally:
        node.board.off()
    if node.board.watchdog is not None:
        # It cannot be stopped: leave by a reset of our own, and stay at the prompt once.
        with open(STAY, "w") as file:
            file.write("once")
        reset()
