"""An excitation, before it is run: angle and speed, with their limits."""

from typing import TYPE_CHECKING, Any

import numpy as np

from host.figures.look import LIMIT, SETPOINT, TRUE, pyplot
from sim.units import DEG

if TYPE_CHECKING:
    from sim.identify.excite import Excitation
    from sim.run.closed_loop import Joint


def excitation_figure(joints: "list[Joint]", plans: "list[Excitation]") -> Any:
    """Angle over speed, the first joint's in detail: the others follow their own range."""
    plt = pyplot()
    joint, plan = joints[0], plans[0]
    figure, axes = plt.subplots(2, 1, figsize=(12.0, 5.6), sharex=True, height_ratios=[3, 2])
    figure.suptitle(f"What {joint.file.joint.name} is going to do", x=0.01, ha="left",
                    fontweight="bold")  # fmt: skip
    limits = joint.settings.limits
    for at in (limits.command_low_rad, limits.command_high_rad):
        if np.isfinite(at) and abs(at) < 50.0:
            axes[0].axhline(at / DEG, color=LIMIT, lw=1.0, ls="--")
    axes[0].plot(plan.time_s, plan.angle_rad / DEG, color=TRUE)
    axes[0].set(ylabel="joint angle, deg")
    axes[1].plot(plan.time_s, plan.speed_rad_s / DEG, color=TRUE, lw=1.0)
    for sign in (-1.0, 1.0):
        axes[1].axhline(sign * limits.speed_rad_s / DEG, color=LIMIT, lw=1.0, ls="--",
                        label="limits" if sign > 0 else None)  # fmt: skip
    axes[1].set(ylabel="speed, deg/s", xlabel="time, s")
    axes[1].legend(fontsize=8, loc="upper left")
    top = axes[0].get_ylim()[1]
    for name, at in plan.pieces:
        for one in axes:
            one.axvline(at, color=SETPOINT, lw=0.8)
        axes[0].text(at + 0.1, top, name, fontsize=9, va="top", color=SETPOINT)
    return figure
