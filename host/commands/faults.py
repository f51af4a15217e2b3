"""``jointloop size --faults``: how each fault is seen over the part spread."""

from pathlib import Path
from typing import TYPE_CHECKING, Any

from host.commands.shared.terminal import Terminal, plain
from sim.units import DEG

if TYPE_CHECKING:
    from sim.challenge.fault_study import FaultRow, FaultStudy
    from sim.run.closed_loop import Joint


def run(terminal: Terminal, joint: "Joint", count: int, seed: int, stem: Path,
        known: "FaultStudy | None" = None) -> dict[str, Any]:  # fmt: skip
    """Study the faults (unless ``known``), show table, figure and findings; the result for programs.

    stem: path of the figure, to which "-faults.png" is added.
    """
    from host.figures.faults import faults_figure
    from host.figures.look import save
    from sim.challenge.fault_study import INSTANTS

    study = known or watched(terminal, joint, count, seed)
    figure = save(faults_figure(joint, study), stem.with_name(f"{stem.name}-faults.png"))
    terminal.say(f"Figure: {plain(figure)}")
    terminal.table(
        f"Faults at {len(INSTANTS)} instants of a move, {study.parts} parts, both ways",
        ("", "seen", "at worst", "cable, N", "when it comes at", "beyond, deg"),
        rows_of(study, joint.file.cable.kind != "direct"),
    )
    marks = {"warning": "[bold red]warning[/bold red]", "good": "[green]good[/green]",
             "note": "[cyan]note[/cyan]"}  # fmt: skip
    terminal.remarks([(marks[weight], text) for weight, text in sentences(study)])
    return {"faults": study.as_dict(), "faults_figure": str(figure)}


def watched(terminal: Terminal, joint: "Joint", count: int, seed: int) -> "FaultStudy":
    """Study the faults here, with progress."""
    from sim.challenge.fault_study import study_faults

    with terminal.progress() as progress:
        tasks: dict[str, int] = {}

        def tell(stage: str, done: int, total: int) -> None:
            if stage not in tasks:
                tasks[stage] = progress.add_task(stage, total=total, note="")
            progress.update(tasks[stage], completed=done, note="")

        return study_faults(joint, count, seed, 1.0, tell)


def rows_of(study: "FaultStudy", cabled: bool = True) -> list[tuple[str, ...]]:
    """The table's rows. cabled: whether there is a cable to pull."""

    def ms(value: float | None) -> str:
        return "-" if value is None else f"{value * 1e3:.0f} ms"

    return [
        (
            row.meaning,
            ms(row.seen_median_s),
            ms(row.seen_worst_s) + (f", {share(row.unseen_share)} not" if row.unseen_share else ""),
            f"{row.peak_tension_N:.0f}" if cabled else "-",
            ms(row.peak_instant_s) if cabled else "-",
            f"{max(row.over_travel_rad, 0.0) / DEG:.1f}",
        )
        for row in study.rows
    ]


def share(part_of_all: float) -> str:
    """A share in per cent that is never rounded to none or all."""
    if part_of_all >= 1.0:
        return "100 %"
    return f"{min(max(100 * part_of_all, 0.1), 99.9):.{1 if part_of_all < 0.01 else 0}f} %"


def sentences(study: "FaultStudy") -> list[tuple[str, str]]:
    """What the study says, in words: (weight, sentence)."""
    found = [told for row in study.rows for told in _pulled(study, row)]
    for row in study.rows:
        if row.unseen_share > 0.0:
            never = row.unseen_share >= 1.0
            found.append(("warning", f"{row.meaning}: {'never' if never else 'not'} seen"
                          + ("" if never else f" in {share(row.unseen_share)} of the runs")
                          + f" in {study.watched_s:.1f} s of moving to and fro. Do not rely on the "
                          "watch for it: the force limit is what protects then."))  # fmt: skip
    if study.false_alarms:
        told = ", ".join(f"{name} {count}" for name, count in study.false_alarms.items())
        total = sum(study.false_alarms.values())
        found.append(
            ("warning", f"{total / study.hours:.1f} false alarms an hour of normal use: {told}.")
        )
    else:
        found.append(
            ("good", f"No false alarm in {study.hours:.1f} simulated hours of normal use.")
        )
    if not any(weight == "warning" for weight, _ in found):
        allowed = " before the cable's allowed pull is reached" if study.allowed_pull_N else ""
        found.append(("good", f"Every fault is answered{allowed}."))
    return found


def _pulled(study: "FaultStudy", row: "FaultRow") -> list[tuple[str, str]]:
    """What a fault does to the cable, where it is more than is allowed."""
    if not study.allowed_pull_N or row.peak_tension_N <= study.allowed_pull_N:
        return []
    above = (f"{row.meaning}: the cable is pulled with {row.peak_tension_N:.0f} N, above the "
             f"{study.allowed_pull_N:.0f} N allowed")  # fmt: skip
    if row.name == "wiper_floating" and study.pull_down:
        kept = next(one for one in study.rows if one.name == "wiper_open")
        return [("note", f"{above}. The pull-down makes it {kept.peak_tension_N:.0f} N: keep it, "
                 "and solder it at the sensor's own pins.")]  # fmt: skip
    if row.name in ("wiper_floating", "wiper_open") and not study.pull_down:
        return [("warning", f"{above}. Fit a pull-down at the wiper (sensor.pull_down): a torn wire "
                 "then reads a rail and is seen within some ticks.")]  # fmt: skip
    if study.breaking_N and row.peak_tension_N > study.breaking_N:
        return [("warning", f"{row.meaning}: the cable BREAKS before it is seen "
                 f"({row.peak_tension_N:.0f} N, it holds {study.breaking_N:.0f} N). Use a stronger "
                 "cable, a smaller drum, or a lower tip force limit.")]  # fmt: skip
    return [
        ("warning", f"{above}. Use a stronger cable, a smaller drum, or a lower tip force limit.")
    ]
