"""The plant driven by a recorded voltage, held to the recorded angle by a weak observer.

    e[k] = measured[k] - joint                            (innovation)
    joint += g1 e,  drum += g1 e r2/r1,  their speeds += g2 e (r2/r1)

The innovations of a right model are noise; those of a wrong one carry what is
wrong with it (prediction error method; L. Ljung, "System Identification", 2nd ed.
1999, sec. 3.2). The observer keeps small errors from adding up over the log.
"""

from sim import plant

MYPY = False
if MYPY:  # types are for the checker only: a board has no typing module
    from typing import Any

    from sim.part import Part, Plant


def follow(
    p: "Part",
    x: "Plant",
    volts: "Any",
    angles: "Any",
    out: "Any",
    count: int,
    substeps: int,
    delay: int,
    tick_s: float,
    g1: float,
    g2: float,
) -> None:
    """Run ``count`` ticks; write the innovations (rad) into ``out``.

    volts, angles: as recorded in each tick; delay: substeps from the reading to the drive.
    """
    h = tick_s / substeps
    ratio = 1.0
    if p.cable.kind != 2:
        ratio = p.cable.joint_m / p.cable.drum_m
    before = 0.0
    for k in range(count):
        error = angles[k] - x.joint_rad
        out[k] = error
        x.joint_rad += g1 * error
        x.joint_rad_s += g2 * error
        x.drum_rad += g1 * error * ratio
        x.drum_rad_s += g2 * error * ratio
        if delay > 0:
            x.coasting = 1 if before == 0.0 else 0
            plant.run_substeps(p, x, before, delay, h)
        before = volts[k]
        x.coasting = 1 if before == 0.0 else 0
        if delay < substeps:
            plant.run_substeps(p, x, before, substeps - delay, h)


def follow_many(
    parts: "Any",
    plants: "Any",
    volts: "Any",
    angles: "Any",
    outs: "Any",
    counts: "Any",
    delays: "Any",
    tick_s: float,
    g1: float,
    g2: float,
    first: int,
    last: int,
) -> None:
    """The same for parts ``first`` to ``last``; ``outs`` has a row each, counts their substeps."""
    ticks = len(angles)
    for k in range(first, last):
        follow(
            parts[k], plants[k], volts, angles, outs[k], ticks, counts[k], delays[k], tick_s, g1, g2
        )
