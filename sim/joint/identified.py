"""What was identified of one joint: a table of its file, the part it makes, and parts drawn from it.

[identified]
digest = "..."              # of [joint], [motor] and [cable], which the factors refer to
names = ["resistance", ...] # entries of the part spread; gravity by its two directions
middle = [0.02, ...]        # logarithm of the factor, or the value (LINEAR)
covariance = [[...], ...]   # of ``middle``

The factors multiply the datasheet's part. Drawn together, they keep what only
products of them are known by.
"""

import hashlib
import json
from dataclasses import dataclass
from math import exp, hypot
from typing import Any

import numpy as np

from controller.records import copy
from sim.errors import InputError
from sim.joint.part import DIRECT, PAIR, Part
from sim.joint.result_tables import IdentifiedTable, priceless
from sim.schema import nearest

LINEAR = ("load_loss", "gravity_cos", "gravity_sin")
"""Numbers that are values, not logarithms: added loss, gravity (N*m) where q = 0 and q = 90 deg."""
LOGARITHMIC = (
    "torque_constant", "resistance", "motor_friction", "stiction_ratio", "motor_damping",
    "rotor_inertia", "backlash", "radius_ratio", "stiffness", "cable_damping", "pretension",
    "wrap_loss", "joint_inertia", "joint_friction", "stribeck_speed",
)  # fmt: skip
NAMES = LOGARITHMIC + LINEAR


def part_with(nominal: Part, v: dict[str, float]) -> Part:
    """A copy of a part with factors of the spread's entries applied; what is left out stays.

    ``stiction_ratio`` is stiction over sliding friction, ``load_loss`` is added, gravity is given
    by ``gravity_cos`` and ``gravity_sin`` (N*m).
    """
    part = Part()
    copy(nominal, part)
    m, c, j = part.motor, part.cable, part.hinge
    m.resistance_25_ohm *= v.get("resistance", 1.0)
    part.heat.resistance_25_ohm = m.resistance_25_ohm
    m.emf_V_s *= v.get("torque_constant", 1.0)
    m.coulomb_Nm *= v.get("motor_friction", 1.0)
    ratio = nominal.motor.stiction_Nm / max(nominal.motor.coulomb_Nm, 1e-12)
    m.stiction_Nm = m.coulomb_Nm * max(v.get("stiction_ratio", ratio), 1.0)
    m.stribeck_rad_s *= v.get("stribeck_speed", 1.0)
    m.viscous_Nms *= v.get("motor_damping", 1.0)
    m.load_loss = min(max(m.load_loss + v.get("load_loss", 0.0), 0.0), 0.8)
    m.inertia *= v.get("rotor_inertia", 1.0)
    m.half_gap_rad *= v.get("backlash", 1.0)
    j.inertia *= v.get("joint_inertia", 1.0)
    j.coulomb_Nm *= v.get("joint_friction", 1.0)
    j.stiction_Nm *= v.get("joint_friction", 1.0)
    if "gravity_cos" in v:
        j.gravity_Nm = hypot(v["gravity_cos"], v["gravity_sin"])
        j.gravity_at_rad = float(np.arctan2(v["gravity_sin"], v["gravity_cos"]))
    if c.kind != DIRECT:
        c.drum_m *= v.get("radius", 1.0)
        c.joint_m *= v.get("radius", 1.0) * v.get("radius_ratio", 1.0)
        c.flexor_N_m *= v.get("stiffness", 1.0)
        if c.kind == PAIR:
            c.extensor_N_m *= v.get("stiffness", 1.0)
        c.damping_Ns_m *= v.get("cable_damping", 1.0)
        pull = nominal.cable.flexor_stretch_m * nominal.cable.flexor_N_m * v.get("pretension", 1.0)
        c.flexor_stretch_m = pull / c.flexor_N_m
        if c.extensor_N_m > 0.0:
            c.extensor_stretch_m = pull / c.extensor_N_m
        c.wrap_loss = min(c.wrap_loss * v.get("wrap_loss", 1.0), 0.8)
    return part


def basis_digest(tables: dict[str, Any]) -> str:
    """Digest (12 hex digits) of what the factors refer to."""
    kept = {key: priceless(tables.get(key)) for key in ("joint", "motor", "cable")}
    return hashlib.sha256(json.dumps(kept, sort_keys=True, default=str).encode()).hexdigest()[:12]


@dataclass(frozen=True)
class Known:
    """What was identified: names, middle and covariance, shape (n,) and (n, n)."""

    names: tuple[str, ...]
    middle: np.ndarray
    covariance: np.ndarray

    def values(self, raw: np.ndarray) -> dict[str, float]:
        """Factors and values of a raw vector, shape (n,)."""
        return {name: float(one) if name in LINEAR else exp(float(one))
                for name, one in zip(self.names, raw, strict=True)}  # fmt: skip

    def part(self, datasheet: Part) -> Part:
        """The part that is most likely."""
        return part_with(datasheet, self.values(self.middle))

    def deviation(self, name: str) -> float:
        """Deviation of one raw number."""
        k = self.names.index(name)
        return float(np.sqrt(self.covariance[k, k]))

    def draw(self, rng: np.random.Generator) -> dict[str, float]:
        """One draw, relative to the most likely part (ratio and gravity as they are)."""
        values, vectors = np.linalg.eigh(self.covariance)
        z = np.clip(rng.normal(0.0, 1.0, len(self.names)), -3.0, 3.0)
        away = vectors @ (np.sqrt(np.maximum(values, 0.0)) * z)
        found = {}
        for name, middle, one in zip(self.names, self.middle, away, strict=True):
            whole = name == "stiction_ratio" or name.startswith("gravity")
            raw = float(one + middle) if whole else float(one)
            found[name] = raw if name in LINEAR else exp(raw)
        return found

    def table(self) -> dict[str, Any]:
        """The table's numbers, nine digits each."""
        short = [[float(f"{v:.9g}") for v in row] for row in self.covariance]
        return {"names": list(self.names), "middle": [float(f"{v:.9g}") for v in self.middle],
                "covariance": short}  # fmt: skip


def known(table: IdentifiedTable) -> Known:
    """Return what an [identified] table says. Raises InputError."""

    def refuse(key: str, value: object, what: str) -> InputError:
        return InputError("", f"identified.{key}", value, what)

    names = table.names
    if not names or len(set(names)) != len(names):
        raise refuse("names", names, "must be a list of different names")
    for one in names:
        if one not in NAMES:
            raise refuse("names", one, "unknown; " + nearest(one, list(NAMES)))
    if ("gravity_cos" in names) != ("gravity_sin" in names):
        raise refuse("names", None, "must hold both gravity_cos and gravity_sin, or none")
    count = len(names)
    found = []
    for key, shape in (("middle", (count,)), ("covariance", (count, count))):
        try:
            numbers = np.array(getattr(table, key), dtype=float)
        except ValueError:  # rows of different lengths
            numbers = np.array(np.nan)
        if numbers.shape != shape or not np.isfinite(numbers).all():
            size = " x ".join(map(str, shape))
            raise refuse(key, None, f"must be {size} finite numbers, as many as names")
        found.append(numbers)
    middle, covariance = found
    if np.abs(middle).max() > 5.0:
        raise refuse("middle", float(np.abs(middle).max()), "must lie in -5 .. 5")
    lowest = float(np.linalg.eigvalsh(0.5 * (covariance + covariance.T)).min())
    if not np.allclose(covariance, covariance.T, atol=1e-9) or lowest < -1e-7:
        raise refuse("covariance", None, "must be symmetric and without negative variance")
    return Known(tuple(names), middle, covariance)
