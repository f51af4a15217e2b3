"""What the page asks of a run: comparison, gains into the joint file, a report."""

import base64
from pathlib import Path
from typing import Any

import numpy as np

from controller.joint.settings.settings import Settings
from host.recordings.comparison import Comparison, compare, last_moving
from host.recordings.recorder import Run
from sim.errors import InputError
from sim.run.closed_loop import Joint
from sim.units import DEG

LONGEST_S = 20.0
"""Of the last motion that is compared: what is on the page, and quick to simulate."""
PARTS = 24


def _with(joint: Joint, settings: Settings) -> Joint:
    return Joint(joint.path, joint.tables, joint.file, joint.part, settings)


def _compared(joint: Joint, run: Run, number: int, settings: Settings) -> Comparison:
    from sim.joint.spread import draw_parts, spread_of

    parts, warmth = draw_parts(joint.part, spread_of(joint.file), PARTS, 1)
    return compare(_with(joint, settings), run, number, parts=parts, warmth_C=warmth,
                   stretch=last_moving(run, number, LONGEST_S))  # fmt: skip


def compared(joint: Joint, folder: Path, number: int, settings: Settings) -> dict[str, Any]:
    """Compare the last powered stretch with motion with its simulation: numbers and a figure. Raises InputError."""
    from host.commands.compare import finite, numbers, sentences
    from host.figures.look import as_svg
    from host.figures.overlay import overlay_figure

    found = _compared(joint, Run(folder), number, settings)
    svg = as_svg(overlay_figure("Recorded and simulated", found.time_s, found.rows, narrow=True))
    return {"fit": finite(found.fit), "inside": found.inside, "moved": found.moved,
            "said": " ".join(sentences(found, "nominal", PARTS)),
            "figure": base64.b64encode(svg.encode()).decode(), **numbers(found)}  # fmt: skip


def save_gains(joint: Joint, settings: Settings, folder: Path) -> dict[str, Any]:
    """Put the gains in force into the joint file. Raises InputError."""
    from host import __version__
    from host.files import put_table
    from sim.joint.gains import gain_table, joint_digest
    from sim.reading import parse_toml, read_text

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
    from host.commands.compare import sentences
    from host.figures.look import as_svg
    from host.figures.overlay import overlay_figure
    from host.figures.recording import recording_figure
    from host.report import Section, write_report
    from sim.size.findings import Finding

    run = Run(folder)
    sections = [Section("The recording", f"{len(run.table)} rows, from {run.about['begun']}.",
                        [(as_svg(recording_figure(joints, run)), "Angle, drive, estimated force.")])]  # fmt: skip
    events = [one for one in run.events if one.get("event") in
              ("fault", "stop", "stopped", "settings", "mark", "injected", "link_lost")]  # fmt: skip
    if events:
        begun = events[0]["t"]
        names = [joint.file.joint.name for joint in joints]
        rows = [
            (f"{one['t'] - begun:.1f} s", one["event"].replace("_", " "), told_event(one, names))
            for one in events[:200]
        ]
        sections.append(Section("What happened", "", [], ["time", "event", "remark"], rows))
    for k, joint in enumerate(joints):
        try:
            found = _compared(joint, Run(folder), k, settings[k])
        except InputError as error:
            sections.append(Section(joint.file.joint.name, "", [], [], [],
                                    [Finding("note", str(error))]))  # fmt: skip
            continue
        lead = " ".join(sentences(found, "nominal", PARTS))
        figure = overlay_figure(joint.file.joint.name, found.time_s, found.rows)
        gains = [(name, f"{value:.5g}") for name, value in _gains(settings[k]).items()]
        sections.append(Section(joint.file.joint.name, lead,
                                [(as_svg(figure), "Recorded and simulated.")],
                                ["gain in force", "value"], gains))  # fmt: skip
    return write_report(folder / "report.html", "A run on the bench",
                        "Virtual board: simulated joints." if run.about.get("virtual") else
                        "Recorded on the bench.", sections, not run.about.get("virtual"))  # fmt: skip


def _gains(settings: Settings) -> dict[str, float]:
    from controller.joint.settings.settings import Gains
    from controller.records import fields

    return {name: float(np.float64(getattr(settings.gains, name))) for name, _ in fields(Gains)}


def told_event(event: dict[str, Any], names: list[str]) -> str:
    """An event in words: joints by name, faults by name, angles in degrees, gains one by one."""
    from sim.run.metrics import fault_names

    words = []
    for key, value in event.items():
        if key in ("t", "event", "tick"):
            continue
        if key in ("joint", "joints") and isinstance(value, int) and value < len(names):
            words.append(names[value])
        elif key == "fault" and isinstance(value, int):
            words.append(fault_names()[value])
        elif isinstance(value, dict):
            words += [
                f"{name} {one:.4g}" for name, one in value.items() if isinstance(one, int | float)
            ]
        elif key.endswith("_rad") and isinstance(value, int | float):
            words.append(f"{key.removesuffix('_rad')} {value / DEG:.1f} deg")
        elif key.endswith("_s") and isinstance(value, int | float):
            words.append(f"{key.removesuffix('_s')} after {1e3 * value:.0f} ms")
        elif isinstance(value, list):
            words.append(f"{key.replace('_', ' ')}: " + (", ".join(map(str, value)) or "none"))
        elif value is not None:
            words.append(f"{key.replace('_', ' ')} {value}")
    return ", ".join(words)
