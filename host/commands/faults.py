"""``jointloop size --faults``: how each fault is seen over the part spread."""

from pathlib import Path
from typing import TYPE_CHECKING, Any

from host.terminal import Terminal, plain

if TYPE_CHECKING:
    from sim.closed_loop import Joint
    from sim.fault_study import FaultStudy


def run(terminal: Terminal, joint: "Joint", count: int, seed: int, stem: Path,
        known: "FaultStudy | None" = None) -> dict[str, Any]:  # fmt: skip
    """Study the faults (unless ``known``), show table, figure and findings; the result for programs.

    stem: path of the figure, to which "-faults.png" is added.
    """
    from host.figures.faults import faults_figure
    from host.figures.look import save

    study = known or watched(terminal, joint, count, seed)
    figure = save(faults_figure(joint, study), stem.with_name(f"{stem.name}-faults.png"))
    terminal.say(f"Figure: {plain(figure)}")
    terminal.table(
        f"Faults in the middle of a move, {study.parts} parts, both ways",
        ("", "seen", "at worst", "cable, N", "beyond, deg"),
        rows_of(study),
    )
    marks = {"warn": "[bold red]mind[/bold red]", "good": "[green]good[/green]"}
    terminal.remarks([(marks[weight], text) for weight, text in sentences(study)])
    return {"faults": study.as_dict(), "faults_figure": str(figure)}


def watched(terminal: Terminal, joint: "Joint", count: int, seed: int) -> "FaultStudy":
    """Study the faults here, with progress."""
    from sim.fault_study import study_faults

    with terminal.progress() as progress:
        tasks: dict[str, int] = {}

        def tell(stage: str, done: int, total: int) -> None:
            if stage not in tasks:
                tasks[stage] = progress.add_task(stage, total=total, note="")
            progress.update(tasks[stage], completed=done, note="")

        return study_faults(joint, count, seed, 1.0, tell)


def rows_of(study: "FaultStudy") -> list[tuple[str, ...]]:
    """The table's rows."""

    def ms(value: float | None) -> str:
        return "-" if value is None else f"{value * 1e3:.0f} ms"

    return [
        (
            row.meaning,
            ms(row.seen_median_s),
            ms(row.seen_worst_s)
            + (f", {100 * row.unseen_share:.0f} % not" if row.unseen_share else ""),
            f"{row.peak_tension_N:.0f}",
            f"{max(row.over_travel_rad, 0.0) * 57.29577951308232:.1f}",
        )
        for row in study.rows
    ]


def sentences(study: "FaultStudy") -> list[tuple[str, str]]:
    """What the study says, in words: (weight, sentence)."""
    found = []
    for row in study.rows:
        if study.breaking_N and row.peak_tension_N > study.breaking_N:
            found.append(("warn", f"{row.meaning}: the cable BREAKS before it is seen "
                          f"({row.peak_tension_N:.0f} N, it holds {study.breaking_N:.0f} N). Use a stronger "
                          "cable, a smaller drum, or a lower tip force limit."))  # fmt: skip
        elif study.allowed_pull_N and row.peak_tension_N > 1.1 * study.allowed_pull_N:
            found.append(("warn", f"{row.meaning}: the cable is pulled with {row.peak_tension_N:.0f} N, "
                          f"above the {study.allowed_pull_N:.0f} N allowed."))  # fmt: skip
    if study.false_alarms:
        told = ", ".join(f"{name} {count}" for name, count in study.false_alarms.items())
        total = sum(study.false_alarms.values())
        found.append(
            ("warn", f"{total / study.hours:.1f} false alarms an hour of normal use: {told}.")
        )
    else:
        found.append(
            ("good", f"No false alarm in {study.hours:.1f} simulated hours of normal use.")
        )
    if not any(weight == "warn" for weight, _ in found):
        found.append(
            ("good", "Every fault is answered before the cable's allowed pull is reached.")
        )
    return found
