"""Figures: one look for all, axis labels with units, readable in one look."""

import io
from pathlib import Path
from typing import Any

import numpy as np

from sim.closed_loop import Joint, Trace
from sim.sizing import Size
from sim.tuning import Tuning

DEG = 180.0 / np.pi
# Colours that stay apart for colour-blind eyes (Okabe and Ito, 2008); style differs too.
WANT, TRUE, MEASURED, LIMIT = "#6b6b6b", "#0072b2", "#56b4e9", "#d55e00"
FLEXOR, EXTENSOR, TIP, GOOD = "#009e73", "#cc79a7", "#000000", "#009e73"


def pyplot() -> Any:
    """Return pyplot, drawing to files only, in our look."""
    import matplotlib

    matplotlib.use("Agg")
    import matplotlib.pyplot as plt

    plt.rcParams.update({
        "figure.dpi": 110, "font.size": 10, "axes.grid": True, "grid.color": "#dddddd",
        "axes.spines.top": False, "axes.spines.right": False, "axes.titlesize": 11,
        "axes.titleweight": "bold", "axes.titlelocation": "left", "legend.frameon": False,
        "lines.linewidth": 1.5, "svg.fonttype": "none", "font.family": "DejaVu Sans",
        "figure.constrained_layout.use": True,
    })
    return plt


def save(figure: Any, path: Path) -> Path:
    """Save a figure under a temporary name and rename it; return the path."""
    partial = path.with_name("." + path.name)
    figure.savefig(partial, format=path.suffix[1:])
    partial.replace(path)
    pyplot().close(figure)
    return path


def as_svg(figure: Any) -> str:
    """Return a figure as an SVG element for a page."""
    out = io.StringIO()
    figure.savefig(out, format="svg")
    pyplot().close(figure)
    text = out.getvalue()
    return text[text.index("<svg"):]


def size_figure(joint: Joint, mine: Size) -> Any:
    """Six panels: force, cable, speed, resolution, heat, loop."""
    plt = pyplot()
    figure, axes = plt.subplots(2, 3, figsize=(13.5, 7.2))
    figure.suptitle(f"What this choice of parts gives: {joint.file.joint.name}", x=0.01, ha="left",
                    fontweight="bold")
    _force_panel(axes[0, 0], joint, mine)
    _cable_panel(axes[0, 1], joint, mine)
    _speed_panel(axes[0, 2], joint, mine)
    _resolution_panel(axes[1, 0], mine)
    _hold_panel(axes[1, 1], joint, mine)
    _loop_panel(axes[1, 2], joint, mine)
    return figure


def _force_panel(ax: Any, joint: Joint, mine: Size) -> None:
    rows = np.array(mine.force_over_range_N)
    low, _, high = mine.force_at_limit_N
    ax.plot(rows[:, 0] * DEG, rows[:, 2], color=WANT, ls="--", label="motor stalled")
    ax.plot(rows[:, 0] * DEG, rows[:, 1], color=TRUE, label="at the force limit")
    ax.axhspan(low, high, color=MEASURED, alpha=0.25, label="95 % of parts at the limit")
    ax.axhline(joint.file.limits.tip_force, color=LIMIT, ls=":", label="limit asked for")
    ax.set(title="Fingertip force over the range", xlabel="joint angle, deg", ylabel="force, N",
           ylim=(0, None))
    ax.legend(fontsize=8, loc="lower left")


def _cable_panel(ax: Any, joint: Joint, mine: Size) -> None:
    names = ["pretension", "at the limit", "motor stalled", "impact, hard"]
    values = [mine.cable_pretension_N, mine.cable_at_limit_N, mine.cable_at_stall_N,
              mine.cable_impact_N]
    ax.barh(names[::-1], values[::-1], color=[LIMIT, WANT, TRUE, FLEXOR], height=0.6)
    for k, value in enumerate(values[::-1]):
        ax.annotate(f"{value:.0f} N", (value, k), xytext=(4, 0), textcoords="offset points",
                    va="center")
    strength = mine.cable_strength_N
    if strength is not None:
        allowed = strength / joint.file.cable.safety_factor
        ax.axvline(allowed, color=LIMIT, ls=":", label=f"allowed, {allowed:.0f} N")
        ax.axvline(strength, color=LIMIT, label=f"breaks, {strength:.0f} N")
        ax.legend(fontsize=8, loc="lower right")
    ax.set(title="Cable tension", xlabel="tension, N", xlim=(0, max([*values, strength or 0]) * 1.12))
    ax.grid(axis="y", visible=False)


