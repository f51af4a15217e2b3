"""Part-to-part spread: what differs between two joints built from one file.

Each entry names what varies, how, and the default; the file's ``[spread]``
overrides it with a range ("0.5 deg" to "2.5 deg"), or relative ("-10 %" to
"+10 %"). Percentages are of nominal. Defaults: own study of small gear motors,
from memory and arithmetic, not measured (``sim/README.md`` says which).
"""

from collections.abc import Callable
from dataclasses import dataclass
from math import exp, isfinite, log, sqrt

import numpy as np

from sim import units
from sim.errors import InputError
from sim.joint import identified
from sim.joint.file import JointFile
from sim.joint.identified import Known
from sim.joint.part import DIRECT, Part
from sim.joint.physics import RULE_HZ, resonance_Hz
from sim.schema import nearest

RULE_GAP_RAD = 0.0349  # 2 deg


@dataclass(frozen=True)
class Entry:
    """One spread entry.

    kind: "normal" or "lognormal" (low, high are two sigma), "uniform" or "log" (log-
    uniform); relative to nominal unless ``unit`` is given.
    """

    kind: str
    low: float
    high: float
    unit: str
    meaning: str


DEFAULTS = {
    "supply": Entry("uniform", 0.90, 1.06, "", "open-circuit supply voltage"),
    "supply_resistance": Entry("uniform", 0.05, 0.40, "ohm", "supply and wire resistance"),
    "resistance": Entry("normal", 0.88, 1.12, "", "winding resistance"),
    "winding_temperature": Entry("uniform", 10.0, 80.0, "degC", "winding at the start"),
    "torque_constant": Entry("normal", 0.90, 1.10, "", "torque and back-EMF constant"),
    "motor_friction": Entry("normal", 0.60, 1.40, "", "dry friction of motor and gear"),
    "stiction_ratio": Entry("uniform", 1.1, 1.6, "1", "friction at rest over sliding"),
    "motor_damping": Entry("normal", 0.60, 1.40, "", "viscous friction of motor and gear"),
    "load_loss": Entry("uniform", -0.14, 0.14, "+", "friction per torque passed on (added)"),
    "rotor_inertia": Entry("lognormal", 0.70, 1.43, "", "rotor inertia"),
    "backlash": Entry("uniform", 0.33, 1.67, "", "gear backlash"),
    "radius": Entry("normal", 0.97, 1.03, "", "both radii together (a printed pulley)"),
    "radius_ratio": Entry("normal", 0.97, 1.03, "", "joint radius alone (a printed pulley)"),
    "stiffness": Entry("log", 0.4, 2.4, "", "cable stiffness"),
    "cable_damping": Entry("log", 0.3, 3.0, "", "cable damping"),
    "pretension": Entry("uniform", 0.4, 1.6, "", "cable pretension"),
    "wrap_loss": Entry("uniform", 0.28, 1.95, "", "friction on the guides"),
    "joint_inertia": Entry("log", 0.2, 4.0, "", "inertia of the phalanx"),
    "joint_friction": Entry("uniform", 0.3, 2.5, "", "dry friction of the hinge"),
    "gravity": Entry("uniform", 0.0, 2.1, "", "torque of gravity, in any direction"),
    "heat": Entry("normal", 0.6, 1.4, "", "thermal resistances and capacities"),
    "linearity": Entry("uniform", 0.0, 0.0, "+", "error of the sensor left after calibration"),
}


class Spread(dict[str, Entry]):
    """Entries by name; ``known``: what was identified of this very joint, drawn together."""

    known: Known | None = None


def spread_of(file: JointFile) -> Spread:
    """Return the spread entries of a joint file. Raises InputError.

    What was identified spreads as it is known (two deviations), about the identified part.
    """
    entries = Spread(DEFAULTS)
    entries["stiction_ratio"] = _about(DEFAULTS["stiction_ratio"], file.motor.stiction_ratio / 1.35)
    for key, given in file.spread.items():
        if key not in DEFAULTS:
            raise InputError(
                "", f"spread.{key}", given, "unknown key; " + nearest(key, list(DEFAULTS))
            )
        if len(given) != 2:
            raise InputError("", f"spread.{key}", given, "needs two values: low and high")
        entries[key] = _read(file, key, given)
    if file.identified is not None:
        entries.known = identified.known(file.identified)
        _narrow(entries, entries.known)
    return entries


def _about(entry: Entry, factor: float) -> Entry:
    """A default range of a ratio (at least 1), about the file's own instead of the usual 1.35."""
    low, high = (max(one * factor, 1.0) for one in (entry.low, entry.high))
    return Entry(entry.kind, low, high, entry.unit, entry.meaning)


