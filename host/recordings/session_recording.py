"""What a session's recording begins with, and how the boards' rows and events get into it."""

from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from host.link.bridge import Bridge, Rows
    from host.link.session import Session
    from host.recordings.recorder import Recorder
    from sim.run.closed_loop import Joint


def about(session: "Session", seed: int) -> dict[str, Any]:
    """What run.json tells of a session."""
    import sys

    import numpy as np

    from controller.wire import table
    from host import __version__

    joints = []
    for joint in session.joints:
        text = written(joint)
        data = table.pack_table(joint.settings)
        joints.append({"path": Path(joint.path).name, "name": joint.file.joint.name, "file": text,
                       "digest": joint.digest, "settings": data.hex(),
                       "settings_digest": table.digest(data)})  # fmt: skip
    boards = [vars(board.identity) for board in session.boards]
    return {
        "made_by": f"jointloop {__version__}", "virtual": session.virtual, "seed": seed,
        "python": sys.version.split()[0], "numpy": np.__version__, "boards": boards,
        "ports": [bridge.url for bridge in session.bridges], "joint_files": joints,
    }  # fmt: skip


def written(joint: "Joint") -> str:
    """A joint's file as it stands, or its tables where a hand file has changed them."""
    import tomlkit

    from sim.reading import parse_toml, read_text

    path = Path(joint.path)
    text = read_text(path) if path.exists() else ""
    if text and parse_toml(text, joint.path) == joint.tables:
        return text
    return tomlkit.dumps(joint.tables)


def ticks_apart(lead: "Bridge", own: "Bridge", tick_s: float, every: int) -> int:
    """Ticks to add to a board's count to have the first board's: in steps of the rows' spacing."""
    if own is lead or lead.tick_zero_us is None or own.tick_zero_us is None:
        return 0
    apart = (own.tick_zero_us - lead.tick_zero_us) / (tick_s * 1e6 * every)
    return every * round(apart)


def begin_recording(session: "Session", folder: Path, fields: list[str], every: int,
                    info: dict[str, Any]) -> "Recorder":  # fmt: skip
    """Ask for telemetry and write it and all events to a run folder."""
    from host.recordings.recorder import Recorder

    tick_s = session.joints[0].settings.tick_s
    recorder = Recorder(folder, info, len(session.joints), fields, tick_s, every)
    session.recorder = recorder
    for bridge in session.bridges:
        listen_to(session, bridge, session.bridges[0], recorder)
    session.telemetry(fields, every)
    recorder.event("settings", {"digests": [board.digest for board in session.boards]})
    return recorder


def listen_to(session: "Session", bridge: "Bridge", lead: "Bridge", recorder: "Recorder") -> None:
    """Write what a board tells into a recording, with its ticks as ``lead`` counts them."""
    first = session.first_joint(bridge)

    def rows(found: "Rows") -> None:
        on = ticks_apart(lead, bridge, recorder.tick_s, recorder.every)
        recorder.rows(found, first, on)

    def event(name: str, data: dict[str, Any]) -> None:
        recorder.event(name, numbered(data, first))

    bridge.on_rows.append(rows)
    bridge.on_event.append(event)


def numbered(data: dict[str, Any], first: int) -> dict[str, Any]:
    """A board's event, its joint counted over all boards; ``first`` is the board's first joint."""
    return {**data, "joint": data["joint"] + first} if "joint" in data else data
