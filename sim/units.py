"""Values with units, as people write them ("1.8 kgf*cm"), to SI numbers.

Units are read by pint; the number before them by ourselves, so that nothing
but one plain number and one unit is ever accepted.
"""

import re
from functools import lru_cache
from math import isfinite, pi
from typing import Any

_SHAPE = re.compile(r"^\s*([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,3})?)\s*(.*?)\s*$")
_UNIT = re.compile(r"^[A-Za-z%µ][A-Za-z0-9µ%*/^ ().-]{0,30}$")

_POWER = re.compile(r"(?:\^|\*\*)(?!\s*\(?-?\d\)?(?!\s*(?:[\d.^]|\*\*)))")
"""A power that is not one digit: pint would work out a tower of them without end."""

DEGREES_C = "degC"
DEG = pi / 180.0
"""One degree (rad)."""


_COMMON = {
    ("nF", "F"): 1e-09, ("uF", "F"): 1e-06, ("pF", "F"): 1e-12,
    ("kgf*cm", "N*m"): 0.0980665, ("mN*m", "N*m"): 0.001, ("N*cm", "N*m"): 0.01,
    ("mN*m*s/rad", "N*m*s/rad"): 0.001, ("kN/m", "N/m"): 1000.0, ("N/mm", "N/m"): 1000.0,
    ("g", "kg"): 0.001, ("g*cm^2", "kg*m^2"): 1.0000000000000001e-07, ("mm", "m"): 0.001,
    ("cm", "m"): 0.01, ("um", "m"): 1e-06, ("kohm", "ohm"): 1000.0,
    ("mohm", "ohm"): 0.001, ("mA", "A"): 0.001, ("mV", "V"): 0.001,
    ("deg", "rad"): 0.017453292519943295, ("deg/s", "rad/s"): 0.017453292519943295, ("rpm", "rad/s"): 0.10471975511965977,
    ("deg/s^2", "rad/s^2"): 0.017453292519943295, ("deg/s^3", "rad/s^3"): 0.017453292519943295, ("ms", "s"): 0.001,
    ("us", "s"): 1e-06, ("kHz", "Hz"): 1000.0, ("mN", "N"): 0.001,
    ("mN*m/A", "N*m/A"): 0.001,
}  # fmt: skip
"""Factors of pint for what most files are written in: a test holds them to it, bit by bit.

Importing pint takes longer than all else that a joint file needs.
"""


@lru_cache(maxsize=1)
def _registry() -> Any:
    import pint

    try:
        return pint.UnitRegistry(cache_folder=":auto:")
    except OSError:
        return pint.UnitRegistry()


def _factor(given: str, wanted: str) -> float:
    """Factor from a given unit to the wanted one; ValueError if it has none."""
    if given == wanted:  # what is wanted is a unit of SI, and is declared by ourselves
        return 1.0
    known = _COMMON.get((given, wanted))
    return _factor_of_pint(given, wanted) if known is None else known


@lru_cache(maxsize=1000)
def _factor_of_pint(given: str, wanted: str) -> float:
    registry = _registry()
    try:
        unit, aim = registry.parse_units(given), registry.parse_units(wanted)
        _refuse_cycles_for_angles(registry, unit, aim)
        return float((1.0 * unit).to(aim).magnitude)
    except Exception as error:
        raise ValueError(str(error)) from error


def _refuse_cycles_for_angles(registry: Any, unit: Any, aim: Any) -> None:
    """Refuse Hz for rad/s and the reverse: pint counts the radian as 1, the 2 pi is lost."""

    def radians(one: Any) -> tuple[bool, bool]:
        root = dict(registry.get_root_units(one)[1]._units)
        turning = root.pop("radian", 0) != 0
        return turning, set(root) == {"second"}

    (given_turns, given_rate), (aim_turns, aim_rate) = radians(unit), radians(aim)
    if str(aim) == "radian" and not given_turns:  # a count, a percentage, a bit: pint's 1
        raise ValueError("no angle")
    if given_rate and aim_rate and given_turns != aim_turns:
        raise ValueError("cycles and radians differ by 2 pi")


LISTED = {
    "rad": ("deg", "rad", "mrad", "arcmin", "turn"),
    "rad/s": ("deg/s", "rad/s", "rpm", "turn/s"),
    "m": ("mm", "cm", "m", "um", "inch"), "N": ("N", "mN", "kN", "gf", "kgf", "lbf"),
    "N*m": ("N*m", "mN*m", "N*cm", "kgf*cm", "gf*cm", "ozf*inch"), "V": ("V", "mV"),
    "A": ("A", "mA"), "ohm": ("ohm", "mohm", "kohm", "Mohm"), "s": ("s", "ms", "us", "min", "hour"),
    "Hz": ("Hz", "kHz"), "kg": ("g", "kg", "mg"), "N/m": ("N/m", "N/mm", "kN/m"),
    "kg*m^2": ("kg*m^2", "g*cm^2"), "F": ("F", "uF", "nF", "pF"),
}  # fmt: skip
"""Units to write a quantity in, the usual ones first; whatever else pint can turn into it works too."""


