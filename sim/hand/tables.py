"""What a hand file (TOML) may hold: joints by reference, boards, supply, fingers, postures, sequences."""

from typing import Annotated, Any, ClassVar, Literal

from pydantic import BeforeValidator, Field

from sim.joint.quantities import Angle
from sim.schema import ABOVE_ZERO, Quantity, Table

MOST_JOINTS = 64
Name = Annotated[str, Field(min_length=1, max_length=80)]
Pins = list[Annotated[int, Field(ge=0, lt=200, strict=True)]]
Count = Annotated[float, Field(ge=0.0, lt=1e9, strict=True)]
Ohm = Annotated[float, Quantity("ohm", "0.05 ohm", 0.0, 10.0)]
Mass = Annotated[float, Quantity("kg", "18 g", 0.0, 10.0)]


class HandTable(Table):
    """The hand itself, and what it may cost and weigh."""

    name: Name
    cost_limit: Count | None = Field(None, description="In your money.")
    mass_limit: Annotated[float, Quantity("kg", "400 g", 0.0, 100.0)] | None = None


class SupplyTable(Table):
    """One supply for all motors."""

    voltage: Annotated[float, Quantity("V", "5.0 V", 1.0, 30.0)]
    resistance: Ohm = 0.0
    wire_resistance: Ohm = 0.0
    lowest: Annotated[float, Quantity("V", "4.0 V", 0.5, 30.0)] | None = Field(
        None, description="Below, boards brown out; left out, 80 % of the voltage."
    )


class BoardTable(Table):
    """One microcontroller board."""

    name: Name
    port: str | None = Field(None, description="Left out, a virtual board.")
    pins: Pins
    tick_cost: Annotated[float, Quantity("s", "400 us", 1e-6, 0.1)] = Field(
        1e-3, description="Of one joint, measured there, or an estimate."
    )
    link: Count = Field(60_000.0, description="Octets that the port carries in a second.")


class MemberTable(Table):
    """One joint of the hand: a joint file, or another joint's by ``like``, with overrides."""

    name: Name
    file: str | None = None
    like: str | None = None
    board: str | None = None
    pins: Pins | None = None
    cost: Count | None = None
    mass: Mass | None = None
    override: dict[str, dict[str, Any]] = {}


class MomentArm(Table):
    """A cable's moment arm over another joint, by one of three models (J. M. F. Landsmeer, 1961).

    1: a pulley of radius r; 2: a loop that may bowstring; 3: a sheath at distance r of the bone, y along it.
    """

    renamed: ClassVar[dict[str, str]] = {"landsmeer": "model"}

    model: Literal[1, 2, 3]
    r: Annotated[float, Quantity("m", "5 mm", 1e-4, 0.1)]
    y: Annotated[float, Quantity("m", "10 mm", 0.0, 0.1)] = 0.0


def _length(value: object) -> object:
    """A length, for a moment arm that does not change; 0 needs no unit."""
    if isinstance(value, dict):
        return value
    return 0.0 if value in (0, 0.0, "0") else Quantity("m", "5 mm", -0.1, 0.1).read(value)


Arm = Annotated[MomentArm | Annotated[float, Field(strict=True)], BeforeValidator(_length)]


class LinkTable(Table):
    """One segment of a finger: mass, length, and its centre of mass from the hinge (the middle)."""

    mass: Annotated[float, Quantity("kg", "8 g", 0.0, 5.0)]
    length: Annotated[float, Quantity("m", "40 mm", 1e-3, 1.0)]
    centre: Annotated[float, Quantity("m", "20 mm", ABOVE_ZERO, 1.0)] | None = None


class FingerTable(Table):
    """Joints from the palm on; row k, column j of ``arms``: the cable of joint k over joint j."""

    name: Name | None = None
    joints: list[str] = Field(min_length=1)
    arms: list[list[Arm]] | None = None
    links: list[LinkTable] | None = None
    tilt: Annotated[float, Quantity("rad", "-90 deg", -7.0, 7.0)] = Field(
        0.0, description="Of the first link at angle zero, against the level."
    )


class SequenceTable(Table):
    """Postures at times."""

    renamed: ClassVar[dict[str, str]] = {"seconds": "duration"}

    name: Name | None = None
    steps: list[tuple[Annotated[float, Quantity("s", "1.5 s", 0.0, 3600.0)], str]] = Field(
        min_length=1, examples=['[["0 s", "rest"], ["1 s", "wrap"]]']
    )
    duration: Annotated[float, Quantity("s", "4 s", 0.1, 3600.0)] | None = None


class HandFile(Table):
    """The whole file."""

    hand: HandTable
    supply: SupplyTable
    board: list[BoardTable] = Field(min_length=1)
    joint: list[MemberTable] = Field(min_length=1, max_length=MOST_JOINTS)
    finger: list[FingerTable] = []
    posture: dict[str, dict[str, Angle]] = {}
    sequence: list[SequenceTable] = []
