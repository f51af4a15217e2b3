"""What voltage the motor had while a joint was recorded.

A bridge gives what is allowed in each tick. A pulse drive is latched frame by frame, by the
controller and by the motor's own amplifier: of what is allowed within a frame only the first counts,
and what the board makes of it follows the supply. Both are run over the recording with the
code that did it then (``controller/joint/drive.py``, ``sim/model/drive_electronics.py``).
"""

import numpy as np

from controller.joint import drive, modes
from controller.joint.settings.settings import BRIDGE
from controller.joint.state import Output
from sim.joint.part import Plant
from sim.model.drive_electronics import drive_duty
from sim.model.schedule import Run
from sim.run.closed_loop import Joint


def motor_volts(
    joint: Joint,
    time_s: np.ndarray,
    mode: np.ndarray,
    allowed_V: np.ndarray,
    supply_V: np.ndarray | None,
) -> np.ndarray:
    """Voltage (V) that the motor had from each tick on, its delay left out; shape (n,) all.

    The rows begin before the drive does, so that the frames are known. supply_V: None is nominal.
    """
    if joint.settings.drive.kind == BRIDGE:
        return allowed_V
    nominal = np.full(len(time_s), joint.file.drive.supply)
    supply = nominal if supply_V is None else np.where(np.isfinite(supply_V), supply_V, nominal)
    after = np.append(supply[1:], supply[-1])  # read at a tick's end: what it had in the tick
    return _duties(joint, time_s, mode, allowed_V, supply) * after


def _duties(
    joint: Joint, time_s: np.ndarray, mode: np.ndarray, allowed_V: np.ndarray, supply: np.ndarray
) -> np.ndarray:
    """Share of the supply, against the joint's sense, that the motor's own amplifier gives in each tick."""
    settings, part = joint.settings, joint.part
    out, run, plant = Output(), Run(), Plant()
    steps = np.maximum(np.rint(np.diff(time_s, prepend=time_s[0] - settings.tick_s) / settings.tick_s), 1.0)  # fmt: skip
    found = np.zeros(len(time_s))
    last = 0.0
    for k in range(len(time_s)):
        if not np.isfinite(allowed_V[k]):  # a row that has not come: as before
            found[k] = last
            continue
        h = float(steps[k]) * settings.tick_s
        powered = modes.driven(round(float(mode[k])))
        drive.put_out(settings, out, float(allowed_V[k]), float(supply[k]), powered, h)
        last = drive_duty(part, plant, run, out.value, 0.0, h)
        found[k] = last
    return found
