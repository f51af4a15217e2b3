"""Variants of a joint in the plane of two figures; those that nothing else beats in both."""

import re
from typing import TYPE_CHECKING, Any

import numpy as np

from host.figures.look import LIMIT, SETPOINT, pyplot
from sim.units import DEG

if TYPE_CHECKING:
    from sim.size.sweep import Axis


def sweep_figure(axes: "list[Axis]", points: list[tuple[str, ...]], values: np.ndarray, front: np.ndarray,
                 names: tuple[str, str]) -> Any:  # fmt: skip
    """values: (n, 2) of the two columns, in SI units; front: (n,) of bool."""
    plt = pyplot()
    (across, _), (up, _) = labels = [shown(name) for name in names]
    values = values * np.array([factor for _, factor in labels])
    figure, axis = plt.subplots(figsize=(11.0, 6.8))
    known = np.isfinite(values).all(axis=1)
    places = {text: k for k, text in enumerate(axes[0].values)}
    shade = np.array([places[point[0]] for point in points])
    drawn = axis.scatter(
        values[known, 0], values[known, 1], c=shade[known], cmap="viridis", s=22, lw=0
    )
    if front.any():
        best = values[front]
        order = np.argsort(best[:, 0])
        axis.plot(best[order, 0], best[order, 1], color=LIMIT, lw=1.4, marker="o", mfc="none", ms=9,
                  label="nothing else is better in both")  # fmt: skip
        for k in np.flatnonzero(front)[:: max(1, int(front.sum()) // 8)]:
            axis.annotate(brief(", ".join(points[k])), values[k], fontsize=7, color=SETPOINT,
                          xytext=(5, 5), textcoords="offset points")  # fmt: skip
        axis.legend(fontsize=9)
    bar = figure.colorbar(drawn, ax=axis)
    ticks = np.unique(
        np.linspace(0, len(axes[0].values) - 1, min(len(axes[0].values), 8)).astype(int)
    )
    bar.set_ticks(ticks, labels=[brief(axes[0].values[k]) for k in ticks])
    bar.set_label(axes[0].key)
    axis.set(xlabel=across, ylabel=up,
             title=f"{len(points)} variants of {', '.join(one.key for one in axes)}")  # fmt: skip
    return figure


def shown(name: str) -> tuple[str, float]:
    """What people read of a column: its words with their unit, and by what its SI values are multiplied."""
    for ending, unit, factor in (
        ("_rad_s", "deg/s", 1.0 / DEG),
        ("_rad", "deg", 1.0 / DEG),
        ("_Hz", "Hz", 1.0),
        ("_N", "N", 1.0),
        ("_A", "A", 1.0),
        ("_s", "s", 1.0),
    ):
        if name.endswith(ending):
            return f"{name.removesuffix(ending).replace('_', ' ')}, {unit}", factor
    return name.replace("_", " "), 1.0


def brief(text: str) -> str:
    """A value with four digits, to be looked at: "5.33333333 mm" is "5.333 mm"."""
    return re.sub(r"\d+\.\d{3,}", lambda found: f"{float(found[0]):.4g}", text)