def _narrow(entries: Spread, known: Known) -> None:
    """Put what was identified in the place of the entries it tells of."""
    for key in known.names:
        if key not in entries:  # gravity by its directions; the friction law's speed
            continue
        two = 2.0 * known.deviation(key)
        middle = known.middle[known.names.index(key)] if key == "stiction_ratio" else 0.0
        meaning = entries[key].meaning + " (identified)"
        if key in identified.LINEAR:
            entries[key] = Entry("normal", -two, two, "+", meaning)
        else:
            low, high = exp(middle - two), exp(middle + two)
            entries[key] = Entry("lognormal", low, high, entries[key].unit, meaning)
    if "gravity_cos" in known.names:
        size = max(sum(known.middle[known.names.index(one)] ** 2
                       for one in ("gravity_cos", "gravity_sin")) ** 0.5, 1e-9)  # fmt: skip
        share = min(2.0 * known.deviation("gravity_cos") / size, 1.0)
        entries["gravity"] = Entry("uniform", 1.0 - share, 1.0 + share, "", "gravity (identified)")


def _unknown(_file: JointFile) -> float | None:
    """Nominal value that the file does not give."""
    return None


_NOMINAL: dict[str, tuple[str, Callable[[JointFile], float | None]]] = {
    "supply": ("V", lambda f: f.drive.supply),
    "backlash": ("rad", lambda f: f.motor.backlash),
    "stiffness": ("N/m", lambda f: f.cable.stiffness),
    "pretension": ("N", lambda f: f.cable.pretension),
    "joint_inertia": ("kg*m^2", lambda f: f.joint.inertia),
    "joint_friction": ("N*m", lambda f: f.joint.friction),
    "gravity": ("N*m", lambda f: f.joint.gravity_torque),
    "rotor_inertia": ("kg*m^2", lambda f: f.motor.rotor_inertia),
    "resistance": ("ohm", lambda f: f.motor.resistance),
    "torque_constant": ("N*m/A", lambda f: f.motor.torque_constant),
    "radius": ("m", lambda f: f.cable.joint_radius),
    "supply_resistance": ("ohm", _unknown),
    "winding_temperature": ("degC", _unknown),
}


def _read(file: JointFile, key: str, given: list[str]) -> Entry:
    default = DEFAULTS[key]
    shares = [units.percent(one) for one in given]
    if all(one is not None for one in shares):
        low, high = (1.0 + float(one or 0.0) for one in shares)
        if default.unit == "+":
            low, high = low - 1.0, high - 1.0
        elif default.unit not in ("",):
            raise InputError("", f"spread.{key}", given, f"needs values in {default.unit}")
        return _entry(key, given, default, low, high, default.unit)
    unit, nominal = _NOMINAL.get(key, ("", _unknown))
    if default.unit == "1":
        unit = "1"
    if not unit:
        raise InputError("", f"spread.{key}", given, 'needs percentages, such as "-10 %", "+10 %"')
    try:
        if unit == "1":
            low, high = (float(one) for one in given)
        else:
            low, high = (units.parse(one, unit, f"1 {unit}") for one in given)
    except ValueError as error:
        raise InputError("", f"spread.{key}", given, str(error)) from None
    if default.unit in ("1", "ohm", "degC"):
        return _entry(key, given, default, low, high, default.unit)
    base = nominal(file)
    if not base:
        raise InputError(
            "",
            f"spread.{key}",
            given,
            'the nominal value is not given as such; use percentages ("-10 %", "+10 %")',
        )
    return _entry(key, given, default, low / base, high / base, "")


def _entry(key: str, given: list[str], default: Entry, low: float, high: float, unit: str) -> Entry:
    if unit == "degC" and not (low >= -60.0 and high <= 250.0):
        raise InputError("", f"spread.{key}", given, "must lie in -60 .. 250 degC")
    least = {"+": -1.0, "degC": -60.0}.get(unit, 0.0)
    if not (least <= low <= high and isfinite(high)):
        raise InputError(
            "", f"spread.{key}", given, "needs two numbers, low <= high, and nothing below zero"
        )
    kind = default.kind
    if kind in ("log", "lognormal") and low <= 0.0:
        kind = "uniform"
    return Entry(kind, low, high, unit, default.meaning)


