"""What a tuning reached: steps, distributions over parts, robustness."""

from typing import Any

import numpy as np

from host.figures.look import EXTENSOR, GOOD, LIMIT, SETPOINT, TIP, TRUE, pyplot
from sim.run.closed_loop import Joint
from sim.tune.tuning import Tuning
from sim.units import DEG


def step_band_figure(
    tuning: Tuning, bands: dict[str, np.ndarray], t: np.ndarray, target: float
) -> Any:
    """Step responses over the held-out parts: bands before and after, and the tail."""
    plt = pyplot()
    figure, axes = plt.subplots(1, 2, figsize=(13.5, 4.4), width_ratios=[1.5, 1.0])
    shown = t <= 0.5
    for name, colour, label in (("before", LIMIT, "before"), ("tuned", TRUE, "tuned")):
        low, middle, high = np.percentile(bands[name], (2.5, 50, 97.5), axis=0) / DEG
        axes[0].fill_between(t[shown], low[shown], high[shown], color=colour, alpha=0.25, lw=0)
        axes[0].plot(
            t[shown],
            middle[shown],
            color=colour,
            ls="-" if name == "tuned" else "--",
            label=f"{label}: middle and 95 % of the held-out parts",
        )
        axes[1].fill_between(
            t, low - target / DEG, high - target / DEG, color=colour, alpha=0.25, lw=0, label=label
        )
    band = 0.02 * tuning.step_rad / DEG
    for ax, centre in ((axes[0], target / DEG), (axes[1], 0.0)):
        ax.axhspan(centre - band, centre + band, color=GOOD, alpha=0.15, lw=0)
    axes[0].set(
        title=f"Step of {tuning.step_rad / DEG:.0f} deg, parts the search never met",
        xlabel="time from the command, s",
        ylabel="true joint angle, deg",
        xlim=(0, 0.5),
    )
    axes[0].legend(fontsize=9, loc="lower right")
    axes[1].set(
        title="How it stands afterwards",
        xlabel="time from the command, s",
        ylabel="angle less target, deg",
        ylim=(-2.6 * band, 2.6 * band),
        xlim=(0, float(t[-1])),
    )
    axes[1].legend(fontsize=9, loc="upper right")
    return figure


_GOALS = (
    ("settling_2pct_s", "settling to 2 %, ms", 1e3),
    ("overshoot_rad", "overshoot, deg", 1.0 / DEG),
    ("steady_error_rad", "steady-state error, deg", 1.0 / DEG),
    ("hunting_rad", "hunting, +- deg", 1.0 / DEG),
)


def quality_figure(tuning: Tuning, bound_s: float | None) -> Any:
    """Distributions over parts: before, first guess, tuned, held out."""
    plt = pyplot()
    figure, axes = plt.subplots(1, 4, figsize=(13.5, 3.6))
    styles = (
        ("before", LIMIT, "--"),
        ("first_guess", SETPOINT, ":"),
        ("held_out", TRUE, "-"),
        ("outside", EXTENSOR, "-."),
    )
    labels = {
        "before": "before",
        "first_guess": "first guess by rule",
        "held_out": "tuned, held-out parts",
        "outside": "tuned, outside the rule",
    }
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
            ax.annotate(
                "bang-bang bound", (bound_s * factor, 20), rotation=90, fontsize=8, ha="right"
            )
        ax.axhline(95, color="#999999", lw=0.8)
        ax.set(xlabel=title, xlim=(0, top * 1.15 or 1.0), ylim=(0, 101))
    axes[0].set_ylabel("parts that do as well, %")
    axes[3].legend(fontsize=8, loc="lower right")
    return figure


def margin_figure(joint: Joint, tuning: Tuning) -> Any:
    """Nyquist curve of the tuned loop, and its sensitivity."""
    from sim.tune import margins

    plt = pyplot()
    tick = joint.settings.tick_s
    figure, axes = plt.subplots(1, 2, figsize=(13.5, 4.2), width_ratios=[0.8, 1.2])
    w = margins.frequency_grid(tick, 4000)
    frame = joint.part.amplifier_frame_s if joint.part.amplifier != 0 else 0.0
    hold = margins.frame_hold(w, frame, tick)
    ring = np.exp(1j * np.linspace(0, 2 * np.pi, 200))
    axes[0].plot(
        -1 + ring.real / 1.7,
        ring.imag / 1.7,
        color=LIMIT,
        ls=":",
        label="a peak of 1.7 lies outside",
    )
    axes[0].plot([-1], [0], marker="x", color=LIMIT)
    for gains, colour, style, name in (
        (tuning.first_gains, SETPOINT, "--", "first guess"),
        (tuning.gains, TRUE, "-", "tuned"),
    ):
        own = margins.controller_response(gains, tick, w)
        for rigid in (True, False):
            loop = margins.plant_response(joint.part, tick, joint.delay_s, rigid, w) * own * hold
            if rigid:
                axes[0].plot(loop.real, loop.imag, color=colour, ls=style, label=name)
            else:
                axes[1].loglog(
                    w / (2 * np.pi), np.abs(1 / (1 + loop)), color=colour, ls=style, label=name
                )
    axes[0].set(
        title="Open loop, rigid joint",
        xlabel="real part",
        ylabel="imaginary part",
        xlim=(-2.6, 0.8),
        ylim=(-2.2, 1.2),
    )
    axes[0].set_aspect("equal")
    axes[0].legend(fontsize=8, loc="lower right")
    axes[1].axhline(1.7, color=LIMIT, ls=":")
    axes[1].set(
        title="Sensitivity, with the cable's spring",
        xlabel="frequency, Hz",
        ylabel="error over disturbance",
        ylim=(1e-2, 10),
    )
    axes[1].legend(fontsize=8, loc="lower right")
    return figure
