"""The joint file: the description of one joint that people write (TOML).

Values are strings with units. Every key is declared below with its unit, an
example and the allowed range; unknown keys, bare numbers where a unit is
needed, and values out of range are refused with file, key, value and what is
allowed. Formulas that turn the file into constants: ``datasheet.py`` (plant)
and ``settings.py`` (controller).
"""

import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError
from pydantic_core import core_schema

from sim import units
from sim.errors import InputError

ABOVE_ZERO = 1e-30
"""Low end of a range that excludes zero."""


@dataclass(frozen=True)
class Quantity:
    """Marks a float that is read from text with a unit, allowed in [low, high]."""

    unit: str
    example: str
    low: float
    high: float

    def read(self, value: object) -> float:
        """Return the SI number of ``value``; ValueError says what is allowed."""
        number = units.parse(value, self.unit, self.example)
        if not self.low <= number <= self.high:
            low = "more than 0" if self.low == ABOVE_ZERO else f"at least {self.low:g} {self.unit}"
            raise ValueError(f"must be {low} and at most {self.high:g} {self.unit}")
        return number

    def __get_pydantic_core_schema__(self, source: Any, handler: Any) -> Any:
        return core_schema.no_info_plain_validator_function(self.read)


Angle = Annotated[float, Quantity("rad", "30 deg", -700.0, 700.0)]
Width = Annotated[float, Quantity("rad", "1.5 deg", 0.0, 6.4)]
Length = Annotated[float, Quantity("m", "6 mm", ABOVE_ZERO, 2.0)]
Torque = Annotated[float, Quantity("N*m", "1.2 mN*m", 0.0, 100.0)]
PosTorque = Annotated[float, Quantity("N*m", "1.9 kgf*cm", ABOVE_ZERO, 100.0)]
Force = Annotated[float, Quantity("N", "3 N", ABOVE_ZERO, 1.0e5)]
Inertia = Annotated[float, Quantity("kg*m^2", "5e-6 kg*m^2", 1e-12, 1.0)]
Voltage = Annotated[float, Quantity("V", "5.0 V", ABOVE_ZERO, 100.0)]
Current = Annotated[float, Quantity("A", "0.70 A", ABOVE_ZERO, 50.0)]
Speed = Annotated[float, Quantity("rad/s", "600 deg/s", ABOVE_ZERO, 1000.0)]
Acceleration = Annotated[float, Quantity("rad/s^2", "6000 deg/s^2", ABOVE_ZERO, 1e6)]
Jerk = Annotated[float, Quantity("rad/s^3", "200000 deg/s^3", ABOVE_ZERO, 1e9)]
Resistance = Annotated[float, Quantity("ohm", "0.6 ohm", 0.0, 1e7)]
PosResistance = Annotated[float, Quantity("ohm", "10 kohm", ABOVE_ZERO, 1e9)]
Stiffness = Annotated[float, Quantity("N/m", "25 kN/m", ABOVE_ZERO, 1e9)]
Time = Annotated[float, Quantity("s", "100 ms", 0.0, 1000.0)]
Rate = Annotated[float, Quantity("Hz", "500 Hz", 10.0, 10000.0)]
Temperature = Annotated[float, Quantity("degC", "85 degC", -40.0, 300.0)]
ThermalResistance = Annotated[float, Quantity("K/W", "25 K/W", ABOVE_ZERO, 1e4)]
HeatCapacity = Annotated[float, Quantity("J/K", "0.35 J/K", ABOVE_ZERO, 1e5)]
Constant = Annotated[float, Quantity("N*m/A", "0.39 N*m/A", ABOVE_ZERO, 1000.0)]
Viscous = Annotated[float, Quantity("N*m*s/rad", "1.5 mN*m*s/rad", 0.0, 100.0)]
Damping = Annotated[float, Quantity("N*s/m", "1 N*s/m", 0.0, 1e4)]
Thickness = Annotated[float, Quantity("m", "0.6 mm", 1e-5, 0.02)]
Pretension = Annotated[float, Quantity("N", "5 N", 0.0, 1e4)]
Electrical = Annotated[float, Quantity("rad", "340 deg", 0.1, 70.0)]
TipForce = Annotated[float, Quantity("N", "3 N", ABOVE_ZERO, 2000.0)]
Capacitance = Annotated[float, Quantity("F", "10 nF", 0.0, 1e-3)]