SPELT = (
    ("\u00b5", "u"), ("\u03bc", "u"), ("\u03a9", "ohm"), ("\u2126", "ohm"), ("\u00b0C", "degC"), ("\u00b0", "deg"), ("\u00b7", "*"),
    ("\u22c5", "*"), ("\u00d7", "*"), ("\u00b2", "^2"), ("\u00b3", "^3"),
)  # fmt: skip
"""Signs of datasheets and keyboards, and the letters that stand for them."""
WORDS = {
    "RPM": "rpm", "Rpm": "rpm", "r/min": "rpm", "rev/min": "rpm", "Ohm": "ohm", "Ohms": "ohm", "ohms": "ohm", "kOhm": "kohm",
    "MOhm": "Mohm", "mOhm": "mohm", "Nm": "N*m", "mNm": "mN*m", "Ncm": "N*cm", "Nmm": "N*mm", "sec": "s", "secs": "s", "degs": "deg",
    "degree": "deg", "degrees": "deg", "deg/sec": "deg/s", "volt": "V", "Volt": "V", "volts": "V", "amp": "A", "amps": "A", "hz": "Hz",
    "KHz": "kHz", "khz": "kHz", "gr": "g",
}  # fmt: skip
"""Spellings of the trade: common practice, no source."""
TORQUES = {
    "kg": "kgf",
    "kgf": "kgf",
    "g": "gf",
    "gf": "gf",
    "oz": "ozf",
    "ozf": "ozf",
    "lb": "lbf",
    "lbf": "lbf",
}
LEVERS = {"cm": "cm", "mm": "mm", "m": "m", "in": "inch", "inch": "inch", "ft": "foot"}
_TORQUE = re.compile(r"^(kgf?|gf?|ozf?|lbf?)[ *.-]?(cm|mm|m|inch|in|ft)$")
"""A catalogue's "kg cm" of a torque: the force of that mass (common practice, no source)."""


def spelt(given: str, unit: str) -> str:
    """A unit as this program writes it: "kg*cm" of a torque is kgf*cm, "10 k\u03a9" is kohm, "RPM" is rpm."""
    for sign, letters in SPELT:
        given = given.replace(sign, letters)
    found = _TORQUE.match(given) if unit == "N*m" else None
    if found is not None:
        return f"{TORQUES[found[1]]}*{LEVERS[found[2]]}"
    return WORDS.get(given, given)


def usual(unit: str) -> str:
    """What to say of the units of a quantity; nothing where none are listed."""
    return (
        f" (allowed: {', '.join(LISTED[unit])} and others of that kind)" if unit in LISTED else ""
    )


def parse(text: object, unit: str, example: str) -> float:
    """Return the value of ``text`` in ``unit`` (SI, or "degC", "1" for none).

    Raises ValueError that says what is needed, with ``example``.
    """
    need = f'needs a number with a unit such as "{example}"'
    if isinstance(text, bool) or not isinstance(text, str):
        raise ValueError(need + " (in quotes)")
    if "," in text:
        raise ValueError(need + "; write the decimal point as a point")
    found = _SHAPE.match(text)
    if found is None:
        raise ValueError(need)
    number = float(found.group(1))
    given = spelt(found.group(2), unit)
    if not given:
        raise ValueError(need + "; the unit is missing")
    if given in ("degC", "°C", "C"):
        if unit != DEGREES_C:
            raise ValueError(need + f"; {given} is a temperature")
        return number
    if not _UNIT.match(given) or _POWER.search(given) or unit == DEGREES_C:
        raise ValueError(need)
    try:
        number *= _factor(given, unit)
    except ValueError:
        raise ValueError(f'{need}; "{given}" is not a unit of {unit}{usual(unit)}') from None
    if not isfinite(number):
        raise ValueError(need + "; the number is too large")
    return number


def percent(text: object) -> float | None:
    """Return "12 %" as 0.12; None where ``text`` is no percentage."""
    if not isinstance(text, str):
        return None
    found = re.match(r"^\s*([+-]?\d+\.?\d*)\s*%\s*$", text)
    return float(found.group(1)) / 100.0 if found else None


def show(value: float, unit: str, wanted: str, digits: int = 4) -> str:
    """Return an SI ``value`` in ``unit`` as text in the ``wanted`` unit."""
    factor = 1.0 if unit == wanted else _factor(unit, wanted)
    return f"{value * factor:.{digits}g} {wanted}"
