"""Scenario files: a situation written down (TOML), replayed by ``simulate --scenario FILE``.

[scenario]
name = "a torn wire in a move"
start = "20 deg"
duration = "1.5 s"

[part]                 # which part of the spread; left out, the nominal one
seed = 1
number = 7

[[step]]
at = "0.12 s"          # from the start; the joint is armed at 0.01 s
do = "move"
angle = "60 deg"
"""

from dataclasses import dataclass
from math import ceil
from pathlib import Path
from typing import Any

from sim import units
from sim.errors import InputError
from sim.joint import file as joint_file
from sim.model import schedule, sensor
from sim.run.scenarios import Scenario

Value = tuple[str, str, str, float, float]
"""Key, unit, example, lowest, highest."""

ANGLE: Value = ("angle", "rad", "30 deg", -700.0, 700.0)

STEPS: dict[str, tuple[int, tuple[Value, ...], str]] = {
    "move": (schedule.TARGET, (ANGLE,), "move to an angle by the profile"),
    "grip": (schedule.GRIP, (ANGLE,), "close gently towards an angle"),
    "stream": (
        schedule.STREAM,
        (ANGLE, ("speed", "rad/s", "90 deg/s", -1e3, 1e3), ("span", "s", "20 ms", 0.0, 10.0)),
        "one streamed setpoint",
    ),
    "hold": (schedule.HOLD, (), "stop by the profile and hold"),
    "object": (
        schedule.OBJECT,
        (
            ANGLE,
            ("stiffness", "N*m/rad", "8 N*m/rad", 0.0, 1e4),
            ("damping", "N*m*s/rad", "0 N*m*s/rad", 0.0, 10.0),
        ),
        "an object stands at an angle",
    ),
    "no_object": (schedule.NO_OBJECT, (), "the object is gone"),
    "load": (schedule.LOAD, (("torque", "N*m", "10 mN*m", -10.0, 10.0),), "a load against closing"),
    "drop": (schedule.DROP, (("voltage", "V", "2 V", 0.0, 100.0),), "the supply drops by"),
    "others": (schedule.OTHERS, (("current", "A", "1 A", 0.0, 100.0),), "others draw a current"),
    "late": (schedule.LATE, (("time", "s", "10 ms", 0.0, 1.0),), "ticks are missed for a time"),
}

CHOICES: dict[str, tuple[int, str, dict[str, float], str]] = {
    "request": (
        schedule.REQUEST,
        "what",
        {"arm": 1, "disarm": 2, "stop": 3, "clear": 4, "release": 5, "controlled_stop": 6},
        "a request to the supervisor",
    ),
    "wiper": (
        schedule.SENSOR,
        "state",
        {
            "sound": sensor.SOUND,
            "open": sensor.OPEN,
            "shorted": sensor.SHORTED,
            "held": sensor.HELD,
            "floating": sensor.FLOATING,
        },
        "the sensor's wire",
    ),
    "cut": (schedule.CUT, "cable", {"flexor": 0, "extensor": 1}, "a cable snaps"),
    "motor": (schedule.MOTOR_OPEN, "state", {"plugged": 0, "unplugged": 1}, "the motor's plug"),
    "wires": (schedule.WIRED_WRONG, "state", {"right": 0, "swapped": 1}, "the motor's wires"),
    "link": (schedule.SILENT, "state", {"speaks": 0, "silent": 1}, "the host"),
}


@dataclass
class Chosen:
    """A scenario read from a file, and the part it is to run on (None: nominal)."""

    scenario: Scenario
    part: tuple[int, int] | None = None
    """Seed and number of the part drawn from the spread."""


RENAMED = {"ease": "controlled_stop"}
"""Words of before, and what they are called now."""


def _renamed(word: object) -> str:
    return f"was renamed to {RENAMED[word]}; " if isinstance(word, str) and word in RENAMED else ""


def step_words(kind: int, a: float, b: float, c: float, tick_s: float) -> dict[str, Any]:
    """A program's event as the keys of a step. Raises KeyError for kinds that have no word."""
    for name, (number, values, _) in STEPS.items():
        if number == kind:
            given = [a * tick_s if kind == schedule.LATE else a, b, c]
            made: dict[str, Any] = {"do": name}
            for (key, unit, *_), value in zip(values, given, strict=False):
                made[key] = _text(value, unit)
            return made
    for name, (number, key, choices, _) in CHOICES.items():
        if number == kind:
            return {"do": name, key: next(word for word, value in choices.items() if value == a)}
    raise KeyError(kind)


def _text(value: float, unit: str) -> str:
    if unit == "rad":
        return f"{value * 57.29577951308232:.9g} deg"
    if unit == "rad/s":
        return f"{value * 57.29577951308232:.9g} deg/s"
    return f"{value:.9g} {unit}"


