"""The parts that every drawn scenario is run on: nominal, corners of the spread, random ones."""

import numpy as np

from sim.joint import spread
from sim.joint.part import Part
from sim.run.closed_loop import Fleet, Joint

CORNERS: tuple[tuple[str, dict[str, int]], ...] = (
    ("strong", {"supply": 1, "torque_constant": 1, "resistance": -1, "motor_friction": -1}),
    ("weak", {"supply": -1, "torque_constant": -1, "resistance": 1, "motor_friction": 1}),
    ("light", {"joint_inertia": -1, "joint_friction": -1, "backlash": -1, "rotor_inertia": -1}),
    ("heavy", {"joint_inertia": 1, "joint_friction": 1, "backlash": 1, "rotor_inertia": 1}),
    ("soft", {"stiffness": -1, "cable_damping": -1, "pretension": -1, "radius": -1}),
    ("stiff", {"stiffness": 1, "cable_damping": 1, "pretension": 1, "radius": 1}),
)
"""Corners: which entries of the spread stand at their high (1) or low (-1) end."""


def crew(joint: Joint, seed: int, count: int = 16) -> tuple[list[Part], list[float]]:
    """Return ``count`` parts and their winding temperatures (degC). Raises InputError.

    The first is nominal, then the corners, then parts drawn with ``seed``: the part of
    number k is the same whatever the count.
    """
    entries = spread.spread_of(joint.file)
    parts, warmth = [joint.part], [25.0]
    for _, ends in CORNERS:
        pinned = dict(entries)
        for key, end in ends.items():
            entry = entries[key]
            value = entry.high if end > 0 else entry.low
            pinned[key] = spread.Entry("uniform", value, value, entry.unit, entry.meaning)
        part, warm = spread.draw_part(joint.part, pinned, np.random.default_rng(seed))
        parts.append(part)
        warmth.append(warm)
    drawn, more = spread.draw_parts(joint.part, entries, max(count - len(parts), 0), seed)
    return (parts + drawn)[:count], (warmth + more)[:count]


def crew_fleet(joint: Joint, seed: int, count: int = 16) -> Fleet:
    """The crew as a batch."""
    parts, warmth = crew(joint, seed, count)
    return Fleet(parts, warmth, joint.settings.tick_s, joint.delay_s, seed)
