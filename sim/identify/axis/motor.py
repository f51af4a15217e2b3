"""Constants of a motor on the table, from the fit of its logs: what a joint file's [motor] keeps.

An axis driven by voltage obeys  (J R/K) a + (K + b R/K) w + (F R/K) sign w = u - offset,  one driven by
current  (J/K) a + (b/K) w + (F/K) sign w = i,  one driven by torque  J a + b w + F sign w = T
(textbook relations of the permanent-magnet DC motor, inductance left out). Voltage tells products only:
the winding's resistance must be measured, and b, a few hundredths of the damping, is the file's. What is not the logs' counts in the intervals as the part spread has it.
"""

from dataclasses import dataclass
from math import hypot, sqrt

from sim.identify.axis.axis_fit import AxisFit
from sim.joint.part import Part
from sim.joint.spread import DEFAULTS

KNOWN_OHM = 0.015
"""Relative deviation of a winding resistance by ohmmeter (common practice, no source)."""


@dataclass(frozen=True)
class MotorFound:
    """Constants at the output by key of [motor], SI, each with half of its 95 % interval."""

    values: dict[str, float]
    half_95: dict[str, float]
    remarks: list[str]


UNITS = {
    "resistance": "ohm", "torque_constant": "N*m/A", "output_inertia": "kg*m^2",
    "viscous": "N*m*s/rad", "coulomb": "N*m",
}  # fmt: skip


def motor_of(found: AxisFit, drive_unit: str, part: Part, winding_ohm: float | None) -> MotorFound:
    """What logs of the motor alone, its gear's output turning freely, say of its constants.

    drive_unit: "V", "A" or "N*m"; part: the file's; winding_ohm: at 25 degC, None: the file's. Terms that
    the logs do not tell stay the file's. Raises ValueError where the drive is no motor's or no inertia is told.
    """
    told = {name: (float(value), float(found.factor * deviation)) for name, value, deviation
            in zip(found.names, found.values, found.deviations, strict=True) if name not in found.untold}  # fmt: skip
    if "inertia" not in told:
        raise ValueError(
            "the logs do not tell the inertia: record quick changes of the drive, both ways"
        )
    motor, remarks = part.motor, []
    ohm_share = 2.0 * KNOWN_OHM if winding_ohm is not None else _half("resistance")
    ohm, emf = winding_ohm or motor.resistance_25_ohm, motor.emf_V_s
    emf_half = emf * _half("torque_constant")
    if drive_unit == "V":
        if winding_ohm is None:
            remarks.append(f"the winding's resistance is taken from the file, {ohm:.4g} ohm; voltage tells products only: "
                           "measure it, --resistance")  # fmt: skip
        drag = motor.viscous_Nms * ohm  # K + b R/K = v is a quadratic in K
        if "viscous" in told:
            v, reach = told["viscous"]
            if v * v <= 4.0 * drag:
                raise ValueError(
                    "the damping is less than the file's own friction gives: is the drive in volts?"
                )
            emf = 0.5 * (v + sqrt(v * v - 4.0 * drag))
            emf_half = hypot(reach, drag / emf * _half("motor_damping"))
            remarks.append(f"of the damping {100 * drag / emf / v:.1f} % is taken as the gear's own, as in the file")  # fmt: skip
        else:
            remarks.append("the logs do not tell the torque constant: the file's is kept")
        factor = emf / ohm
        factor_share = hypot(emf_half / emf, ohm_share)
        viscous = (motor.viscous_Nms, motor.viscous_Nms * _half("motor_damping"))
    elif drive_unit in ("A", "N*m"):
        factor = emf if drive_unit == "A" else 1.0
        factor_share = emf_half / emf if drive_unit == "A" else 0.0
        if drive_unit == "A":
            remarks.append(f"current tells mechanics only: the torque constant is the file's, {emf:.4g} N*m/A")  # fmt: skip
        known = told.get("viscous")
        viscous = (motor.viscous_Nms, motor.viscous_Nms * _half("motor_damping"))
        if known is not None:
            viscous = (
                known[0] * factor,
                factor * hypot(known[1], abs(known[0]) * factor_share),
            )
    else:
        raise ValueError(
            f"a drive in {drive_unit} is no motor's: the log must give volts, amperes or torque"
        )
    values, half = (
        {"resistance": ohm, "torque_constant": emf},
        {"resistance": ohm * ohm_share, "torque_constant": emf_half},
    )
    for key, name, before, entry in (
        ("output_inertia", "inertia", motor.inertia, "rotor_inertia"),
        ("coulomb", "coulomb", motor.coulomb_Nm, "motor_friction"),
    ):
        if name in told:
            value, reach = told[name]
            values[key] = value * factor
            half[key] = factor * hypot(reach, value * factor_share)
        else:
            values[key], half[key] = before, before * _half(entry)
            remarks.append(f"{name} is not told by the logs: the file's is kept")
    values["viscous"], half["viscous"] = viscous
    negative = [key for key, value in values.items() if value < 0.0]
    if negative:
        raise ValueError(
            f"{negative[0]} comes out negative: the logs are too short or too noisy for it"
        )
    return MotorFound(values, half, remarks)


def _half(entry: str) -> float:
    """Half of the width of an entry of the part spread: a share."""
    return 0.5 * (DEFAULTS[entry].high - DEFAULTS[entry].low)