class Table(BaseModel):
    """Base of every table of the file: unknown keys are refused."""

    model_config = ConfigDict(extra="forbid", validate_default=False)


class JointTable(Table):
    """The hinge itself."""

    name: str = Field(min_length=1, max_length=120, description="What you call this joint.")
    travel: Literal["limited", "continuous"] = Field(
        "limited", description="Whether the joint has ends, or turns without end."
    )
    range: tuple[Angle, Angle] | None = Field(
        None, description="Lowest and highest angle that may be commanded (limited travel)."
    )
    stops: tuple[Angle, Angle] | None = Field(
        None, description="Hard stops; left out, 5 deg beyond the range."
    )
    tip_distance: Length = Field(description="Hinge to the point that touches.")
    inertia: Inertia = Field(description="Moment of inertia of the moving part about the hinge.")
    gravity_torque: Torque = Field(0.0, description="Torque of gravity where it is greatest.")
    gravity_at: Angle = Field(0.0, description="Angle at which gravity's torque is greatest.")
    friction: Torque = Field(1.0e-3, description="Dry friction of the hinge.")
    damping: Viscous = Field(0.0, description="Viscous friction of the hinge.")


class MotorTable(Table):
    """The gear motor: by datasheet values at one voltage, or by constants."""

    voltage: Voltage | None = Field(None, description="Voltage of the datasheet values.")
    stall_torque: PosTorque | None = None
    stall_current: Current | None = None
    no_load_speed: Speed | None = None
    no_load_current: Current | None = None
    board_resistance: Resistance = Field(
        0.6, description="Resistance of the driver inside the datasheet's stall current."
    )
    gear_ratio: float | None = Field(None, ge=1, le=100000)
    rotor_inertia: Inertia | None = Field(None, description="Rotor alone, before the gear.")
    backlash: Width = Field(0.026, description="Whole lost motion at the output.")
    winding_limit: Temperature = Field(110.0, description="Hottest winding allowed.")
    coulomb_share: float = Field(
        0.6, ge=0, le=1, description="Share of the no-load loss that is dry friction (a guess)."
    )
    stiction_ratio: float = Field(1.35, ge=1, le=3, description="Friction at rest over sliding.")
    # by constants, seen at the output
    resistance: PosResistance | None = Field(None, description="Winding at 25 degC (constants).")
    torque_constant: Constant | None = Field(None, description="At the output (constants).")
    output_inertia: Inertia | None = Field(None, description="At the output (constants).")
    viscous: Viscous | None = Field(None, description="At the output (constants).")
    coulomb: Torque | None = Field(None, description="At the output (constants).")
    load_loss: float | None = Field(None, ge=0, lt=1, description="Friction per torque passed on.")
    # heat: guesses of the class where left out
    winding_to_case: ThermalResistance = 25.0
    case_to_air: ThermalResistance = 45.0
    winding_heat: HeatCapacity = 0.35
    case_heat: HeatCapacity = 5.0


class CableTable(Table):
    """Between drum and joint."""

    kind: Literal["pair", "spring_return", "direct"] = "pair"
    drum_radius: Length = 0.006
    joint_radius: Length = 0.006
    arm_1: float = Field(0.0, ge=-2, le=2, description="Moment arm: r*(1 + arm_1*q + arm_2*q^2).")
    arm_2: float = Field(0.0, ge=-2, le=2)
    stiffness: Stiffness | None = Field(None, description="Of one cable, drum to joint.")
    material: Literal["polyethylene_braid", "aramid_braid", "steel_strand"] | None = None
    diameter: Thickness | None = None
    length: Length | None = None
    damping: Damping = 1.0
    breaking_strength: Force | None = None
    safety_factor: float = Field(
        3.0, ge=1, le=50, description="Breaking strength over allowed pull."
    )
    pretension: Pretension = 5.0
    guide_friction: float = Field(0.1, ge=0, le=2, description="Friction of cable on guide.")
    guide_wrap: Width = Field(2.0, description="Whole angle of wrap over guides.")
    spring_stiffness: Stiffness | None = Field(None, description="Return spring (spring_return).")


