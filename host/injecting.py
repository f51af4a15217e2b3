"""What can be made to go wrong on a virtual board while it runs: words, and what they mean."""

import struct

from controller.wire import framing
from controller.wire import messages as m
from sim import program, sensor
from sim.errors import InputError

Inject = tuple[int, float, float, float]

WORDS: dict[str, tuple[list[Inject], str]] = {
    "open": ([(program.SENSOR, sensor.OPEN, 0.0, 0.0)], "the wiper's wire tears off"),
    "shorted": ([(program.SENSOR, sensor.SHORTED, 0.0, 0.0)], "the wiper is shorted to a rail"),
    "held": ([(program.SENSOR, sensor.HELD, 0.0, 0.0)], "the reading freezes"),
    "loose": ([(program.SENSOR, sensor.FLOATING, 0.0, 0.0)], "the wiper floats"),
    "swapped": ([(program.WIRED_WRONG, 1.0, 0.0, 0.0)], "the motor's wires are swapped"),
    "unplugged": ([(program.MOTOR_OPEN, 1.0, 0.0, 0.0)], "the motor is unplugged"),
    "flexor": ([(program.CUT, 0.0, 0.0, 0.0)], "the closing cable snaps (for good)"),
    "extensor": ([(program.CUT, 1.0, 0.0, 0.0)], "the opening cable snaps (for good)"),
    "dip": ([(program.DROP, 2.0, 0.0, 0.0)], "the supply drops by 2 V"),
    "push": ([(program.LOAD, 0.03, 0.0, 0.0)], "a steady push of 30 mN*m against closing"),
    "freeze": ([(program.FREEZE, 0.2, 0.0, 0.0)], "the board's loop stands still for 0.2 s"),
    "error": ([(program.RAISE, 0.0, 0.0, 0.0)], "an error in the next control tick"),
    "sound": (
        [
            (program.SENSOR, sensor.SOUND, 0.0, 0.0),
            (program.WIRED_WRONG, 0.0, 0.0, 0.0),
            (program.MOTOR_OPEN, 0.0, 0.0, 0.0),
            (program.DROP, 0.0, 0.0, 0.0),
            (program.LOAD, 0.0, 0.0, 0.0),
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
