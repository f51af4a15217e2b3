"""Logs of an axis and the model found: motion measured and run freely, drive, and what is left."""

from typing import TYPE_CHECKING, Any

import numpy as np

from host.figures.look import EXTENSOR, LIMIT, MEASURED, TRUE, pyplot
from sim.units import DEG

if TYPE_CHECKING:
    from sim.identify.axis.log import Log
    from sim.identify.axis.predict import Prediction


def axis_figure(title: str, log: "Log", shown: "Prediction", band: np.ndarray) -> Any:
    """Three panels: motion with the model's free runs, drive, what is left over.

    band: the model's course at the low and the high end of its constants, (2, rows of the windows).
    """
    plt = pyplot()
    rotary = log.motion_unit.startswith("rad")
    factor = 1.0 / DEG if rotary else 1e3
    unit = log.motion_unit.replace("rad", "deg") if rotary else "m" + log.motion_unit
    figure, axes = plt.subplots(3, 1, figsize=(12.0, 7.6), sharex=True)
    figure.suptitle(title, x=0.01, ha="left", fontweight="bold")
    w = shown.windows
    t = _times(log, shown)
    axes[0].plot(t, w.measured * factor, color=TRUE, lw=1.0, label="measured")
    axes[0].plot(
        t,
        shown.course * factor,
        color=EXTENSOR,
        lw=1.0,
        ls="--",
        label="model, run freely over each stretch",
    )
    axes[0].fill_between(
        t,
        band[0] * factor,
        band[1] * factor,
        color=MEASURED,
        alpha=0.4,
        label="95 % of its constants",
    )
    axes[0].set(ylabel=f"{'speed' if log.is_speed else 'angle' if rotary else 'way'}, {unit}")
    axes[0].legend(fontsize=8, loc="lower right", bbox_to_anchor=(1.0, 1.0), ncols=3)
    axes[1].plot(t, w.drive, color=TRUE, lw=0.9)
    axes[1].set(ylabel=f"drive, {log.drive_unit}")
    axes[2].plot(t, (w.measured - shown.course) * factor, color=TRUE, lw=0.7)
    axes[2].axhline(0.0, color=LIMIT, lw=0.6)
    axes[2].set(ylabel=f"left over, {unit}", xlabel="time in motion, s (rests are left out)")
    return figure


def _times(log: "Log", shown: "Prediction") -> np.ndarray:
    """Time of each row of the windows, one behind the other, a gap between windows as nan-free steps."""
    return np.arange(len(shown.windows.drive)) * log.step_s