def _draw(entry: Entry, rng: np.random.Generator) -> float:
    """Draw one value (a factor, or a value where the entry has a unit)."""
    if entry.kind == "normal":
        middle = 0.5 * (entry.low + entry.high)
        quarter = 0.25 * (entry.high - entry.low)  # the ends are two sigma
        return middle + quarter * float(np.clip(rng.normal(), -3.0, 3.0))
    if entry.kind == "lognormal":
        middle = 0.5 * (log(entry.low) + log(entry.high))
        quarter = 0.25 * (log(entry.high) - log(entry.low))
        return exp(middle + quarter * float(np.clip(rng.normal(), -3.0, 3.0)))
    if entry.kind == "log":
        return exp(rng.uniform(log(entry.low), log(entry.high)))
    return float(rng.uniform(entry.low, entry.high))


def middle_of(entry: Entry) -> float:
    """Middle of an entry: geometric where its logarithm is what varies evenly."""
    if entry.kind in ("log", "lognormal"):
        return sqrt(entry.low * entry.high)
    return 0.5 * (entry.low + entry.high)


def draw_part(
    nominal: Part, entries: dict[str, Entry], rng: np.random.Generator
) -> tuple[Part, float]:
    """Draw one part; return it and its winding temperature at the start (degC)."""
    v = {key: _draw(entry, rng) for key, entry in entries.items()}
    known = getattr(entries, "known", None)
    if known is not None:
        v.update(known.draw(rng))
    part = identified.part_with(nominal, v)
    part.supply_V *= v["supply"]
    part.supply_ohm = v["supply_resistance"]
    if "gravity_cos" not in v:
        part.hinge.gravity_Nm *= v["gravity"]
        if nominal.hinge.gravity_Nm > 0.0:
            part.hinge.gravity_at_rad = float(rng.uniform(-np.pi, np.pi))
    for key in ("winding_J_K", "case_J_K", "winding_K_W", "case_K_W"):
        setattr(part.heat, key, getattr(part.heat, key) * max(v["heat"], 0.2))
    part.sensor.odd_error = v["linearity"] * float(rng.choice((-1.0, 1.0)))
    return part, v["winding_temperature"]


def inside_rule(part: Part) -> bool:
    """Tell whether a part is inside the resonance rule (45 Hz, 2 deg backlash)."""
    return resonance_Hz(part) >= RULE_HZ and 2.0 * part.motor.half_gap_rad <= RULE_GAP_RAD


def draw_parts(
    nominal: Part, entries: dict[str, Entry], count: int, seed: int, rule: str = "any"
) -> tuple[list[Part], list[float]]:
    """Draw ``count`` parts: rule "any", "inside" or "outside" the resonance rule.

    Returns the parts and their winding temperatures (degC).
    """
    rng = np.random.default_rng(seed)
    parts: list[Part] = []
    warmth: list[float] = []
    for _ in range(200 * count + 1000):
        if len(parts) == count:
            break
        part, temperature = draw_part(nominal, entries, rng)
        if rule == "any" or inside_rule(part) == (rule == "inside"):
            parts.append(part)
            warmth.append(temperature)
    return parts, warmth


def highest_mode(part: Part, object_Nm_rad: float = 0.0) -> float:
    """Highest angular frequency (rad/s) of the plant with contact and stops.

    w^2 = (r2^2 (k_f + k_e) + k_stop + k_object)/J_j + r1^2 (k_f + k_e)/J_m.
    """
    c = part.cable
    if c.kind == DIRECT:
        return sqrt(
            (part.hinge.stop_Nm_rad + object_Nm_rad) / (part.hinge.inertia + part.motor.inertia)
        )
    k = c.flexor_N_m + (c.extensor_N_m if c.kind == 0 else 0.0)
    stop = part.hinge.stop_Nm_rad if part.hinge.stops == 1 else 0.0
    joint = (c.joint_m**2 * k + stop + object_Nm_rad) / part.hinge.inertia
    return sqrt(joint + c.drum_m**2 * k / part.motor.inertia)


def substeps_for(
    part: Part, tick_s: float, longest_s: float = 1e-4, object_Nm_rad: float = 0.0
) -> int:
    """Substeps in a tick: at most ``longest_s``, and h w <= 0.6 for this part.

    Raises ValueError where more than 2000 would be needed.
    """
    mode = highest_mode(part, object_Nm_rad)
    step = min(longest_s, 0.6 / mode)
    count = int(np.ceil(tick_s / step - 1e-9))
    if count > 2000:
        raise ValueError(
            f"the stiffest mode ({mode / 6.283:.0f} Hz) needs steps of "
            f"{step * 1e9:.0f} ns, more than 2000 in a tick; soften cable, stop or object, or give "
            "the moving part its true inertia"
        )
    return count
