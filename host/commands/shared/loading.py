"""Read a joint for a command: the joint file, and gains from another file."""

import unicodedata
from pathlib import Path

from sim.errors import InputError
from sim.reading import parse_toml, read_text
from sim.run.closed_loop import Joint, joint_of
from sim.units import DEG


def load(path: Path, gains: Path | None = None) -> Joint:
    """Return the joint of a file; ``gains`` replaces its table of gains. Raises InputError."""
    name = str(path)
    tables = parse_toml(read_text(path), name)
    if gains is None:
        return joint_of(tables, name)
    other = parse_toml(read_text(gains), str(gains))
    if not isinstance(other.get("gains"), dict):
        raise InputError(str(gains), "gains", None, "is missing; `jointloop tune --into` writes it")
    tables["gains"] = other["gains"]
    return joint_of(tables, str(gains) if "digest" in other["gains"] else name)


def angle(text: str, option: str, least: float = 1e-3) -> float:
    """Return an angle option in rad, at least so large (a size). Raises InputError."""
    from sim import units

    try:
        value = units.parse(text, "rad", "60 deg")
        if not least <= abs(value) <= 700.0:
            low = f"at least {least / DEG:.2f} deg and " if least > 0.0 else ""
            raise ValueError(f"must be {low}at most 40000 deg")
    except ValueError as error:
        raise InputError("", option, text, str(error)) from None
    return value


LONGEST_TURN_RAD = 170.0 * DEG
"""Of a joint that turns on: a target is gone to the shortest way, which a longer step is not."""


def step_of(joint: "Joint", text: str) -> float:
    """The size of a step (rad) that an option gives, which must fit into the joint's range. Raises InputError."""
    from controller.joint.settings.settings import CONTINUOUS

    size = angle(text, "--step")
    s, limits = joint.settings.sensor, joint.settings.limits
    most = limits.command_high_rad - limits.command_low_rad
    if s.travel == CONTINUOUS:
        most = LONGEST_TURN_RAD
    if not 0.0 < abs(size) <= most + 1e-9:
        raise InputError("", "--step", f"{size / DEG:.6g} deg",
                         f"must fit into the joint's range: more than 0, at most {most / DEG:.1f} deg")  # fmt: skip
    return size


def length(text: str, low: float, high: float) -> float:
    """Return a duration option in s. Raises InputError."""
    from sim.schema import Quantity

    try:
        return Quantity("s", "5 s", low, high).read(text)
    except ValueError as error:
        raise InputError("", "--duration", text, str(error)) from None


def slug(name: str) -> str:
    """Return a joint's name as a file name, in letters that every file system has."""
    known = unicodedata.normalize("NFKD", name.casefold()).encode("ascii", "ignore").decode()
    kept = "".join(c if c.isalnum() else "-" for c in known)
    return "-".join(one for one in kept.split("-") if one)[:60] or "joint"