class SensorTable(Table):
    """The potentiometer in the joint, and the converter."""

    electrical_angle: Electrical
    dead_gap_at: Angle | None = Field(None, description="Joint angle at the middle of the gap.")
    reversed: bool = Field(False, description="Whether the reading falls as the angle grows.")
    linearity: float = Field(0.015, ge=0, le=0.2, description="Share of full scale.")
    resistance: PosResistance = 1.0e4
    pull_down: PosResistance | None = Field(None, description="Wiper to ground.")
    capacitance: Capacitance = Field(1.0e-8, description="Of the wiper's wire and filter.")
    converter_bits: int = Field(12, ge=6, le=16)
    effective_bits: float = Field(9.5, ge=4, le=16, description="Of the reading, oversampled.")
    oversampling: int = Field(4, ge=1, le=64)
    wipers: Literal[1, 2] = 1
    second_wiper_at: Angle = Field(3.141592653589793, description="By which the second leads.")


class DriveTable(Table):
    """Supply and power stage."""

    kind: Literal["bridge", "pulse", "builtin"] = "bridge"
    board: Literal["proportional", "stretching"] = Field(
        "proportional", description="Pulse drive: how the motor's board uses the error."
    )
    supply: Voltage = 5.0
    supply_resistance: Resistance = 0.2
    driver_resistance: Resistance = 0.6
    reversed: bool = Field(
        False, description="Whether the motor's two wires are the other way round."
    )
    current_sensor: bool = False


class ControlTable(Table):
    """The control tick."""

    rate: Rate = 500.0
    compute_delay: Time | None = Field(
        None, description="From reading to drive; left out, one whole tick."
    )
    plan_ticks: int = Field(1, ge=1, le=50)


class LimitsTable(Table):
    """What must never be exceeded."""

    tip_force: TipForce
    grip_force: TipForce | None = None
    speed: Speed | None = Field(None, description="Left out, the no-load speed at full supply.")
    grip_speed: Speed = 1.0
    acceleration: Acceleration | None = None
    jerk: Jerk | None = None
    link_silence: Time = Field(0.08, description="Longest silence of the host, 5 ms to 100 ms.")
    warm: Temperature = 85.0
    air: Temperature = 25.0
    supply_low: Voltage | None = Field(None, description="Left out, 70 % of the supply.")
    self_test: bool = Field(True, description="Low-force self-test at every arming.")


Spread = dict[str, list[str]]


class JointFile(Table):
    """The whole file."""

    joint: JointTable
    motor: MotorTable
    cable: CableTable = CableTable()
    sensor: SensorTable
    drive: DriveTable = DriveTable()
    control: ControlTable = ControlTable()
    limits: LimitsTable
    spread: Spread = {}
    gains: dict[str, Any] | None = Field(None, description="Written by `jointloop tune`.")
    calibration: dict[str, Any] | None = Field(None, description="Written by `calibrate`.")
    identified: dict[str, Any] | None = Field(None, description="Written by `identify`.")


def read_text(path: str | Path) -> str:
    """Return the text of a file; InputError where it is none or not UTF-8."""
    name = str(path)
    try:
        data = Path(path).read_bytes()
    except IsADirectoryError:
        raise InputError(name, "", None, "is a folder; name a joint file (TOML)") from None
    except FileNotFoundError:
        raise InputError(name, "", None, "no such file; `jointloop new` writes one") from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise InputError(name, "", None, f"cannot be read: {reason}") from None
    if len(data) > 4_000_000:
        raise InputError(name, "", None, "is larger than 4 MB; this is no joint file")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        raise InputError(name, f"line {line}", None, "is not UTF-8 text") from None


