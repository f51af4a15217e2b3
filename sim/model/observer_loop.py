"""The plant driven by a recorded voltage, held to the recorded angle by a weak observer.

    e[k] = measured[k] - joint                            (innovation)
    joint += g1 e,  drum += g1 e r2/r1,  their speeds += g2 e (r2/r1)

The innovations of a right model are noise; those of a wrong one carry what is
wrong with it (prediction error method; L. Ljung, "System Identification", 2nd ed.
1999, sec. 3.2). The observer keeps small errors from adding up over the log.
"""

from controller.portable import const
from controller.records import Record, integer, real
from sim.model import plant

MYPY = False
if MYPY:  # types are for the checker only: a board has no typing module
    from typing import Any

    from sim.joint.part import Part, Plant

NOTHING_S = const(1e-9)
"A span that is rounding only."


def push(p: "Part", x: "Plant", volt: float, span: float, tick_s: float, substeps: int) -> None:
    """Run the plant on for ``span`` (s) at one voltage, in substeps of a tick's ``substeps``-th at most."""
    if span <= NOTHING_S:
        return
    count = int(substeps * span / tick_s + 0.999999)
    x.coasting = 1 if volt == 0.0 and p.amplifier == 0 else 0  # a motor's own amplifier brakes
    plant.run_substeps(p, x, volt, count, span / count)


class Course(Record):
    """How a part follows a log."""

    substeps = integer(1)
    "Substeps in a tick, at most."
    delay_s = real(0.0, "s")
    "From the reading to the drive, 0 or more."
    tick_s = real(0.0, "s")
    g1 = real(0.0)
    g2 = real(0.0, "1/s")
    "Gains of the observer on angle and speed."


def follow(
    p: "Part", x: "Plant", volts: "Any", angles: "Any", out: "Any", course: "Course"
) -> None:
    """Run through a log; write the innovations (rad) into ``out``.

    volts, angles: as recorded in each tick. A tick is cut where the drive changes: what is left
    over is smooth in the delay.
    """
    tick_s, substeps, g1, g2 = course.tick_s, course.substeps, course.g1, course.g2
    late = int(course.delay_s / tick_s + NOTHING_S)
    old_s = course.delay_s - late * tick_s
    ratio = 1.0
    if p.cable.kind != 2:
        ratio = p.cable.joint_m / p.cable.drum_m
    for k in range(len(angles)):
        error = angles[k] - x.joint_rad
        out[k] = error
        x.joint_rad += g1 * error
        x.joint_rad_s += g2 * error
        x.drum_rad += g1 * error * ratio
        x.drum_rad_s += g2 * error * ratio
        new = k - late if k > late else 0
        old = new - 1 if new > 0 else 0
        push(p, x, volts[old], old_s, tick_s, substeps)
        push(p, x, volts[new], tick_s - old_s, tick_s, substeps)
