"""How near a search came to each limit, and what it drew."""

from typing import TYPE_CHECKING, Any

from host.figures.look import GOOD, LIMIT, MEASURED, TRUE, pyplot

if TYPE_CHECKING:
    from sim.challenge.attack import Outcome
    from sim.run.closed_loop import Joint

LABELS = {
    "tension": "cable tension",
    "travel": "over-travel",
    "force": "lasting tip force",
    "heat": "winding",
}


def margins_figure(joint: "Joint", found: "Outcome") -> Any:
    """Three panels: worst share of each limit; kinds of step drawn; trips answered."""
    plt = pyplot()
    figure, axes = plt.subplots(1, 3, figsize=(13.5, 4.4), width_ratios=[1.2, 1.0, 1.2])
    figure.suptitle(
        f"{joint.file.joint.name}: {found.scenarios} programs, {found.runs} runs",
        x=0.01,
        ha="left",
        fontweight="bold",
    )
    names = list(found.worst)[::-1]
    shares = [100.0 * found.worst[name].share for name in names]
    colours = [LIMIT if share > 100.0 else GOOD for share in shares]
    bars = axes[0].barh([LABELS[name] for name in names], shares, color=colours)
    axes[0].bar_label(bars, fmt="%.0f %%", padding=3)
    axes[0].axvline(100.0, color=LIMIT, ls=":")
    axes[0].set(
        title="Nearest to each limit", xlabel="of the limit, %", xlim=(0, max(125, *shares))
    )
    _counts(axes[1], found.kinds, "Steps drawn", TRUE)
    _counts(axes[2], found.faults, "Trips answered (parts)", MEASURED)
    return figure


def _counts(ax: Any, counts: Any, title: str, colour: str) -> None:
    rows = counts.most_common(16)[::-1]
    ax.barh([name for name, _ in rows], [count for _, count in rows], color=colour)
    ax.tick_params(axis="y", labelsize=8)
    ax.set(title=title, xlabel="number")
    ax.set_axisbelow(True)
