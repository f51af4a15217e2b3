"""What was identified of a joint: each number beside its spread, what is left over, the response."""

from typing import TYPE_CHECKING, Any

import numpy as np

from host.figures.look import EXTENSOR, MEASURED, SETPOINT, TRUE, pyplot
from sim.units import DEG

if TYPE_CHECKING:
    from sim.identify.fit import Fit
    from sim.identify.response import Response


def identified_figure(title: str, found: "Fit", t: np.ndarray, rows: dict[str, np.ndarray],
                      response: "Response | None") -> Any:  # fmt: skip
    """Draw a fit. rows: measured, simulated, datasheet (rad) over t (s)."""
    plt = pyplot()
    figure = plt.figure(figsize=(13.0, 8.6))
    figure.suptitle(title, x=0.01, ha="left", fontweight="bold")
    grid = figure.add_gridspec(3, 2, width_ratios=[1.0, 1.5])
    _numbers(figure.add_subplot(grid[:, 0]), found)
    course = figure.add_subplot(grid[0, 1])
    course.plot(t, rows["measured"] / DEG, color=TRUE, lw=1.0, label="recorded")
    course.plot(t, rows["simulated"] / DEG, color=EXTENSOR, lw=1.0, ls="--",
                label="simulated as identified")  # fmt: skip
    course.set(ylabel="joint angle, deg", title="The same setpoints, simulated")
    course.legend(fontsize=8, ncols=2)
    left = figure.add_subplot(grid[1, 1], sharex=course)
    for name, color, word in (("datasheet", SETPOINT, "by datasheet"), ("simulated", EXTENSOR, "as identified")):  # fmt: skip
        left.plot(t, (rows["measured"] - rows[name]) / DEG, color=color, lw=0.7, label=word)
    left.axvspan(t[0] + 0.8 * (t[-1] - t[0]), t[-1], color=MEASURED, alpha=0.15, lw=0)
    left.set(ylabel="left over, deg", xlabel="time, s")
    left.legend(fontsize=8, ncols=2, loc="upper left",
                title="shaded: held out from the fit", title_fontsize=8)  # fmt: skip
    if response is not None:
        _response(figure.add_subplot(grid[2, 1]), response)
    return figure


def _numbers(axis: Any, found: "Fit") -> None:
    """Each number's interval in deviations of its spread: what the log has told."""
    for k, one in enumerate(found.spread):
        scale = found.axes[k].deviation / one.deviation  # wider where the answer lay at the edge
        z, d = scale * found.z[k], scale * found.deviation(one.name)
        axis.plot([-1.96, 1.96], [k, k], color=MEASURED, lw=7, alpha=0.35, solid_capstyle="butt")
        told = d <= 0.75
        axis.plot([z - 1.96 * d, z + 1.96 * d], [k, k],
                  color=TRUE if told else SETPOINT, lw=2.5)  # fmt: skip
        axis.plot(z, k, "o", color=TRUE if told else SETPOINT, ms=5)
    axis.set_yticks(range(len(found.axes)), [one.name.replace("_", " ") for one in found.axes])
    axis.invert_yaxis()
    axis.set(xlabel="deviations of the part spread", xlim=(min(-3.6, axis.get_xlim()[0]), max(3.6, axis.get_xlim()[1])),
             title="Identified, 95 % (wide: the spread before)")  # fmt: skip
    axis.text(0.99, 0.01, "grey: not told by this log", transform=axis.transAxes, ha="right",
              fontsize=8, color=SETPOINT)  # fmt: skip


def _response(axis: Any, found: "Response") -> None:
    axis.loglog(found.smooth_Hz, np.abs(found.smooth) / DEG, color=SETPOINT, lw=1.0,
                label="linear model, no friction")  # fmt: skip
    axis.loglog(found.hertz, np.abs(found.simulated) / DEG, "s", color=EXTENSOR, ms=7, mfc="none",
                label="simulated as identified")  # fmt: skip
    axis.loglog(found.hertz, np.abs(found.measured) / DEG, "o", color=TRUE, ms=5, label="recorded")
    axis.set(xlabel="frequency, Hz", ylabel="angle over drive, deg/V",
             title="Frequency response, from the multisine")  # fmt: skip
    from matplotlib.ticker import FuncFormatter, LogLocator

    for one in (axis.xaxis, axis.yaxis):
        one.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0)))
        one.set_major_formatter(FuncFormatter(lambda v, _: f"{v:g}"))
        one.set_minor_formatter(FuncFormatter(lambda *_: ""))
    axis.legend(fontsize=8)
