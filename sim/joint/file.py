"""The joint file: the description of one joint that people write (TOML).

Values are strings with units. Every key is declared below with its unit, an
example and the allowed range; unknown keys, bare numbers where a unit is
needed, and values out of range are refused with file, key, value and what is
allowed. Formulas that turn the file into constants: ``datasheet.py`` (plant)
and ``settings.py`` (controller).
"""

import re
from collections.abc import Iterator
from typing import Annotated, Any, ClassVar, Literal

from pydantic import BeforeValidator, Field

from controller.joint.angles import TURN_RAD
from sim.errors import InputError, together
from sim.joint.quantities import (
    Acceleration,
    Angle,
    Capacitance,
    Constant,
    Current,
    Damping,
    Electrical,
    Force,
    HeatCapacity,
    Inertia,
    Jerk,
    Length,
    Mass,
    PosResistance,
    PosTorque,
    Pretension,
    Rate,
    Resistance,
    Speed,
    Stiffness,
    Temperature,
    ThermalResistance,
    Thickness,
    Time,
    TipForce,
    Torque,
    Viscous,
    Voltage,
    Width,
)
from sim.joint.result_tables import CalibrationTable, GainsTable, IdentifiedTable
from sim.schema import Table, read


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


def ratio_of(value: Any) -> Any:
    """A gear ratio as catalogues write it: "1:298", "298:1"."""
    found = (
        re.match(r"^\s*(\d+(?:\.\d+)?)\s*:\s*(\d+(?:\.\d+)?)\s*$", value)
        if isinstance(value, str)
        else None
    )
    if found is None or not float(found[1]) or not float(found[2]):
        return value
    one, other = float(found[1]), float(found[2])
    return max(one, other) / min(one, other)


class MotorTable(Table):
    """The gear motor: by datasheet values at one voltage, or by constants."""

    renamed: ClassVar[dict[str, str]] = {"board_resistance": "amplifier_resistance"}

    voltage: Voltage | None = Field(None, description="Voltage of the datasheet values.")
    stall_torque: PosTorque | None = None
    stall_current: Current | None = None
    no_load_speed: Speed | None = None
    no_load_current: Current | None = None
    amplifier_resistance: Resistance = Field(
        0.6, description="Resistance of the driver inside the datasheet's stall current."
    )
    gear_ratio: Annotated[float, BeforeValidator(ratio_of)] | None = Field(
        None, ge=1, le=100000, description='Turns of the motor for one at the output; or "1:298".'
    )
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
    cost: float | None = Field(None, ge=0, description="Of one, in whatever money you count.")
    mass: Mass | None = None
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

    renamed: ClassVar[dict[str, str]] = {"board": "amplifier"}

    kind: Literal["bridge", "pulse", "builtin"] = "bridge"
    amplifier: Literal["proportional", "stretching"] = Field(
        "proportional", description="Pulse drive: how the motor's own amplifier uses the error."
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


class GoalsTable(Table):
    """What the joint shall give; `jointloop size` says met or missed, `reach` what to change."""

    tip_force: Force | None = Field(
        None, description="Pressed with, stalled at full supply, by 95 % of the parts."
    )
    step: Angle | None = Field(None, description="A step of this size ...")
    within: Time | None = Field(None, description="... settles to 2 % in this, 95 % of the parts.")
    hold: Time | None = Field(
        None,
        description="tip_force (or the force limit) held from cold, until the limit is lowered.",
    )
    supply_current: Current | None = Field(
        None, description="Most drawn from the supply at the force limit, by 95 % of the parts."
    )
    cost: float | None = Field(None, ge=0, description="Of the motor, at most (motor.cost).")
    mass: Mass | None = Field(None, description="Of the motor, at most (motor.mass).")


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
    goals: GoalsTable | None = Field(None, description="What the joint shall give.")
    spread: Spread = {}
    gains: GainsTable | None = Field(None, description="Written by `jointloop tune`.")
    calibration: CalibrationTable | None = Field(None, description="Written by `calibrate`.")
    identified: IdentifiedTable | None = Field(None, description="Written by `identify`.")


def check(tables: dict[str, Any], name: str) -> JointFile:
    """Check the tables of a joint file against the schema and each other. Raises InputError."""
    found = read(JointFile, tables, name)
    wrong = [InputError(name, *one) for one in _contradictions(found)]
    if wrong:
        raise together(wrong)
    return found


def _contradictions(file: JointFile) -> Iterator[tuple[str, object, str]]:
    """What contradicts each other across keys: key, value, what is allowed."""
    joint, cable, limits = file.joint, file.cable, file.limits
    if joint.travel == "continuous":
        if joint.range is not None or joint.stops is not None:
            yield "joint.range", None, 'has no place where travel = "continuous"'
        if file.sensor.electrical_angle > TURN_RAD:
            yield "sensor.electrical_angle", None, "must be at most 360 deg for continuous travel"
    elif joint.range is None:
        yield "joint.range", None, 'is missing; for example ["0 deg", "100 deg"]'
    else:
        low, high = joint.range
        if high - low < 0.0174532:
            yield "joint.range", None, "must rise by at least 1 deg"
        elif joint.stops is not None and not joint.stops[0] <= low < high <= joint.stops[1]:
            yield "joint.stops", None, "must lie outside joint.range"
    made_of = (cable.material, cable.diameter, cable.length)
    if cable.kind != "direct" and cable.stiffness is None and None in made_of:
        yield "cable.stiffness", None, "give stiffness, or material, diameter and length"
    if cable.kind == "spring_return" and cable.spring_stiffness is None:
        yield ("cable.spring_stiffness", None,
               'is missing; kind = "spring_return" needs it, for example "200 N/m"')  # fmt: skip
    goals = file.goals
    if goals is not None:
        if (goals.step is None) != (goals.within is None):
            yield "goals.step", goals.step, "and goals.within belong together"
        if goals.step is not None and goals.step <= 0.0:
            yield "goals.step", goals.step, "must be more than 0: steps are made both ways"
        for key in ("cost", "mass"):
            if getattr(goals, key) is not None and getattr(file.motor, key) is None:
                yield f"goals.{key}", getattr(goals, key), f"needs motor.{key} to be held against"
    if limits.warm >= file.motor.winding_limit:
        yield ("limits.warm", limits.warm,
               f"must be below motor.winding_limit ({file.motor.winding_limit:g} degC)")  # fmt: skip
