"""Many variants of one joint: what each gives, and in three scenarios.

A variant is the joint's file with some values replaced. Of each: size figures by formula, and a
large step, a small step and a hard object simulated with the rule's gains. The bound and the
linear analysis are not part of it: they are for one joint at a time.
"""

import itertools
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np

from sim import units
from sim.errors import InputError
from sim.joint import datasheet, physics
from sim.joint.file import ratio_of
from sim.joint.part import DIRECT
from sim.run.closed_loop import joint_of, simulate
from sim.run.executors import Runner
from sim.run.scenarios import contact, span_of, step, step_ends
from sim.units import DEG

CHUNK = 40
COLUMNS = (
    "no_load_speed_rad_s", "force_limit_N", "stall_force_N", "cable_at_stall_N", "resonance_Hz",
    "backlash_rad", "settling_2pct_s", "overshoot_rad", "steady_error_rad", "small_settling_s",
    "small_steady_rad", "impact_tip_N", "impact_cable_N", "margin_of_cable",
)  # fmt: skip


@dataclass(frozen=True)
class Axis:
    """One value that varies: key of the joint file (table.key) and its texts."""

    key: str
    values: tuple[str, ...]


def read_axis(text: str) -> Axis:
    """Read "cable.joint_radius=4 mm..8 mm/5" or "motor.gear_ratio=200,250". Raises InputError."""
    key, equals, rest = text.partition("=")
    if not equals or key.count(".") != 1 or not rest.strip():
        raise InputError("", "--vary", text, 'must be such as "cable.joint_radius=4 mm..8 mm/5"')
    if ".." not in rest:
        return Axis(key.strip(), tuple(one.strip() for one in rest.split(",")))
    ends, _, count = rest.partition("/")
    low, high = (one.strip() for one in ends.split("..", 1))
    if not count.strip().isdecimal() or not 2 <= int(count) <= 100_000:
        raise InputError("", "--vary", text, "needs a count after /, 2 .. 100000")
    numbers = []
    unit = ""
    for one in (low, high):
        number = one.split(" ")[0]
        unit = one[len(number) :].strip() or unit
        try:
            numbers.append(float(number))
        except ValueError:
            raise InputError(
                "", "--vary", one, 'must be a value with a unit, such as "4 mm"'
            ) from None
    made = np.linspace(numbers[0], numbers[1], int(count))
    return Axis(key.strip(), tuple(f"{value:.9g} {unit}".strip() for value in made))


def points(axes: list[Axis]) -> list[tuple[str, ...]]:
    """All combinations, the last axis fastest."""
    return list(itertools.product(*[axis.values for axis in axes]))


def variant(tables: dict[str, Any], axes: list[Axis], point: tuple[str, ...]) -> dict[str, Any]:
    """The joint file's tables with a point's values put in."""
    made = {key: dict(value) if isinstance(value, dict) else value for key, value in tables.items()}
    for axis, text in zip(axes, point, strict=True):
        table, key = axis.key.split(".")
        plain: Any = text
        if not any(c.isalpha() or c == "%" for c in text):
            plain = text if ":" in text else float(text)
            if isinstance(plain, float) and plain == int(plain):
                plain = int(plain)
        if (table, key) == ("motor", "gear_ratio"):
            plain = ratio_of(plain)
            if not isinstance(plain, int | float) or not 1.0 <= plain <= 100000.0:
                raise InputError(
                    "",
                    "--vary motor.gear_ratio",
                    text,
                    'must be a ratio from 1 on, such as 298 or "1:298"',
                )
            _regear(made.get("motor", {}), float(plain))
        made.setdefault(table, {})[key] = plain
    made.pop("gains", None)  # each variant by the rule: gains tuned for one would judge the others
    made.pop("identified", None)
    return made


def _regear(motor: dict[str, Any], ratio: float) -> None:
    """Give a motor's output values another gear: torque grows with the ratio, speed falls.

    The datasheet's values are those of its own ratio; currents, voltage and the gear's losses as a
    share stay (common practice, no source). Raises InputError where the stated ratio is missing.
    """
    if "gear_ratio" not in motor or "stall_torque" not in motor or "no_load_speed" not in motor:
        raise InputError("", "motor.gear_ratio", f"{ratio:g}", "can be varied only of a motor by datasheet "
                         "values, which are those of the ratio stated in the file")  # fmt: skip
    factor = ratio / float(ratio_of(motor["gear_ratio"]))
    torque = units.parse(motor["stall_torque"], "N*m", "1.9 kgf*cm") * factor
    speed = units.parse(motor["no_load_speed"], "rad/s", "100 rpm") / factor
    motor["stall_torque"], motor["no_load_speed"] = f"{torque!r} N*m", f"{speed!r} rad/s"


