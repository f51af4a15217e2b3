"""Scenario files: what happens in a run written down (TOML), replayed by ``simulate --scenario FILE``.

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

[[step]]
at = "0.2 s"
do = "inject"
fault = "wiper torn off"
"""

from dataclasses import dataclass
from functools import reduce
from math import ceil
from operator import or_
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, ClassVar, Literal

from pydantic import Field, create_model

from sim.errors import InputError
from sim.model import schedule
from sim.reading import parse_toml, read_text
from sim.run.injected import FAULTS, named
from sim.run.scenarios import Scenario
from sim.schema import Quantity, Table, of_file
from sim.schema import read as read_tables
from sim.units import DEG

At = Annotated[float, Quantity("s", "0.12 s", 0.0, 600.0)]
ANGLE = ("angle", Quantity("rad", "30 deg", -700.0, 700.0))

STEPS: dict[str, tuple[int, tuple[tuple[str, Quantity], ...], str]] = {
    "move": (schedule.TARGET, (ANGLE,), "move to an angle by the profile"),
    "grip": (schedule.GRIP, (ANGLE,), "close gently towards an angle"),
    "stream": (
        schedule.STREAM,
        (ANGLE, ("speed", Quantity("rad/s", "90 deg/s", -1e3, 1e3)), ("span", Quantity("s", "20 ms", 0.0, 10.0))),
        "one streamed setpoint",
    ),
    "hold": (schedule.HOLD, (), "stop by the profile and hold"),
    "object": (
        schedule.OBJECT,
        (ANGLE, ("stiffness", Quantity("N*m/rad", "8 N*m/rad", 0.0, 1e4)),
         ("damping", Quantity("N*m*s/rad", "0 N*m*s/rad", 0.0, 10.0))),
        "an object stands at an angle",
    ),
    "no_object": (schedule.NO_OBJECT, (), "the object is gone"),
    "others": (schedule.OTHERS, (("current", Quantity("A", "1 A", 0.0, 100.0)),), "others draw a current"),
}  # fmt: skip
REQUESTS = {"arm": 1, "drive_off": 2, "stop": 3, "clear": 4, "release": 5, "controlled_stop": 6}
VALUES = {value[0]: value[1] for fault in FAULTS.values() if (value := fault.value) is not None}
"""Values that some faults have."""


class Step(Table):
    """Base of every step."""

    at: At
    renamed: ClassVar[dict[str, str]] = {
        "ease": "controlled_stop", "drop": "inject", "late": "inject", "load": "inject", "wiper": "inject",
        "cut": "inject", "motor": "inject", "wires": "inject", "link": "inject",
    }  # fmt: skip


def _steps() -> Any:
    """All kinds of step, told apart by ``do``."""
    runs = [word for word, one in FAULTS.items() if one.kind]
    extra = {key: (Annotated[float, value] | None, None) for key, value in VALUES.items()}
    kinds: dict[str, tuple[dict[str, Any], str]] = {
        word: ({key: (Annotated[float, value], ...) for key, value in values}, meaning)
        for word, (_, values, meaning) in STEPS.items()
    }
    kinds["request"] = {"what": (Literal[*REQUESTS], ...)}, "a request to the supervisor"
    kinds["inject"] = {"fault": (Literal[*runs], ...), **extra}, "something goes wrong"
    mended = [word for word in runs if FAULTS[word].right is not None]
    kinds["mend"] = {"fault": (Literal[*mended], ...)}, "that is as it was"
    return [create_model(f"step {word}", __base__=Step, __doc__=meaning, **{"do": (Literal[word], ...), **more})
            for word, (more, meaning) in kinds.items()]  # fmt: skip


if TYPE_CHECKING:
    AnyStep = Any
else:
    AnyStep = Annotated[reduce(or_, _steps()), Field(discriminator="do")]


class Head(Table):
    """The scenario itself."""

    name: str | None = Field(None, min_length=1, max_length=120)
    start: Annotated[float, ANGLE[1]]
    duration: Annotated[float, Quantity("s", "1.5 s", 0.05, 600.0)]
    self_test: bool = Field(False, strict=True, description="Whether the self-test at arming runs.")


