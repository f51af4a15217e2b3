"""``jointloop compare``: a recording held against the simulation of the same setpoints."""

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from host.terminal import Terminal, plain
from sim.errors import InputError

if TYPE_CHECKING:
    from host.comparing import Comparison

DEG = 57.29577951308232


def run(
    folder: Path, joint: Path | None, number: int, parts: int, seed: int, as_json: bool, out: Path
) -> None:
    """Compare one joint of a run with its simulation: figure, table, sentence."""
    terminal = Terminal(as_json)
    terminal.say(f"Comparing {plain(folder)} ...")
    from host.comparing import compare
    from host.figures.look import save
    from host.figures.overlay import overlay_figure
    from host.files import make_folder
    from host.loading import load, slug
    from host.recorder import Run
    from sim.closed_loop import joint_of
    from sim.joint_file import parse_toml
    from sim.tolerance import draw_parts, spread_of

    found = Run(folder)
    count = int(found.about.get("joints", 1))
    if not 0 <= number < count:
        raise InputError("", "--joint", number, f"must be 0 .. {count - 1}")
    if joint is not None:
        mine = load(joint)
    else:
        kept = found.about.get("joint_files", [])
        if number >= len(kept) or not kept[number].get("file"):
            raise InputError(str(folder / "run.json"), "joint_files", None,
                             "holds no joint file; give one with --file")  # fmt: skip
        name = str(kept[number].get("path", "joint.toml"))
        mine = joint_of(parse_toml(kept[number]["file"], name), name)
    if abs(float(found.about["tick_s"]) - mine.settings.tick_s) > 1e-9:
        raise InputError(mine.path, "control.rate", None, f"the run was recorded at "
                         f"{1.0 / float(found.about['tick_s']):g} Hz")  # fmt: skip
    drawn, _ = draw_parts(mine.part, spread_of(mine.file, mine.path), parts, seed)
    result = compare(mine, found, number, parts=drawn, seed=seed)
    title = f"{mine.file.joint.name}: recorded and simulated"
    figure = save(overlay_figure(title, result.time_s, result.rows),
                  make_folder(out) / f"{slug(mine.file.joint.name)}-compare.png")  # fmt: skip
    terminal.say(f"Figure: {plain(figure)}")
    if found.torn:
        terminal.say("The recording's last line was torn and is left out.")
    rows = rows_of(result)
    terminal.table("Recorded beside simulated", ("", "recorded", "simulated"), rows)
    assert result.inside is not None
    terminal.say(f"The simulation of the nominal part explains {100 * result.fit:.1f} % of the recorded "
                 f"course; it lay inside the band of {parts} parts of the spread "
                 f"{100 * result.inside:.0f} % of the time.")  # fmt: skip
    terminal.result({"run": str(folder), "joint": mine.file.joint.name, "figure": str(figure),
                     "fit": result.fit, "inside_share": result.inside,
                     **numbers(result)})  # fmt: skip


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
