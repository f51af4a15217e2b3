"""The trade-off between a joint's goals: all variants that were tried, the goals, and what is proposed."""

from typing import TYPE_CHECKING, Any

from host.figures.look import GOOD, LIMIT, MEASURED, SETPOINT, TRUE, pyplot

if TYPE_CHECKING:
    from sim.run.closed_loop import Joint
    from sim.size.goals import Judged
    from sim.size.reach import Found

SHOWN = {"tip_force": ("fingertip force that 95 % of the parts reach, N", 1.0),
         "within": ("step settled, 95 % of the parts, ms", 1e3), "hold": ("held from cold, s", 1.0),
         "supply_current": ("supply current, 95 % of the parts, A", 1.0), "cost": ("cost", 1.0),
         "mass": ("mass, g", 1e3)}  # fmt: skip
"""Words and factor of each goal's axis."""


def reach_figure(joint: "Joint", found: "Found") -> Any:
    """Two goals against each other (one against the number of the try, where there is one alone)."""
    plt = pyplot()
    names = [one.name for one in found.present][:1] + [one.name for one in found.present][-1:]
    across, up = names
    figure, axis = plt.subplots(figsize=(10.0, 6.6))
    wanted = {one.name: one.wanted for one in found.present}

    alone = across == up

    def place(goals: "list[Judged]", number: int = 0) -> tuple[float, float] | None:
        values = {one.name: one.reached for one in goals}
        if across not in values or up not in values:
            return None
        height = float(number) if alone else values[up] * SHOWN[up][1]
        return values[across] * SHOWN[across][1], height

    tried = [
        one
        for one in (place(goals, number) for number, (_, goals) in enumerate(found.tried, 1))
        if one is not None
    ]
    if tried:
        axis.scatter(
            *zip(*tried, strict=True), s=16, color=MEASURED, lw=0, label="tried, on few parts"
        )
    now = place(found.present)
    if now is not None:
        axis.plot(*now, "s", ms=9, color=SETPOINT, label="now")
    placed = [
        (place(one.goals, len(found.tried) + k), k) for k, one in enumerate(found.proposals, 1)
    ]
    shown = sorted([(at, k) for at, k in placed if at is not None], key=lambda one: one[0][1])
    for rank, (at, k) in enumerate(shown):  # numbers in a column beside, so that none hides another
        axis.plot(*at, "o", ms=11, mfc="none", mew=2.0, color=GOOD,
                  label="proposed, on 200 parts" if rank == 0 else "_nolegend_")  # fmt: skip
        axis.annotate(str(k), at, xytext=(-60, 18 * (rank - 0.5 * (len(shown) - 1))), textcoords="offset points",
                      color=GOOD, fontweight="bold", arrowprops={"arrowstyle": "-", "color": GOOD, "lw": 0.8})  # fmt: skip
    if (
        found.nearest is not None
        and (near := place(found.nearest.goals, len(found.tried) + 1)) is not None
    ):
        axis.plot(*near, "x", ms=11, mew=2.0, color=LIMIT, label="nearest")
    axis.axvline(wanted[across] * SHOWN[across][1], color=TRUE, ls="--", lw=1.2, label="goals")
    if up != across:
        axis.axhline(wanted[up] * SHOWN[up][1], color=TRUE, ls="--", lw=1.2)
    axis.set(
        xlabel=SHOWN[across][0],
        ylabel="number of the try; above all: verified" if alone else SHOWN[up][0],
        title=f"{joint.file.joint.name}: goals, and what reaches them",
    )
    if up == "within" and not alone:  # what hardly settles is far off, and of no interest
        axis.set_ylim(0.0, 2.2 * wanted[up] * 1e3)
    axis.legend(fontsize=9)
    return figure