def evaluate(tables: dict[str, Any], name: str) -> dict[str, float]:
    """Figures of one variant (SI). Raises InputError where it is no joint."""
    joint = joint_of(tables, name)
    part, file = joint.part, joint.file
    amps = joint.settings.limits.current_A
    ohm = part.motor.resistance_25_ohm + part.motor.driver_ohm + part.supply_ohm
    stall = physics.tip_force_of_current(part, part.supply_V / ohm)
    low, high = span_of(joint.settings)
    fine = 4.0 * part.sensor.noise_counts * abs(joint.settings.sensor.rad_per_count)
    middle = 0.5 * (low + high)
    large = simulate(joint, step(*step_ends(joint.settings), fine, 0.6, 0.5)).metrics
    small = simulate(joint, step(middle, middle + DEG, fine, 0.3, 0.3)).metrics
    blow = simulate(joint, contact(low, high, middle, 30.0, "hard_object")).metrics
    strength = datasheet.cable_strength(file) if part.cable.kind != DIRECT else None
    never = float("inf")
    return {
        "no_load_speed_rad_s": physics.no_load_speed(part, part.supply_V),
        "force_limit_N": physics.tip_force_of_current(part, amps), "stall_force_N": stall,
        "cable_at_stall_N": physics.cable_of_tip_force(part, stall),
        "resonance_Hz": physics.resonance_Hz(part), "backlash_rad": 2.0 * part.motor.half_gap_rad,
        "settling_2pct_s": never if large.settling_2pct_s is None else large.settling_2pct_s,
        "overshoot_rad": large.overshoot_rad, "steady_error_rad": large.steady_error_rad,
        "small_settling_s": never if small.settling_2pct_s is None else small.settling_2pct_s,
        "small_steady_rad": small.steady_error_rad, "impact_tip_N": blow.peak_tip_force_N,
        "impact_cable_N": blow.peak_tension_N,
        "margin_of_cable": never if strength is None else strength / max(blow.peak_tension_N, 1e-9),
    }  # fmt: skip


def chunk_of(
    work: tuple[dict[str, Any], list[Axis], list[tuple[str, ...]], str],
) -> list[dict[str, Any]]:
    """Evaluate some points; a variant that is no joint is a row with its error."""
    tables, axes, some, name = work
    rows: list[dict[str, Any]] = []
    for point in some:
        try:
            rows.append(evaluate(variant(tables, axes, point), name))
        except InputError as error:
            rows.append({"error": str(error)})
    return rows


def sweep(
    tables: dict[str, Any],
    axes: list[Axis],
    name: str,
    runner: Runner,
    listener: Callable[[int, int], None] | None = None,
) -> Iterator[tuple[tuple[str, ...], dict[str, Any]]]:
    """Points and their rows, in order, as they come. Raises InputError for a key that no file has."""
    every = points(axes)
    chunks = [(tables, axes, every[k : k + CHUNK], name) for k in range(0, len(every), CHUNK)]
    done = 0
    for chunk, rows in zip(chunks, runner.map(chunk_of, chunks), strict=True):
        yield from zip(chunk[2], rows, strict=True)
        done += len(rows)
        if listener is not None:
            listener(done, len(every))


def pareto(values: np.ndarray) -> np.ndarray:
    """Which rows no other row beats in every column (larger is better), shape (n,) of bool."""
    order = np.lexsort(tuple(-values[:, k] for k in reversed(range(values.shape[1]))))
    front: list[int] = []
    for k in order:
        beaten = any(
            (values[j] >= values[k]).all() and (values[j] > values[k]).any() for j in front
        )
        if not beaten and np.isfinite(values[k]).all():
            front.append(int(k))
    made = np.zeros(len(values), bool)
    made[front] = True
    return made


def check_units(tables: dict[str, Any], axes: list[Axis], name: str) -> None:
    """Refuse keys and values that no variant can have: the first point must be a joint. Raises InputError."""
    for axis in axes:
        table, _ = axis.key.split(".")
        if table not in ("joint", "motor", "cable", "sensor", "drive", "control", "limits"):
            raise InputError("", "--vary", axis.key, "must be a key of joint, motor, cable, sensor, drive, control or limits")  # fmt: skip
        direct = tables.get("cable", {}).get("kind") == "direct"
        if direct and table == "cable" and not any(one.key == "cable.kind" for one in axes):
            raise InputError(
                "", "--vary", axis.key, "changes nothing: a direct coupling has no cable"
            )
    joint_of(variant(tables, axes, points(axes)[0]), name)
