"""The wiring of a board, ``board.json``: pins, tick rate, hard limits; checked before anything is copied."""

import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

from pydantic import Field

from controller.joint.settings.settings import Settings
from controller.records import leaves
from sim.errors import InputError, together
from sim.schema import Table, read

if TYPE_CHECKING:
    from sim.run.closed_loop import Joint

COUNTS = 4095
"""Of the 12-bit conversions that the board makes."""
BOUNDS = ("rest_V", "emf_V_s")
"""What the board itself holds every joint's settings to: voltage at rest, back-EMF per joint speed."""
ROUNDING = 1.001
MOST_HARD = 16
CONVERTER_PINS = (26, 27, 28, 29)

Pin = Annotated[int, Field(ge=0, le=47, strict=True)]
Bound = Annotated[float, Field(gt=0.0, le=100.0, strict=True)]


class JointPins(Table):
    """Pins of one joint."""

    wiper: Pin
    second_wiper: Pin | None = None
    out: tuple[Pin, Pin | None] = Field(
        description="Two pins of a bridge, or [pin, null] of a pulse.", examples=["[2, 3]"]
    )
    oversampling: int = Field(1, ge=1, le=64, strict=True)
    name: str | None = None
    rest_V: Bound | None = None
    emf_V_s: Bound | None = None


class SupplyPin(Table):
    """Converter pin of the supply's divider, and the supply that reads full scale."""

    pin: Pin
    full_V: float = Field(gt=0.0, le=200.0, strict=True)


class BoardFile(Table):
    """The whole file."""

    tick_us: int = Field(ge=200, le=100_000, strict=True, description="Control tick, microseconds.")
    nominal_V: Bound = 5.0
    supply: SupplyPin | None = None
    stay_pin: Pin | None = Field(
        None, description="Held low at power-up: the board stays at its prompt."
    )
    joints: list[JointPins] = Field(min_length=1, max_length=8)
    hard_limits: list[tuple[str, float, float]] = Field(
        [], max_length=MOST_HARD, description="[setting, lowest, highest]"
    )


@dataclass
class Wiring:
    """The checked board.json."""

    path: Path
    data: dict[str, Any]


def read_wiring(path: Path) -> Wiring:
    """Read and check board.json. Raises InputError."""
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise InputError(
            str(path), "", None, "no such file; controller/README.md shows one"
        ) from None
    except (OSError, ValueError, RecursionError) as error:
        raise InputError(str(path), "", None, f"is no JSON: {error}") from None
    file = read(BoardFile, data, str(path))
    wrong = [
        InputError(str(path), *one) for one in (*_pins(file), *_timers(file), *_hard_limits(file))
    ]
    if wrong:
        raise together(wrong)
    return Wiring(path, data)


def bound(wiring: Wiring, joints: "list[Joint]") -> None:
    """Put into the wiring what bounds the force of every joint: from its file where that is given.

    Raises InputError where files and wiring do not agree, or a bound is in neither.
    """
    from controller.joint.settings.contradictions import rest_voltage

    file = str(wiring.path)
    rows = wiring.data["joints"]
    if joints and len(joints) != len(rows):
        raise InputError(
            "", "--joint", len(joints), f"{file} has {len(rows)} joints; give one file each"
        )
    for k, joint in enumerate(joints):
        s = joint.settings
        if round(s.tick_s * 1e6) != wiring.data["tick_us"]:
            raise InputError(joint.path, "control.rate", f"{1.0 / s.tick_s:g} Hz",
                             f"{file} ticks every {wiring.data['tick_us']} us")  # fmt: skip
        count = rows[k].get("oversampling", 1)
        if s.sensor.counts_top != COUNTS * count:
            raise InputError(joint.path, "sensor.oversampling", s.sensor.counts_top // COUNTS,
                             f"{file} sums {count} conversions of 12 bits (joints.{k}.oversampling)")  # fmt: skip
        found = {"rest_V": ROUNDING * rest_voltage(s), "emf_V_s": ROUNDING * s.limits.back_emf_V_s}
        for name, value in found.items():
            rows[k].setdefault(name, value)
    for k, row in enumerate(rows):
        for name in BOUNDS:
            if name not in row:
                raise InputError(file, f"joints.{k}.{name}", None, "is missing: give the joint's file "
                                 "with --joint, from which it follows")  # fmt: skip


def _pins(file: BoardFile) -> Iterator[tuple[str, object, str]]:
    """Pins used twice, and converter pins that are none."""
    used: dict[int, str] = {}
    rows: list[tuple[str, int | None, bool]] = []
    for k, one in enumerate(file.joints):
        rows += [
            (f"joints.{k}.wiper", one.wiper, True),
            (f"joints.{k}.second_wiper", one.second_wiper, True),
        ]
        rows += [(f"joints.{k}.out.{n}", pin, False) for n, pin in enumerate(one.out)]
    rows += [
        ("supply.pin", file.supply.pin if file.supply else None, True),
        ("stay_pin", file.stay_pin, False),
    ]
    for key, pin, converter in rows:
        if pin is None:
            continue
        if converter and pin not in CONVERTER_PINS and pin < 40:
            yield key, pin, "is no converter pin; those are 26 .. 29 (and 40 .. 47)"
        if pin in used:
            yield key, pin, f"is used by {used[pin]} already"
        used.setdefault(pin, key)


def _timer_of(pin: int) -> tuple[int, int]:
    """PWM slice and channel of a pin (RP2040 datasheet, 4.5.2; pins from 32 on: RP2350)."""
    if pin < 32:
        return (pin >> 1) & 7, pin & 1
    return 8 + ((pin >> 1) & 3), pin & 1


def _timers(file: BoardFile) -> Iterator[tuple[str, object, str]]:
    """Outputs that share a PWM channel, or a slice at two frequencies."""
    channels: dict[tuple[int, int], str] = {}
    kinds: dict[int, tuple[bool, str]] = {}
    for k, joint in enumerate(file.joints):
        pulse = joint.out[1] is None
        for n, pin in enumerate(joint.out):
            if pin is None:
                continue
            key = f"joints.{k}.out.{n}"
            one, channel = _timer_of(pin)
            other = channels.setdefault((one, channel), key)
            if other != key:
                yield key, pin, f"is the same PWM channel as {other}"
            was, first = kinds.setdefault(one, (pulse, key))
            if was != pulse:
                yield (key, pin, f"shares a PWM slice with {first}, whose frequency is another: a bridge and a "
                       "pulse need slices of their own")  # fmt: skip


def _hard_limits(file: BoardFile) -> Iterator[tuple[str, object, str]]:
    known = dict(leaves(Settings))
    for k, (name, low, high) in enumerate(file.hard_limits):
        if name not in known:
            yield f"hard_limits.{k}", name, "is no setting; controller/README.md lists them"
        elif not low <= high:
            yield f"hard_limits.{k}", [name, low, high], "must be two numbers, lowest <= highest"
