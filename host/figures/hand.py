"""A hand's budgets: supply through a sequence, angles, ticks and heat against what there is."""

from typing import TYPE_CHECKING, Any

import numpy as np

from host.figures.look import EXTENSOR, GOOD, LIMIT, TRUE, pyplot
from sim.units import DEG

if TYPE_CHECKING:
    from sim.hand.budget import HandBudget
    from sim.hand.coupled import HandRun
    from sim.hand.file import Hand


def budget_figure(hand: "Hand", found: "HandBudget") -> Any:
    """Four panels: supply of the hardest sequence, its angles, shares of boards, heat."""
    plt = pyplot()
    figure, axes = plt.subplots(2, 2, figsize=(13.0, 8.2), width_ratios=[1.6, 1.0])
    figure.suptitle(
        f"{hand.name}: what it needs, and what there is", x=0.01, ha="left", fontweight="bold"
    )
    if found.sequences:
        hardest = int(np.argmax([one.peak_A for one in found.sequences]))
        _supply(axes[0, 0], hand, found.runs[hardest], found.sequences[hardest].name)
        _angles(axes[1, 0], hand, found.runs[hardest])
        _heat(axes[1, 1], hand, found.sequences[hardest].hottest_C)
    _shares(axes[0, 1], found)
    return figure


def _supply(axis: Any, hand: "Hand", run: "HandRun", name: str) -> None:
    t = run.tick_s * np.arange(len(run.supply_A))
    axis.plot(t, run.bus_V, color=TRUE, lw=1.0, label="bus, V")
    axis.axhline(hand.lowest_V, color=LIMIT, ls="--", lw=1.2, label="boards need")
    axis.set(
        ylabel="bus voltage, V", title=f'Supply through "{name}"', ylim=(0.0, 1.12 * hand.supply_V)
    )
    other = axis.twinx()
    other.plot(t, run.supply_A, color=EXTENSOR, lw=0.9)
    other.set_ylabel("current of all motors, A (violet)")
    other.set_ylim(0.0, 2.2 * max(float(run.supply_A.max()), 0.1))
    other.grid(False)
    other.spines["right"].set_visible(True)
    axis.legend(fontsize=8, loc="lower right", ncols=2)


def _angles(axis: Any, hand: "Hand", run: "HandRun") -> None:
    t = run.tick_s * np.arange(run.traces.shape[1])
    styles = ("-", "--", "-.", ":")
    for k, member in enumerate(hand.members):
        axis.plot(
            t, run.column("joint_rad")[k] / DEG, lw=1.1, ls=styles[k // 10 % 4], label=member.name
        )
    low, high = axis.get_ylim()
    rows = (len(hand.members) + 3) // 4
    axis.set(ylabel="joint angle, deg", xlabel="time, s", title="All joints in step",
             ylim=(low, high + 0.07 * rows * (high - low)))  # fmt: skip
    axis.legend(fontsize=7, ncols=4, loc="upper right")


def _bars(axis: Any, names: list[str], values: list[float], limit: float, unit: str) -> None:
    places = np.arange(len(names))
    colors = [GOOD if value <= limit else LIMIT for value in values]
    axis.barh(places, values, color=colors, height=0.62)
    for place, value in zip(places, values, strict=True):
        axis.text(value, place, f" {value:.0f}{unit}", va="center", fontsize=8)
    axis.axvline(limit, color=LIMIT, ls="--", lw=1.2)
    axis.set_yticks(places, names, fontsize=8)
    axis.invert_yaxis()
    axis.grid(axis="y", visible=False)


def _shares(axis: Any, found: "HandBudget") -> None:
    names, values = [], []
    for one in found.boards:
        names += [f"{one.name}: tick", f"{one.name}: link"]
        values += [100.0 * one.tick_share, 100.0 * one.link_share]
    _bars(axis, names, values, 70.0, " %")
    axis.set(
        title="Boards, share taken (line: what may be)", xlim=(0.0, 1.25 * max([*values, 80.0]))
    )


def _heat(axis: Any, hand: "Hand", hottest: list[float]) -> None:
    limit = min(member.joint.settings.heat.warm_C for member in hand.members)
    _bars(axis, [member.name for member in hand.members], hottest, limit, " degC")
    axis.set(title="Windings, repeated (line: slowed down)", xlabel="degC",
             xlim=(0.0, 1.2 * max([*hottest, limit])))  # fmt: skip
