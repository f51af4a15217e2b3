"""Measured values that options give: read with their units, held against what is possible."""

from sim.errors import InputError

ROOM = ("degC", "22 degC", -20.0, 80.0)


def cold_ohm(resistance: str, temperature: str) -> float:
    """The winding's resistance at 25 degC from an ohmmeter's reading. Raises InputError."""
    from controller.joint import heat

    ohm = reading("--resistance", resistance, "ohm", "6.3 ohm", 0.05, 1000.0)
    return ohm / heat.resistance(1.0, reading("--temperature", temperature, *ROOM))


def reading(option: str, text: str, unit: str, example: str, low: float, high: float) -> float:
    """A measured value of an option. Raises InputError."""
    from sim import units

    try:
        value = units.parse(text, unit, example)
        if not low <= value <= high:
            raise ValueError(f"must lie in {low:g} .. {high:g} {unit}")
    except ValueError as error:
        raise InputError("", option, text, str(error)) from None
    return value