def _speed_panel(ax: Any, joint: Joint, mine: Size) -> None:
    from sim import joint_settings as rules

    part = joint.part
    speeds = np.linspace(0.0, mine.free_speed_rad_s, 60)
    ohm = part.motor.resistance_25_ohm + part.motor.driver_ohm + part.supply_ohm
    emf = part.motor.emf_V_s * rules.drum_per_joint(part)
    drag = part.motor.viscous_Nms * rules.drum_per_joint(part) / part.motor.emf_V_s
    amps = (part.supply_V - emf * speeds) / ohm - drag * speeds
    force = np.array([rules.tip_force_of_current(part, float(a)) for a in amps])
    ax.plot(speeds * DEG, force, color=TRUE, label="full supply")
    ax.axhline(mine.force_limit_N, color=LIMIT, ls=":", label="force limit")
    ax.axvline(joint.settings.limits.speed_rad_s * DEG, color=WANT, ls=":", label="speed limit")
    ax.set(title="Force against speed", xlabel="joint speed, deg/s", ylabel="tip force, N",
           xlim=(0, None), ylim=(0, None))
    ax.legend(fontsize=8)


def _resolution_panel(ax: Any, mine: Size) -> None:
    names = ["one count", "noise, rms", "one effective bit", "backlash", "pull-down, if not undone",
             "linearity, if not calibrated"]
    values = np.array([mine.angle_per_count_rad, mine.noise_rad, mine.angle_effective_rad,
                       mine.backlash_rad, mine.loading_error_rad, mine.linearity_error_rad]) * DEG
    values = np.maximum(values, 1e-3)
    ax.barh(names[::-1], values[::-1], color=MEASURED, height=0.6)
    for k, value in enumerate(values[::-1]):
        ax.annotate(f"{value:.2f} deg", (value, k), xytext=(4, 0), textcoords="offset points",
                    va="center")
    ax.set_xscale("log")
    ax.set(title="Angle: what it resolves, what blurs it", xlabel="joint angle, deg",
           xlim=(min(values) * 0.5, max(values) * 5))
    ax.grid(axis="y", visible=False)


def _hold_panel(ax: Any, joint: Joint, mine: Size) -> None:
    from sim import joint_settings as rules
    from sim.sizing import stall_current, time_to_hot

    amps = np.linspace(mine.hold_for_ever_A, stall_current(joint.part), 24)
    rows = [(rules.tip_force_of_current(joint.part, float(a)), time_to_hot(joint.part, float(a)))
            for a in amps]
    known = np.array([(f, t) for f, t in rows if t is not None])
    if len(known):
        ax.plot(known[:, 0], known[:, 1], color=TRUE, label="until the winding is too hot")
        ax.set_yscale("log")
    ax.axvline(mine.hold_for_ever_N, color=GOOD, ls="--", label="for ever")
    ax.axvline(mine.force_limit_N, color=LIMIT, ls=":", label="force limit")
    ax.set(title="How long a force can be held", xlabel="tip force, N", ylabel="time from cold, s",
           xlim=(0, None))
    ax.legend(fontsize=8)


def _loop_panel(ax: Any, joint: Joint, mine: Size) -> None:
    from sim import linear

    s = joint.settings
    w = linear.frequency_grid(s.tick_s)
    own = linear.controller_response(s.gains, s.tick_s)
    frame = joint.part.board_frame_s if joint.part.board != 0 else 0.0
    hold = linear.frame_hold(w, frame, s.tick_s)
    for rigid, colour, name in ((False, TRUE, "with the cable's spring"), (True, WANT, "rigid")):
        loop = linear.plant_response(joint.part, s.tick_s, joint.delay_s, rigid) * own * hold
        ax.loglog(w / (2 * np.pi), np.abs(1.0 / (1.0 + loop)), color=colour,
                  ls="-" if not rigid else "--", label=name)
    ax.axhline(1.7, color=LIMIT, ls=":", label="bound on the peak, 1.7")
    if np.isfinite(mine.resonance_Hz):
        ax.axvline(mine.resonance_Hz, color=EXTENSOR, ls=":",
                   label=f"cable resonance, {mine.resonance_Hz:.0f} Hz")
    ax.set(title="Sensitivity of the loop", xlabel="frequency, Hz", ylabel="error over disturbance",
           ylim=(1e-2, 10))
    ax.legend(fontsize=8, loc="lower right")