class PartTable(Table):
    """Which part of the spread."""

    seed: int = Field(ge=0, lt=2**31, strict=True)
    number: int = Field(ge=0, lt=2**31, strict=True)


class ScenarioFile(Table):
    """The whole file."""

    scenario: Head
    part: PartTable | None = None
    step: list[AnyStep] = []


@dataclass
class Chosen:
    """A scenario read from a file, and the part it is to run on (None: nominal)."""

    scenario: Scenario
    part: tuple[int, int] | None = None
    """Seed and number of the part drawn from the spread."""


def step_words(kind: int, a: float, b: float, c: float, tick_s: float) -> dict[str, Any]:
    """A program's event as the keys of a step. Raises KeyError for kinds that have no word."""
    for name, (number, values, _) in STEPS.items():
        if number == kind:
            given = zip(values, (a, b, c), strict=False)
            return {
                "do": name,
                **{key: _text(number, value.unit) for (key, value), number in given},
            }
    if kind == schedule.REQUEST:
        return {
            "do": "request",
            "what": next(word for word, value in REQUESTS.items() if value == a),
        }
    found = named(kind, a)
    if found is None:
        raise KeyError(kind)
    wrong, word = found
    fault = FAULTS[word]
    if fault.value is None or not wrong:
        return {"do": "inject" if wrong else "mend", "fault": word}
    value = a * tick_s if kind == schedule.LATE else a
    return {"do": "inject", "fault": word, fault.value[0]: _text(value, fault.value[1].unit)}


def _text(value: float, unit: str) -> str:
    if unit in ("rad", "rad/s"):
        return f"{value / DEG:.9g} {unit.replace('rad', 'deg')}"
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
    file = read_tables(ScenarioFile, parse_toml(read_text(path), name), name)
    head = file.scenario
    title = head.name or Path(name).stem
    scene = Scenario(title, head.start, head.duration, meaning=title, self_test=head.self_test)
    with of_file(name):
        last = 0.0
        for k, one in enumerate(file.step):
            if not last <= one.at <= head.duration:
                raise InputError("", f"step.{k}.at", f"{one.at:g} s", "steps must be in order of time, none "
                                 f"after the end ({head.duration:g} s)")  # fmt: skip
            last = one.at
            _add(scene, f"step.{k}", one, tick_s)
    return Chosen(scene, (file.part.seed, file.part.number) if file.part is not None else None)


def _add(scene: Scenario, key: str, one: Any, tick_s: float) -> None:
    """Add one step to the scenario. Raises InputError."""
    if one.do == "request":
        scene.at(one.at, schedule.REQUEST, float(REQUESTS[one.what]))
    elif one.do in ("inject", "mend"):
        scene.at(one.at, FAULTS[one.fault].kind, _fault_value(key, one, tick_s))
    else:
        kind, values, _ = STEPS[one.do]
        numbers = [float(getattr(one, name)) for name, _ in values]
        if kind == schedule.OBJECT:
            scene.object_Nm_rad = max(scene.object_Nm_rad, numbers[1])
        scene.at(one.at, kind, *numbers, *[0.0] * (3 - len(numbers)))


def _fault_value(key: str, one: Any, tick_s: float) -> float:
    """First value of the event that injects or mends a fault. Raises InputError."""
    fault = FAULTS[one.fault]
    if one.do == "mend":
        return float(fault.right or 0.0)
    own = fault.value[0] if fault.value is not None else None
    for name in VALUES:
        if getattr(one, name) is not None and name != own:
            raise InputError(
                "", f"{key}.{name}", getattr(one, name), f'"{one.fault}" has no such value'
            )
    given = getattr(one, own) if own is not None else None
    value = float(fault.wrong) if given is None else float(given)
    return float(ceil(value / tick_s - 1e-9)) if fault.kind == schedule.LATE else value
