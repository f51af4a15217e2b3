"""What can be made to go wrong on a virtual board while it runs: words, and what they mean."""

import struct

from controller.wire import framing
from controller.wire import messages as m
from sim.errors import InputError
from sim.model import schedule, sensor

Inject = tuple[int, float, float, float]

WORDS: dict[str, tuple[list[Inject], str]] = {
    "open": ([(schedule.SENSOR, sensor.OPEN, 0.0, 0.0)], "the wiper's wire tears off"),
    "shorted": ([(schedule.SENSOR, sensor.SHORTED, 0.0, 0.0)], "the wiper is shorted to a rail"),
    "held": ([(schedule.SENSOR, sensor.HELD, 0.0, 0.0)], "the reading freezes"),
    "loose": ([(schedule.SENSOR, sensor.FLOATING, 0.0, 0.0)], "the wiper floats"),
    "swapped": ([(schedule.WIRED_WRONG, 1.0, 0.0, 0.0)], "the motor's wires are swapped"),
    "unplugged": ([(schedule.MOTOR_OPEN, 1.0, 0.0, 0.0)], "the motor is unplugged"),
    "flexor": ([(schedule.CUT, 0.0, 0.0, 0.0)], "the closing cable snaps (for good)"),
    "extensor": ([(schedule.CUT, 1.0, 0.0, 0.0)], "the opening cable snaps (for good)"),
    "dip": ([(schedule.DROP, 2.0, 0.0, 0.0)], "the supply drops by 2 V"),
    "push": ([(schedule.LOAD, 0.03, 0.0, 0.0)], "a steady push of 30 mN*m against closing"),
    "freeze": ([(schedule.FREEZE, 0.2, 0.0, 0.0)], "the board's loop stands still for 0.2 s"),
    "error": ([(schedule.RAISE, 0.0, 0.0, 0.0)], "an error in the next control tick"),
    "sound": (
        [
            (schedule.SENSOR, sensor.SOUND, 0.0, 0.0),
            (schedule.WIRED_WRONG, 0.0, 0.0, 0.0),
            (schedule.MOTOR_OPEN, 0.0, 0.0, 0.0),
            (schedule.DROP, 0.0, 0.0, 0.0),
            (schedule.LOAD, 0.0, 0.0, 0.0),
        ],
        "all of that mended (but cables)",
    ),
}


def read_words(line: str, joints: int) -> tuple[int, list[Inject]]:
    """Return joint number and what to inject of a line such as "open" or "open 2". Raises InputError."""
    parts = line.split()
    if not parts or parts[0] not in WORDS or len(parts) > 2:
        raise InputError(
            "", "", line, "must be one of " + ", ".join(WORDS) + ", and a joint number"
        )
    number = parts[1] if len(parts) == 2 else "0"
    if not number.isdecimal() or int(number) >= joints:
        raise InputError("", "", number, f"must be a joint number, 0 .. {joints - 1}")
    return int(number), WORDS[parts[0]][0]


def help_lines() -> list[str]:
    """One line for each word."""
    return [f"  {word:10s} {meaning}" for word, (_, meaning) in WORDS.items()]


def frames(joint: int, injects: list[Inject]) -> bytes:
    """The messages that tell a virtual board so (MEDDLE)."""
    body = [struct.pack(m.LAYOUT[m.MEDDLE], joint, *one) for one in injects]
    return b"".join(framing.encode(bytes((m.MEDDLE, 0)) + one) for one in body)
