"""How soon each fault is seen over the part spread, and what the cable takes until then."""

from typing import TYPE_CHECKING, Any

from host.figures.look import FLEXOR, LIMIT, MEASURED, TRUE, pyplot

if TYPE_CHECKING:
    from sim.challenge.fault_study import FaultStudy
    from sim.run.closed_loop import Joint


def faults_figure(joint: "Joint", study: "FaultStudy") -> Any:
    """Two panels: time to the trip (median and worst), greatest cable tension."""
    plt = pyplot()
    figure, axes = plt.subplots(1, 2, figsize=(13.5, 4.8), sharey=True, width_ratios=[1.3, 1.0])
    figure.suptitle(
        f"{joint.file.joint.name}: faults at any instant of a move, {study.parts} parts",
        x=0.01,
        ha="left",
        fontweight="bold",
    )
    rows = study.rows[::-1]
    names = [row.meaning for row in rows]
    middle = [1e3 * (row.seen_median_s or 0.0) for row in rows]
    worst = [1e3 * (row.seen_worst_s or 0.0) for row in rows]
    axes[0].barh(names, worst, color=MEASURED, label="worst part")
    axes[0].barh(names, middle, color=TRUE, height=0.45, label="median")
    for k, row in enumerate(rows):
        if row.unseen_share:
            axes[0].annotate(f"{100 * row.unseen_share:.1f} %: not in {study.watched_s:.1f} s",
                             (worst[k], k), xytext=(4, 0), textcoords="offset points",
                             va="center", fontsize=8, color=LIMIT)  # fmt: skip
    axes[0].set_xscale("symlog", linthresh=10)
    axes[0].set(
        title="From the fault to the trip", xlabel="time, ms", xlim=(0, 8000 * study.watched_s)
    )
    for ax in axes:
        ax.set_axisbelow(True)
    axes[0].legend(fontsize=8, loc="lower right")
    axes[1].barh(names, [row.peak_tension_N for row in rows], color=FLEXOR)
    if study.allowed_pull_N:
        axes[1].axvline(study.allowed_pull_N, color=LIMIT, ls=":", label="allowed pull")
        axes[1].legend(fontsize=8, loc="lower right")
    axes[1].set(title="Greatest cable tension", xlabel="tension, N")
    return figure
