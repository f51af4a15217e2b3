"""What the page asks of a run: comparison, gains into the joint file, a report."""

import base64
from pathlib import Path
from typing import Any

import numpy as np

from controller.settings import Settings
from host.comparing import Comparison, compare
from host.recorder import Run
from sim.closed_loop import Joint
from sim.errors import InputError

LONGEST_S = 20.0


def _recent(run: Run) -> Run:
    """The run's last seconds: what is on the page, and quick to simulate."""
    time_s = run["time_s"]
    run.table = run.table[time_s >= time_s[-1] - LONGEST_S] if len(time_s) else run.table
    return run


def _with(joint: Joint, settings: Settings) -> Joint:
    return Joint(joint.path, joint.tables, joint.file, joint.part, settings)


def _compared(joint: Joint, run: Run, number: int, settings: Settings) -> Comparison:
    from sim.tolerance import draw_parts, spread_of

    parts, _ = draw_parts(joint.part, spread_of(joint.file, joint.path), 24, 1)
    return compare(_with(joint, settings), run, number, parts=parts)


def compared(joint: Joint, folder: Path, number: int, settings: Settings) -> dict[str, Any]:
    """Compare the last powered stretch with its simulation: numbers and a figure. Raises InputError."""
    from host.commands.compare import explained, numbers
    from host.figures.look import as_svg
    from host.figures.overlay import overlay_figure

    found = _compared(joint, _recent(Run(folder)), number, settings)
    svg = as_svg(overlay_figure("Recorded and simulated", found.time_s, found.rows, narrow=True))
    return {"fit": found.fit, "inside": found.inside, "explained": explained(found),
            "figure": base64.b64encode(svg.encode()).decode(), **numbers(found)}  # fmt: skip


def save_gains(joint: Joint, settings: Settings, folder: Path) -> dict[str, Any]:
    """Put the gains in force into the joint file. Raises InputError."""
    from host import __version__
    from host.files import put_table
    from sim.gains import gain_table, joint_digest
    from sim.joint_file import parse_toml, read_text

    path = Path(joint.path)
    seen = read_text(path)
    now = parse_toml(seen, joint.path)
    if joint_digest(now) != joint.digest:
        raise InputError(joint.path, "gains", None,
                         "the file was changed since the page was opened; nothing was written")  # fmt: skip
    put_table(path, "gains", {
        "digest": joint.digest, **gain_table(settings.gains, settings.profile),
        "provenance": {"made_by": f"jointloop bench {__version__}", "recording": folder.name,
                       "joint": joint.file.joint.name},
    }, seen)  # fmt: skip
    return {"file": joint.path, "folder": str(folder)}


def report(joints: list[Joint], folder: Path, settings: list[Settings]) -> Path:
    """Write the report of a run into its folder; return its path."""
    from host.figures.look import as_svg
    from host.figures.overlay import overlay_figure
    from host.figures.recording import recording_figure
    from host.report import Section, write_report
    from sim.findings import Finding

    run = Run(folder)
    sections = [Section("The recording", f"{len(run.table)} rows, from {run.about['begun']}.",
                        [(as_svg(recording_figure(joints, run)), "Angle, drive, estimated force.")])]  # fmt: skip
    events = [one for one in run.events if one.get("event") in
              ("fault", "stop", "stopped", "settings", "mark", "injected", "link_lost")]  # fmt: skip
    if events:
        begun = events[0]["t"]
        rows = [(f"{one['t'] - begun:.1f} s", one["event"], _told(one)) for one in events[:200]]
        sections.append(Section("What happened", "", [], ["time", "event", "remark"], rows))
    for k, joint in enumerate(joints):
        try:
            found = _compared(joint, _recent(Run(folder)), k, settings[k])
        except InputError as error:
            sections.append(Section(joint.file.joint.name, "", [], [], [],
                                    [Finding("note", str(error))]))  # fmt: skip
            continue
        lead = (f"The simulation explains {100 * found.fit:.1f} % of the last powered stretch"
                + (f" and its band of the part spread held {100 * found.inside:.0f} % of it."
                   if found.inside is not None else "."))  # fmt: skip
        figure = overlay_figure(joint.file.joint.name, found.time_s, found.rows)
        gains = [(name, f"{value:.5g}") for name, value in _gains(settings[k]).items()]
        sections.append(Section(joint.file.joint.name, lead,
                                [(as_svg(figure), "Recorded and simulated.")],
                                ["gain in force", "value"], gains))  # fmt: skip
    return write_report(folder / "report.html", "A run on the bench",
                        "Virtual board: simulated joints." if run.about.get("virtual") else
                        "Recorded on the bench.", sections)  # fmt: skip


def _gains(settings: Settings) -> dict[str, float]:
    from controller.records import fields
    from controller.settings import Gains

    return {name: float(np.float64(getattr(settings.gains, name))) for name, _ in fields(Gains)}


def _told(event: dict[str, Any]) -> str:
    return ", ".join(f"{key} {value}" for key, value in event.items() if key not in ("t", "event"))
