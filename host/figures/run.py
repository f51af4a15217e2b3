"""What happened in a run: angle, forces, drive."""

from typing import Any

import numpy as np

from host.figures.look import EXTENSOR, FLEXOR, LIMIT, MEASURED, SETPOINT, TIP, TRUE, pyplot
from sim.run.closed_loop import Joint, Trace
from sim.units import DEG


def trace_figure(joint: Joint, trace: Trace) -> Any:
    """What happened in a run: angle, forces, drive; the first moments enlarged."""
    plt = pyplot()
    figure, axes = plt.subplots(3, 2, figsize=(13.5, 8.2), width_ratios=[1.7, 1.0])
    figure.suptitle(
        f"{joint.file.joint.name}: {trace.scenario.meaning or trace.scenario.name}",
        x=0.01,
        ha="left",
        fontweight="bold",
    )
    t = trace["time_s"]
    near = t <= min(0.7, t[-1])
    for column, part, title in ((0, near, "The first moments"), (1, t >= 0, "The whole run")):
        if column == 1 and trace.scenario.name.startswith(("step", "small")):
            _error_panel(axes[0, 1], trace)
        else:
            _angle_panel(axes[0, column], trace, part, title)
        _tension_panel(axes[1, column], joint, trace, part)
        _drive_panel(axes[2, column], trace, part)
        fault = trace.metrics.fault_s
        for ax in axes[:, column]:
            ax.set_xlim(t[part][0], t[part][-1])
            if fault is not None and fault <= t[part][-1]:
                ax.axvline(fault, color=LIMIT, lw=1.0)
    if trace.metrics.fault_s is not None and trace.metrics.fault_s <= 0.7:
        axes[0, 0].annotate(
            trace.metrics.fault,
            (trace.metrics.fault_s, 0.02),
            xycoords=("data", "axes fraction"),
            color=LIMIT,
            xytext=(4, 2),
            textcoords="offset points",
        )
    axes[0, 0].legend(fontsize=8, loc="best")
    axes[1, 0].legend(fontsize=8, loc="best")
    axes[2, 0].legend(fontsize=8, loc="best")
    return figure


def _angle_panel(ax: Any, trace: Trace, part: np.ndarray, title: str) -> None:
    t = trace["time_s"][part]
    ax.plot(t, trace["angle_rad"][part] / DEG, color=MEASURED, lw=0.8, label="measured")
    setpoint = np.where(trace["mode"] == 0, np.nan, trace["setpoint_rad"])[part]
    ax.plot(t, setpoint / DEG, color=SETPOINT, ls="--", label="setpoint")
    ax.plot(t, trace["joint_rad"][part] / DEG, color=TRUE, label="true")
    ax.set(title=title, ylabel="joint angle, deg")


def _error_panel(ax: Any, trace: Trace) -> None:
    away = np.where(trace["mode"] == 0, np.nan, trace["joint_rad"] - trace["setpoint_rad"]) / DEG
    noise = (trace["angle_rad"] - trace["setpoint_rad"]) / DEG
    ax.plot(trace["time_s"], noise, color=MEASURED, lw=0.5, alpha=0.6)
    ax.plot(trace["time_s"], away, color=TRUE)
    tail = away[len(away) // 2 :]
    reach = max(1.5, 2.0 * float(np.nanmax(np.abs(tail))))
    ax.set(title="The whole run, enlarged", ylabel="angle less setpoint, deg", ylim=(-reach, reach))


def _tension_panel(ax: Any, joint: Joint, trace: Trace, part: np.ndarray) -> None:
    t = trace["time_s"][part]
    ax.plot(t, trace["flexor_N"][part], color=FLEXOR, label="flexing cable")
    ax.plot(t, trace["extensor_N"][part], color=EXTENSOR, ls="--", label="extending cable")
    if trace["tip_N"].max() > 0.0:
        ax.plot(t, trace["tip_N"][part], color=TIP, label="fingertip")
        ax.axhline(joint.file.limits.tip_force, color=LIMIT, ls=":", label="tip force limit")
    ax.set(ylabel="force, N")


def _drive_panel(ax: Any, trace: Trace, part: np.ndarray) -> None:
    t = trace["time_s"][part]
    supply = float(trace["bus_V"][0])
    ax.plot(
        t,
        np.clip(trace["demand_V"][part], -1.3 * supply, 1.3 * supply),
        color=MEASURED,
        lw=0.8,
        label="demanded (cut off)",
    )
    ax.plot(t, trace["allowed_V"][part], color=TRUE, label="allowed")
    ax.set(ylabel="drive, V", xlabel="time, s", ylim=(-1.35 * supply, 1.35 * supply))
    other = ax.twinx()
    other.plot(t, trace["current_A"][part], color=EXTENSOR, lw=0.8, ls="--")
    other.set_ylabel("current (dashed), A", color=EXTENSOR)
    other.grid(visible=False)
