"""``jointloop simulate --drive LOG``: a recorded voltage played into the simulated joint."""

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from host.commands.shared.terminal import Terminal, plain
from sim.units import DEG

if TYPE_CHECKING:
    from sim.run.closed_loop import Joint

PARTS = 40


def play_log(
    terminal: Terminal, joint: "Joint", path: Path, columns: str, seed: int, out: Path
) -> int:
    """Draw what the joint does under a log's drive over what was measured, with the band of the spread."""
    from host.commands.shared.loading import slug
    from host.figures.look import save
    from host.figures.overlay import overlay_figure
    from host.files import make_folder
    from sim.identify.axis.log import read_log, understood
    from sim.identify.play import play
    from sim.joint.spread import draw_parts, spread_of

    log = read_log(path, columns)
    terminal.table(f"{log.name}: what was understood", ("", "value"), understood(log))
    parts, warmth = draw_parts(joint.part, spread_of(joint.file), PARTS, seed)
    courses = play(joint, log, [joint.part, *parts], [25.0, *warmth])
    own, band = courses[0], np.percentile(courses[1:], (2.5, 97.5), axis=0)
    measured = log.motion
    rows = {"measured": measured, "simulated": own, "setpoint": np.full(len(own), np.nan), "low": band[0],
            "high": band[1], "drive": log.drive, "simulated_drive": log.drive}  # fmt: skip
    title = f"{joint.file.joint.name}: the drive of {path.name}, measured and simulated"
    figure = save(overlay_figure(title, log.time_s, rows),
                  make_folder(out) / f"{slug(joint.file.joint.name)}-{slug(path.stem)}.png")  # fmt: skip
    apart = float(np.sqrt(np.mean((measured - own) ** 2)))
    inside = float(np.mean((measured >= band[0]) & (measured <= band[1])))
    terminal.say(f"Figure: {plain(figure)}")
    terminal.say(f"Measured and simulated angle lie {apart / DEG:.2f} deg apart (rms); {100 * inside:.0f} % of the rows "
                 f"lie within the band of {PARTS} drawn parts.")  # fmt: skip
    for remark in log.remarks:
        terminal.warning(plain(remark[0].upper() + remark[1:]) + ".")
    terminal.result({"joint": joint.file.joint.name, "log": log.name, "figure": str(figure), "apart_rad": apart,
                     "inside_share": inside, "rows": len(own)})  # fmt: skip
    return 0