def parse_toml(text: str, name: str) -> dict[str, Any]:
    """Return the tables of TOML text; InputError names file and place."""
    try:
        return tomllib.loads(text)
    except (ValueError, RecursionError) as error:  # TOMLDecodeError, or a number without end
        raise InputError(name, "", None, f"is not valid TOML: {error}") from None


def _explain(error: ValidationError, name: str) -> InputError:
    """Turn the first complaint of the schema into our words."""
    first = error.errors(include_url=False)[0]
    key = ".".join(str(one) for one in first["loc"] if not str(one).startswith("function-"))
    value = first.get("input")
    kind = first["type"]
    if kind == "extra_forbidden":
        return InputError(name, key, value, "unknown key; allowed: " + _siblings(first["loc"]))
    if kind == "missing":
        return InputError(name, key, None, "is missing; " + _hint(first["loc"]))
    if kind == "value_error":
        return InputError(name, key, value, str(first["ctx"]["error"]))
    if kind == "literal_error":
        return InputError(name, key, value, "must be " + first["ctx"]["expected"])
    if isinstance(value, dict):
        value = None
    return InputError(name, key, value, first["msg"][0].lower() + first["msg"][1:])


def _table_of(loc: tuple) -> type[BaseModel] | None:
    model: Any = JointFile
    for one in loc[:-1]:
        field = model.model_fields.get(one) if hasattr(model, "model_fields") else None
        model = field.annotation if field is not None else None
    return model if isinstance(model, type) and issubclass(model, BaseModel) else None


def _siblings(loc: tuple) -> str:
    model = _table_of(loc)
    return ", ".join(model.model_fields) if model is not None else ""


def _hint(loc: tuple) -> str:
    model = _table_of(loc)
    field = model.model_fields.get(loc[-1]) if model is not None else None
    if field is None:
        return "see `jointloop new`"
    for one in field.metadata:
        if isinstance(one, Quantity):
            return f'for example "{one.example}"'
    return "see `jointloop new`"


def load(path: str | Path) -> JointFile:
    """Read and check a joint file. Raises InputError."""
    name = str(path)
    return check(parse_toml(read_text(path), name), name)


def check(tables: dict[str, Any], name: str) -> JointFile:
    """Check the tables of a joint file against the schema and each other."""
    try:
        found = JointFile.model_validate(tables)
    except ValidationError as error:
        raise _explain(error, name) from None
    _agree(found, name)
    return found


def _agree(file: JointFile, name: str) -> None:
    """Refuse values that contradict each other across keys."""
    joint = file.joint
    if joint.travel == "limited":
        if joint.range is None:
            raise InputError(
                name, "joint.range", None, 'is missing; for example ["0 deg", "100 deg"]'
            )
        if joint.range[1] - joint.range[0] < 0.0174532:
            raise InputError(name, "joint.range", None, "must rise by at least 1 deg")
        if joint.stops is not None and not (
            joint.stops[0] <= joint.range[0] and joint.range[1] <= joint.stops[1]
        ):
            raise InputError(name, "joint.stops", None, "must lie outside joint.range")
    elif joint.range is not None or joint.stops is not None:
        raise InputError(name, "joint.range", None, 'has no place where travel = "continuous"')
    elif file.sensor.electrical_angle > 6.2831853071795864:
        raise InputError(
            name, "sensor.electrical_angle", None, "must be at most 360 deg for continuous travel"
        )
    cable = file.cable
    if (
        cable.kind != "direct"
        and cable.stiffness is None
        and (cable.material is None or cable.diameter is None or cable.length is None)
    ):
        raise InputError(
            name, "cable.stiffness", None, "give stiffness, or material, diameter and length"
        )
    if cable.kind == "spring_return" and cable.spring_stiffness is None:
        raise InputError(
            name,
            "cable.spring_stiffness",
            None,
            'is missing; kind = "spring_return" needs it, for example "200 N/m"',
        )
    if file.limits.warm >= file.motor.winding_limit:
        raise InputError(
            name,
            "limits.warm",
            file.limits.warm,
            f"must be below motor.winding_limit ({file.motor.winding_limit:g} degC)",
        )
