"""A log and the model fitted to it: drive measured and modelled, and what is left."""

from typing import TYPE_CHECKING, Any

from host.figures.look import EXTENSOR, TRUE, pyplot

if TYPE_CHECKING:
    from sim.identify.log import Log
    from sim.identify.regression import Regression


def regression_figure(name: str, log: "Log", found: "Regression") -> Any:
    """Three panels: angle, drive with the model's, residual."""
    plt = pyplot()
    figure, axes = plt.subplots(3, 1, figsize=(12.0, 7.6), sharex=True)
    figure.suptitle(f"Identified from {name}", x=0.01, ha="left", fontweight="bold")
    axes[0].plot(log.time_s, log.angle, color=TRUE, lw=1.0)
    axes[0].set(ylabel=f"angle, {log.angle_unit}" if log.angle_unit == "rad" else "position, m")
    axes[1].plot(found.time_s, found.measured, color=TRUE, lw=0.9, label="measured")
    axes[1].plot(found.time_s, found.predicted, color=EXTENSOR, lw=0.9, ls="--", label="model")
    axes[1].set(ylabel=f"drive, {log.drive_unit}")
    axes[1].legend(fontsize=8, loc="upper right", ncols=2)
    axes[2].plot(found.time_s, found.measured - found.predicted, color=TRUE, lw=0.7)
    axes[2].set(ylabel=f"left over, {log.drive_unit}", xlabel="time, s")
    return figure
