"""``jointloop compare``: a recording held against the simulation of the same setpoints."""

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from host.terminal import Terminal, plain

if TYPE_CHECKING:
    from host.comparing import Comparison

DEG = 57.29577951308232


def run(
    folder: Path, joint: Path | None, number: int, parts: int, seed: int, as_json: bool, out: Path
) -> None:
    """Compare one joint of a run with its simulation: figure, table, sentence."""
    terminal = Terminal(as_json)
    terminal.say(f"Comparing {plain(folder)} ...")
    from host.comparing import compare, joint_of_run
    from host.figures.look import save
    from host.figures.overlay import overlay_figure
    from host.files import make_folder
    from host.loading import slug
    from host.recorder import Run
    from sim.tolerance import draw_parts, spread_of

    found = Run(folder)
    mine = joint_of_run(found, number, joint)
    identified = mine.file.identified is not None
    drawn, _ = draw_parts(mine.part, spread_of(mine.file, mine.path), parts, seed)
    result = compare(mine, found, number, parts=drawn, seed=seed)
    base = compare(joint_of_run(found, number, joint, False), found, number) if identified else None
    if base is not None:
        result.rows["datasheet"] = base.rows["simulated"]
    title = f"{mine.file.joint.name}: recorded and simulated"
    figure = save(overlay_figure(title, result.time_s, result.rows),
                  make_folder(out) / f"{slug(mine.file.joint.name)}-compare.png")  # fmt: skip
    terminal.say(f"Figure: {plain(figure)}")
    if found.torn:
        terminal.say("The recording's last line was torn and is left out.")
    rows = rows_of(result)
    terminal.table("Recorded beside simulated", ("", "recorded", "simulated"), rows)
    assert result.inside is not None
    which = "identified" if identified else "nominal"
    terminal.say(f"The simulation of the {which} part explains {100 * result.fit:.1f} % of the recorded "
                 f"course; it lay inside the band of {parts} parts of the spread "
                 f"{100 * result.inside:.0f} % of the time.")  # fmt: skip
    if base is not None:
        terminal.say(f"By datasheet alone it would have explained {100 * base.fit:.1f} %.")
    terminal.say(explained(result))
    terminal.result({"run": str(folder), "joint": mine.file.joint.name, "figure": str(figure),
                     "fit": result.fit, "inside_share": result.inside, "identified": identified,
                     "datasheet_fit": None if base is None else base.fit,
                     "reasons": [vars(one) for one in result.reasons[:5]],
                     **numbers(result)})  # fmt: skip


def explained(found: "Comparison") -> str:
    """Which numbers of the part would explain the gap, in a sentence."""
    telling = [one for one in found.reasons if one.share > 0.1][:3]
    if not telling:
        return "No single number of the part would explain the gap: noise, friction, or something not modelled."
    told = ", ".join(f"{one.name.replace('_', ' ')} ({one.deviations:+.1f} deviations: "
                     f"{100 * one.share:.0f} %)" for one in telling)  # fmt: skip
    return f"What would explain the gap, each by itself: {told}."


def numbers(found: "Comparison") -> dict[str, float]:
    """Metrics side by side, SI."""
    rows = found.rows

    def rms(values: np.ndarray) -> float:
        return float(np.sqrt(np.mean(values**2)))

    return {
        "recorded_tracking_rad": rms(rows["want"] - rows["measured"]),
        "simulated_tracking_rad": rms(rows["want"] - rows["simulated"]),
        "recorded_drive_V": rms(rows["drive"]),
        "simulated_drive_V": rms(rows["simulated_drive"]),
        "apart_rad": rms(rows["measured"] - rows["simulated"]),
        "furthest_apart_rad": float(np.abs(rows["measured"] - rows["simulated"]).max()),
    }


def rows_of(found: "Comparison") -> list[tuple[Any, ...]]:
    """The table's rows."""
    n = numbers(found)
    return [
        ("wanted less angle, rms", f"{n['recorded_tracking_rad'] * DEG:.2f} deg",
         f"{n['simulated_tracking_rad'] * DEG:.2f} deg"),
        ("drive, rms", f"{n['recorded_drive_V']:.2f} V", f"{n['simulated_drive_V']:.2f} V"),
        ("apart from each other, rms", f"{n['apart_rad'] * DEG:.2f} deg", ""),
        ("furthest apart", f"{n['furthest_apart_rad'] * DEG:.2f} deg", ""),
    ]  # fmt: skip