def to_tables(scenario: Scenario, tick_s: float, part: tuple[int, int] | None) -> dict[str, Any]:
    """The tables of a scenario file."""
    made: dict[str, Any] = {
        "scenario": {
            "name": scenario.name,
            "start": _text(scenario.start_rad, "rad"),
            "duration": _text(scenario.duration_s, "s"),
            "self_test": scenario.self_test,
        }
    }
    if part is not None:
        made["part"] = {"seed": part[0], "number": part[1]}
    made["step"] = [
        {"at": _text(at, "s"), **step_words(kind, a, b, c, tick_s)}
        for at, kind, a, b, c in sorted(scenario.rows, key=lambda row: row[0])
    ]
    return made


def read(path: str | Path, tick_s: float) -> Chosen:
    """Read a scenario file for a joint with this tick. Raises InputError."""
    name = str(path)
    tables = joint_file.parse_toml(joint_file.read_text(path), name)
    _known(name, "", tables, ("scenario", "part", "step"))
    head = tables.get("scenario")
    if not isinstance(head, dict):
        raise InputError(name, "scenario", None, "is missing")
    _known(name, "scenario", head, ("name", "start", "duration", "self_test"))
    start = _quantity(name, "scenario.start", head.get("start"), ANGLE)
    longest = ("duration", "s", "1.5 s", 0.05, 600.0)
    duration = _quantity(name, "scenario.duration", head.get("duration"), longest)
    title = head.get("name", Path(name).stem)
    if not isinstance(title, str) or not 1 <= len(title) <= 120:
        raise InputError(name, "scenario.name", title, "must be a text of 1 to 120 letters")
    tested = head.get("self_test", False)
    if not isinstance(tested, bool):
        raise InputError(name, "scenario.self_test", tested, "must be true or false")
    scene = Scenario(title, start, duration, meaning=title, self_test=tested)
    steps = tables.get("step", [])
    if not isinstance(steps, list):
        raise InputError(name, "step", None, "must be a list: [[step]]")
    last = 0.0
    for k, one in enumerate(steps):
        at = _add_step(name, f"step.{k}", one, scene, tick_s)
        if at < last:
            raise InputError(name, f"step.{k}.at", one["at"], "steps must be in order of time")
        last = at
    return Chosen(scene, _part_of(name, tables.get("part")))


def _known(file: str, key: str, table: dict[str, Any], allowed: tuple[str, ...]) -> None:
    for one in table:
        if one not in allowed:
            where = f"{key}.{one}" if key else one
            raise InputError(file, where, None, "unknown key; allowed: " + ", ".join(allowed))


def _quantity(file: str, key: str, value: object, what: Value) -> float:
    _, unit, example, low, high = what
    if value is None:
        raise InputError(file, key, None, f'is missing; for example "{example}"')
    try:
        number = units.parse(value, unit, example)
    except ValueError as error:
        raise InputError(file, key, value, str(error)) from None
    if not low <= number <= high:
        raise InputError(file, key, value, f"must lie in {low:g} .. {high:g} {unit}")
    return number


def _add_step(file: str, key: str, one: object, scene: Scenario, tick_s: float) -> float:
    """Add one step to the scenario; return its time (s)."""
    if not isinstance(one, dict):
        raise InputError(file, key, one, "must be a table")
    at = _quantity(file, f"{key}.at", one.get("at"), ("at", "s", "0.12 s", 0.0, scene.duration_s))
    do = one.get("do")
    if do in STEPS:
        kind, values, _ = STEPS[do]
        _known(file, key, one, ("at", "do", *(value[0] for value in values)))
        numbers = [_quantity(file, f"{key}.{v[0]}", one.get(v[0]), v) for v in values]
        numbers += [0.0] * (3 - len(numbers))
        if kind == schedule.LATE:
            numbers[0] = float(ceil(numbers[0] / tick_s - 1e-9))
        if kind == schedule.OBJECT:
            scene.object_Nm_rad = max(scene.object_Nm_rad, numbers[1])
        scene.at(at, kind, *numbers)
    elif do in CHOICES:
        kind, word, choices, _ = CHOICES[do]
        _known(file, key, one, ("at", "do", word))
        if one.get(word) not in choices:
            raise InputError(
                file,
                f"{key}.{word}",
                one.get(word),
                _renamed(one.get(word)) + "must be one of " + ", ".join(choices),
            )
        scene.at(at, kind, float(choices[one[word]]))
    else:
        known = ", ".join([*STEPS, *CHOICES])
        raise InputError(file, f"{key}.do", do, "unknown step; must be one of " + known)
    return at


def _part_of(file: str, table: object) -> tuple[int, int] | None:
    if table is None:
        return None
    if not isinstance(table, dict):
        raise InputError(file, "part", table, "must be a table")
    _known(file, "part", table, ("seed", "number"))
    found = []
    for key in ("seed", "number"):
        value = table.get(key)
        if not isinstance(value, int) or isinstance(value, bool) or not 0 <= value < 2**31:
            raise InputError(file, f"part.{key}", value, "must be a whole number, 0 .. 2147483647")
        found.append(value)
    return found[0], found[1]
