"""A recorded drive played into a simulated joint: what it would have done, beside what was measured."""

import numpy as np

from controller.records import copy
from sim.errors import InputError
from sim.identify.axis.log import Log
from sim.joint.part import Part
from sim.joint.spread import substeps_for
from sim.model.observer_loop import Course
from sim.model.start import start_plant
from sim.run import kernels
from sim.run.closed_loop import FINE_S, Joint

DRIVES = ("V", "1")
"""A voltage at the motor, or a duty of the supply."""


def play(joint: Joint, log: Log, parts: list[Part], warmth_C: list[float]) -> np.ndarray:
    """Angles (rad) of each part under a log's drive, each piece from the angle measured there: (parts, rows).

    Raises InputError where the log is of another kind: drive in V or as a duty, angle in rad.
    """
    if log.drive_unit not in DRIVES or log.motion_unit != "rad":
        raise InputError(log.name, "--columns", f"drive in {log.drive_unit}, motion in {log.motion_unit}",
                         "must be a voltage (or a duty, unit 1) and an angle, to be played into a joint")  # fmt: skip
    courses = []
    follow = kernels.twin().observer_loop.follow
    for part, warm in zip(parts, warmth_C, strict=True):
        own = Part()
        copy(part, own)
        if log.drive_unit == "V":  # the voltage is what the motor had
            own.supply_V, own.supply_ohm = 1.0, 0.0
        rows = []
        for piece in log.pieces:
            course = Course()  # no observer: its gains are zero
            course.tick_s = piece.h
            try:
                course.substeps = substeps_for(own, piece.h, FINE_S)
            except ValueError as error:
                raise InputError(joint.path, "cable.stiffness", None, str(error)) from None
            left = np.zeros(len(piece.drive))
            follow(kernels.as_array([own])[0], kernels.as_array([start_plant(own, float(piece.measured[0]), warm)])[0],
                   piece.drive, piece.measured, left, kernels.as_array([course])[0])  # fmt: skip
            rows.append(piece.measured - left)
        courses.append(np.concatenate(rows))
    return np.array(courses)
