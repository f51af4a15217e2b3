"""A recording: setpoint and measured angle, drive, estimated force; trips and gaps marked."""

from typing import TYPE_CHECKING, Any

import numpy as np

from host.figures.look import EXTENSOR, LIMIT, SETPOINT, TRUE, pyplot
from sim.run.closed_loop import Joint
from sim.units import DEG

if TYPE_CHECKING:
    from host.recordings.recorder import Run


def recording_figure(joints: list[Joint], run: "Run") -> Any:
    """One column a joint (at most four): angle, drive, force."""
    plt = pyplot()
    shown = min(len(joints), 4)
    figure, axes = plt.subplots(
        3,
        shown,
        figsize=(4.5 + 4.5 * shown if shown > 1 else 11.0, 7.6),
        sharex=True,
        squeeze=False,
    )
    kind = "virtual board" if run.about.get("virtual") else "bench"
    figure.suptitle(f"Recorded on the {kind}", x=0.01, ha="left", fontweight="bold")
    t = run["time_s"] - run["time_s"][0] if len(run.table) else np.array([0.0])
    for k in range(shown):
        _joint(axes[:, k], joints[k], run, k, t)
    axes[0, 0].set_ylabel("joint angle, deg")
    axes[1, 0].set_ylabel("drive, V")
    axes[2, 0].set_ylabel("estimated tip force, N")
    return figure


def _joint(axes: Any, joint: Joint, run: "Run", k: int, t: np.ndarray) -> None:
    if not len(run.table):
        axes[0].set_title(f"{joint.file.joint.name}: no rows")
        return
    mode = run.joint(k, "mode")
    setpoint = np.where((mode == 0) | (mode == 4), np.nan, run.joint(k, "setpoint_rad"))
    axes[0].plot(t, run.joint(k, "angle_rad") / DEG, color=TRUE, lw=1.0, label="measured")
    axes[0].plot(t, setpoint / DEG, color=SETPOINT, ls="--", label="setpoint")
    axes[0].set_title(joint.file.joint.name)
    axes[0].legend(fontsize=8, loc="best")
    axes[1].plot(t, run.joint(k, "allowed_V"), color=TRUE, lw=0.9)
    axes[2].plot(t, run.joint(k, "force_N"), color=EXTENSOR, lw=0.9)
    limit = joint.file.limits.tip_force
    axes[2].axhline(limit, color=LIMIT, ls=":", label="limit")
    axes[2].axhline(-limit, color=LIMIT, ls=":")
    axes[2].set(xlabel="time, s", ylim=(-1.4 * limit, 1.4 * limit))
    fault = run.joint(k, "fault")
    tripped = np.nonzero((fault[1:] != 0) & (fault[:-1] == 0))[0]
    for ax in axes:
        for at in tripped:
            ax.axvline(t[at + 1], color=LIMIT, lw=1.0)