def trace_figure(joint: Joint, trace: Trace) -> Any:
    """What happened in a run: angle, forces, drive; the first moments enlarged."""
    plt = pyplot()
    figure, axes = plt.subplots(3, 2, figsize=(13.5, 8.2), width_ratios=[1.7, 1.0])
    figure.suptitle(f"{joint.file.joint.name}: {trace.scenario.meaning or trace.scenario.name}",
                    x=0.01, ha="left", fontweight="bold")
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
        axes[0, 0].annotate(trace.metrics.fault, (trace.metrics.fault_s, 0.02),
                            xycoords=("data", "axes fraction"), color=LIMIT, xytext=(4, 2),
                            textcoords="offset points")
    axes[0, 0].legend(fontsize=8, loc="best")
    axes[1, 0].legend(fontsize=8, loc="best")
    axes[2, 0].legend(fontsize=8, loc="best")
    return figure


def _angle_panel(ax: Any, trace: Trace, part: np.ndarray, title: str) -> None:
    t = trace["time_s"][part]
    ax.plot(t, trace["angle_rad"][part] * DEG, color=MEASURED, lw=0.8, label="measured")
    want = np.where(trace["mode"] == 0, np.nan, trace["want_rad"])[part]
    ax.plot(t, want * DEG, color=WANT, ls="--", label="wanted")
    ax.plot(t, trace["joint_rad"][part] * DEG, color=TRUE, label="true")
    ax.set(title=title, ylabel="joint angle, deg")


