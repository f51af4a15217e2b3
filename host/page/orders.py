"""What a page may ask: every order once, with what is said in it, who may ask it and what a STOP does to it."""

import math
from dataclasses import dataclass
from typing import Annotated, Any

from pydantic import BeforeValidator, Field

from sim.errors import InputError
from sim.schema import Table, nearest, read

SHOWN = ("kp", "ki", "kd", "derivative_filter_s", "breakaway_feed_V", "rest_in_rad")
"""Gains that the page offers."""


def _within(low: float, high: float, unit: str) -> Any:
    """A plain number in [low, high]; what else is sent is refused in words."""

    def check(value: object) -> float:
        if (
            isinstance(value, bool)
            or not isinstance(value, int | float)
            or not math.isfinite(value)
        ):
            raise ValueError("must be a number")
        if not low <= value <= high:
            raise ValueError(f"must lie in {low:g} .. {high:g} {unit}")
        return float(value)

    return Annotated[float, BeforeValidator(check)]


class Nothing(Table):
    """An order that says nothing more."""


class OfJoint(Table):
    """Of one joint, by its number on the page."""

    joint: Annotated[int, Field(strict=True)] = 0


class Beat(Table):
    """Whether a person can see the page."""

    visible: bool = False


class Arm(OfJoint):
    """Whether the caution was ticked for this joint."""

    cautioned: bool = False


class Jog(OfJoint):
    """By how much, from the setpoint."""

    by_deg: _within(-30.0, 30.0, "deg")  # type: ignore[valid-type]


class Go(OfJoint):
    """Where to, within the joint's range."""

    angle_deg: _within(-36000.0, 36000.0, "deg")  # type: ignore[valid-type]


class Sine(OfJoint):
    """About where the joint is."""

    amplitude_deg: _within(0.1, 90.0, "deg")  # type: ignore[valid-type]
    hertz: _within(0.05, 5.0, "Hz")  # type: ignore[valid-type]
    duration_s: _within(0.5, 120.0, "s")  # type: ignore[valid-type]


class NewGains(OfJoint):
    """Gains that differ; ``sure``: asked once more, beyond the bounds."""

    gains: dict[str, Any] | None = None
    sure: bool = False


class Undo(OfJoint):
    """``sure``: asked once more, beyond the bounds."""

    sure: bool = False


class Force(OfJoint):
    """Share of the file's force limit."""

    share: _within(0.2, 1.0, "of the limit")  # type: ignore[valid-type]


class Inject(OfJoint):
    """What is to go wrong."""

    fault: str


@dataclass(frozen=True)
class Order:
    """One order: what is said in it; whether a page that only watches may ask it; what it makes the link do.

    link: the link's order. voided: void where a STOP came after it was asked, for that stays latched.
    again: category of the stop that is given again where it may have reached a board before.
    """

    said: type[Table]
    watchers: bool = False
    link: str = ""
    voided: bool = False
    again: int | None = None


ORDERS = {
    "beat": Order(Beat, watchers=True),
    "stop": Order(Nothing, watchers=True),
    "control": Order(Nothing, watchers=True, link="drive_off"),
    "preview": Order(NewGains, watchers=True),
    "arm": Order(Arm, link="arm", voided=True, again=1),
    "drive_off": Order(Nothing, link="drive_off"),
    "clear": Order(Nothing, link="clear", voided=True, again=0),
    "release": Order(OfJoint, link="release", voided=True),
    "jog": Order(Jog, link="target", voided=True),
    "go": Order(Go, link="target", voided=True),
    "sine": Order(Sine, link="sine", voided=True),
    "apply": Order(NewGains, link="apply", voided=True),
    "undo": Order(Undo, link="apply", voided=True),
    "force": Order(Force, link="apply", voided=True),
    "inject": Order(Inject, link="inject"),
    "hand": Order(Go, link="hand"),
    "compare": Order(OfJoint),
    "save": Order(OfJoint),
    "report": Order(Nothing),
}
VOIDED = {one.link for one in ORDERS.values() if one.voided}
"""The link's orders that are void where a stop came after they were asked: nothing moves."""
AGAIN = {one.link: one.again for one in ORDERS.values() if one.again is not None}


def read_order(asked: dict[str, Any], joints: int) -> tuple[Order, Any]:
    """The order that a page's message is, and what is said in it. Raises InputError."""
    name = asked.get("do")
    if name not in ORDERS:
        raise InputError("", "do", name, "is not known; " + nearest(str(name), list(ORDERS)))
    order = ORDERS[name]
    said = read(
        order.said, {key: value for key, value in asked.items() if key not in ("do", "id")}, ""
    )
    if isinstance(said, OfJoint) and not 0 <= said.joint < joints:
        raise InputError("", "joint", said.joint, f"must be 0 .. {joints - 1}")
    return order, said
