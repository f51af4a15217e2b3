"""A recording beside its simulation: angle, drive, and what is left between them."""

from typing import Any

import numpy as np

from host.figures.look import EXTENSOR, MEASURED, SETPOINT, TRUE, pyplot
from sim.units import DEG


def overlay_figure(title: str, t: np.ndarray, rows: dict[str, np.ndarray], narrow: bool = False) -> Any:  # fmt: skip
    """Draw arrays over time (s): setpoint, measured, simulated (rad), drive and simulated_drive (V).

    With "low" and "high" (rad) the band of the part spread is shaded. narrow: for the margin of a page.
    """
    plt = pyplot()
    size = (4.6, 5.6) if narrow else (12.0, 8.0)
    columns = 2 if narrow else 4
    figure, axes = plt.subplots(3, 1, figsize=size, sharex=True, height_ratios=[2, 1, 1])
    figure.suptitle(title, x=0.01, ha="left", fontweight="bold")
    if "low" in rows:
        axes[0].fill_between(t, rows["low"] / DEG, rows["high"] / DEG, color=MEASURED, alpha=0.3,
                             lw=0, label="simulated, band of the part spread")  # fmt: skip
    axes[0].plot(t, rows["setpoint"] / DEG, color=SETPOINT, ls="--", lw=1.0, label="setpoint")
    axes[0].plot(t, rows["simulated"] / DEG, color=EXTENSOR, lw=1.2, label="simulated")
    axes[0].plot(t, rows["measured"] / DEG, color=TRUE, lw=1.0, label="recorded")
    axes[0].set(ylabel="joint angle, deg")
    axes[0].legend(fontsize=8, loc="best", ncols=columns)
    if "datasheet" in rows:
        axes[1].plot(t, (rows["measured"] - rows["datasheet"]) / DEG, color=SETPOINT, lw=0.7,
                     label="by datasheet")  # fmt: skip
    left = (rows["measured"] - rows["simulated"]) / DEG
    axes[1].plot(t, left, color=TRUE, lw=0.9, label="as identified")
    if "datasheet" in rows:
        axes[1].legend(fontsize=8, loc="best", ncols=2)
    axes[1].axhline(0.0, color=SETPOINT, lw=0.8)
    axes[1].set(ylabel="difference, deg")
    axes[2].plot(t, rows["simulated_drive"], color=EXTENSOR, lw=0.9, label="simulated")
    axes[2].plot(t, rows["drive"], color=TRUE, lw=0.7, alpha=0.8, label="recorded")
    axes[2].set(ylabel="drive, V", xlabel="time, s")
    axes[2].legend(fontsize=8, loc="best", ncols=2)
    return figure