def _error_panel(ax: Any, trace: Trace) -> None:
    away = np.where(trace["mode"] == 0, np.nan, trace["joint_rad"] - trace["want_rad"]) * DEG
    noise = (trace["angle_rad"] - trace["want_rad"]) * DEG
    ax.plot(trace["time_s"], noise, color=MEASURED, lw=0.5, alpha=0.6)
    ax.plot(trace["time_s"], away, color=TRUE)
    tail = away[len(away) // 2:]
    reach = max(1.5, 2.0 * float(np.nanmax(np.abs(tail))))
    ax.set(title="The whole run, enlarged", ylabel="angle less wanted, deg", ylim=(-reach, reach))


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
    ax.plot(t, np.clip(trace["demand_V"][part], -1.3 * supply, 1.3 * supply), color=MEASURED, lw=0.8,
            label="demanded (cut off)")
    ax.plot(t, trace["allowed_V"][part], color=TRUE, label="allowed")
    ax.set(ylabel="drive, V", xlabel="time, s", ylim=(-1.35 * supply, 1.35 * supply))
    other = ax.twinx()
    other.plot(t, trace["current_A"][part], color=EXTENSOR, lw=0.8, ls="--")
    other.set_ylabel("current (dashed), A", color=EXTENSOR)
    other.grid(visible=False)


def step_band_figure(joint: Joint, tuning: Tuning, bands: dict[str, np.ndarray], t: np.ndarray,
                     target: float) -> Any:
    """Step responses over the held-out parts: bands before and after, and the tail."""
    plt = pyplot()
    figure, axes = plt.subplots(1, 2, figsize=(13.5, 4.4), width_ratios=[1.5, 1.0])
    shown = t <= 0.5
    for name, colour, label in (("before", LIMIT, "before"), ("tuned", TRUE, "tuned")):
        low, middle, high = np.percentile(bands[name], (2.5, 50, 97.5), axis=0) * DEG
        axes[0].fill_between(t[shown], low[shown], high[shown], color=colour, alpha=0.25, lw=0)
        axes[0].plot(t[shown], middle[shown], color=colour, ls="-" if name == "tuned" else "--",
                     label=f"{label}: middle and 95 % of the held-out parts")
        axes[1].fill_between(t, low - target * DEG, high - target * DEG, color=colour, alpha=0.25,
                             lw=0, label=label)
    band = 0.02 * tuning.step_rad * DEG
    for ax, centre in ((axes[0], target * DEG), (axes[1], 0.0)):
        ax.axhspan(centre - band, centre + band, color=GOOD, alpha=0.15, lw=0)
    axes[0].set(title=f"Step of {tuning.step_rad * DEG:.0f} deg, parts the search never met",
                xlabel="time from the command, s", ylabel="true joint angle, deg", xlim=(0, 0.5))
    axes[0].legend(fontsize=9, loc="lower right")
    axes[1].set(title="How it stands afterwards", xlabel="time from the command, s",
                ylabel="angle less target, deg", ylim=(-2.6 * band, 2.6 * band),
                xlim=(0, float(t[-1])))
    axes[1].legend(fontsize=9, loc="upper right")
    return figure


_GOALS = (("settling_2pct_s", "settling to 2 %, ms", 1e3), ("overshoot_rad", "overshoot, deg", DEG),
          ("steady_error_rad", "steady error, deg", DEG), ("hunting_rad", "hunting, +- deg", DEG))


def quality_figure(tuning: Tuning, bound_s: float | None) -> Any:
    """Distributions over parts: before, first guess, tuned, held out."""
    plt = pyplot()
    figure, axes = plt.subplots(1, 4, figsize=(13.5, 3.6))
    styles = (("before", LIMIT, "--"), ("first_guess", WANT, ":"), ("held_out", TRUE, "-"),
              ("outside", EXTENSOR, "-."))
    labels = {"before": "before", "first_guess": "first guess by rule",
              "held_out": "tuned, held-out parts", "outside": "tuned, outside the rule"}
    for ax, (key, title, factor) in zip(axes, _GOALS, strict=True):
        top = 0.0
        for name, colour, style in styles:
            if name not in tuning.tables:
                continue
            values = np.sort(np.nan_to_num(tuning.tables[name][key], nan=np.inf)) * factor
            share = (np.arange(len(values)) + 1.0) / len(values) * 100.0
            ax.step(values, share, color=colour, ls=style, label=labels[name], where="post")
            finite = values[np.isfinite(values)]
            if len(finite):
                top = max(top, float(np.percentile(finite, 98)))
        if key == "settling_2pct_s" and bound_s is not None:
            ax.axvline(bound_s * factor, color=TIP, lw=1.0)
            ax.annotate("bang-bang bound", (bound_s * factor, 20), rotation=90, fontsize=8,
                        ha="right")
        ax.axhline(95, color="#999999", lw=0.8)
        ax.set(xlabel=title, xlim=(0, top * 1.15 or 1.0), ylim=(0, 101))
    axes[0].set_ylabel("parts that do as well, %")
    axes[3].legend(fontsize=8, loc="lower right")
    return figure


def margin_figure(joint: Joint, tuning: Tuning) -> Any:
    """Nyquist curve of the tuned loop, and its sensitivity."""
    from sim import linear

    plt = pyplot()
    tick = joint.settings.tick_s
    figure, axes = plt.subplots(1, 2, figsize=(13.5, 4.2), width_ratios=[0.8, 1.2])
    w = linear.frequency_grid(tick, 4000)
    frame = joint.part.board_frame_s if joint.part.board != 0 else 0.0
    hold = linear.frame_hold(w, frame, tick)
    ring = np.exp(1j * np.linspace(0, 2 * np.pi, 200))
    axes[0].plot(-1 + ring.real / 1.7, ring.imag / 1.7, color=LIMIT, ls=":",
                 label="a peak of 1.7 lies outside")
    axes[0].plot([-1], [0], marker="x", color=LIMIT)
    for gains, colour, style, name in ((tuning.first_gains, WANT, "--", "first guess"),
                                       (tuning.gains, TRUE, "-", "tuned")):
        own = linear.controller_response(gains, tick, w)
        for rigid in (True, False):
            loop = linear.plant_response(joint.part, tick, joint.delay_s, rigid, w) * own * hold
            if rigid:
                axes[0].plot(loop.real, loop.imag, color=colour, ls=style, label=name)
            else:
                axes[1].loglog(w / (2 * np.pi), np.abs(1 / (1 + loop)), color=colour, ls=style,
                               label=name)
    axes[0].set(title="Open loop, rigid joint", xlabel="real part", ylabel="imaginary part",
                xlim=(-2.6, 0.8), ylim=(-2.2, 1.2))
    axes[0].set_aspect("equal")
    axes[0].legend(fontsize=8, loc="lower right")
    axes[1].axhline(1.7, color=LIMIT, ls=":")
    axes[1].set(title="Sensitivity, with the cable's spring", xlabel="frequency, Hz",
                ylabel="error over disturbance", ylim=(1e-2, 10))
    axes[1].legend(fontsize=8, loc="lower right")
    return figure
