"""What main.py of a board calls: drive off, read the wiring, serve, drive off.

A bare Ctrl-C (0x03 never stands inside a frame) raises KeyboardInterrupt and
ends here with the drive off and the prompt reachable. A boot pin that is held
low keeps the program from starting at all.
"""

import json

from machine import Pin, reset_cause, unique_id

from controller import faults
from controller.board.adapter import Board
from controller.board.stdio import Stdio
from controller.node import Node
from controller.records import put

try:
    from machine import WDT_RESET
except ImportError:
    WDT_RESET = 3


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


def make_node(wiring, build):
    """Return the node of this board."""
    board = Board(wiring)  # its first act is drive off
    node = Node(board, Stdio(), len(wiring["joints"]), wiring["tick_us"], build, serial_number())
    node.hard = [(row[0], row[1], row[2]) for row in wiring.get("hard_limits", [])]
    for slot in node.slots:
        put(slot.settings, "tick_s", wiring["tick_us"] * 1.0e-6)
    if reset_cause() == WDT_RESET:
        node.was_reset = True
        node.outside = faults.WATCHDOG_RESET
    return node


def main():
    """Serve until the host asks to leave, Ctrl-C, or an error: the drive is off on every way."""
    wiring = read_json("board.json")
    if wiring is None:
        print("no board.json: nothing is driven")
        return
    if held(wiring.get("stay_pin")):
        print("stay pin held: the program does not start")
        return
    about = read_json("build.json") or {"build": 0}
    node = make_node(wiring, about["build"])
    try:
        node.run()
    except KeyboardInterrupt:
        print("interrupted: drive off")
    finally:
        node.board.off()
