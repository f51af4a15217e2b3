"""``jointloop record``: telemetry of the bench into a run folder, nothing moved."""

from typing import Annotated

import typer

from host.commands.shared.arguments import (
    RUNS,
    BoardJoints,
    Folder,
    Json,
    Out,
    Ports,
    Runtime,
    Seed,
    Yes,
)
from host.commands.shared.terminal import Terminal, plain

EXAMPLE = 'record finger.toml --duration "10 s"'


def run(
    paths: BoardJoints,
    port: Ports = None,
    duration: Annotated[
        str | None, typer.Option("--duration", help="How long (5 s; with --excite 20 s).")
    ] = None,
    excite: Annotated[
        bool,
        typer.Option("--excite", help="Drive it through an excitation, gently, for `identify`."),
    ] = False,
    runtime: Runtime = "cpython",
    yes: Yes = False,
    folder: Folder = None,
    seed: Seed = 1,
    as_json: Json = False,
    out: Out = RUNS,
) -> int:
    """Record the bench without driving it; with --excite, driven so that its constants show."""
    from host.commands.shared.loading import length, load, slug

    ports = port or []
    if excite:
        from host.commands.excite import record_excitation

        return record_excitation(paths, ports, length(duration or "20 s", 8.0, 600.0), runtime, yes, folder,
                                 seed, Terminal(as_json), out)  # fmt: skip
    seconds = length(duration or "5 s", 0.1, 86400.0)
    terminal = Terminal(as_json)
    terminal.say("Recording from " + (", ".join(ports) if ports else "a virtual board") + " ...")
    from host.commands.stream import FIELDS, telemetry_every
    from host.errors import StoppedError
    from host.figures.look import save
    from host.figures.recording import recording_figure
    from host.link.session import Session, new_folder
    from host.link.setpoint_stream import waiting
    from host.recordings.recorder import Run
    from host.recordings.session_recording import about, begin_recording

    joints = [load(path) for path in paths]
    with Session(joints, ports, runtime, seed) as session:
        if session.virtual:
            terminal.say("[bold]Virtual board:[/bold] simulated joints, nothing real moves.")
        session.send_settings()
        target = folder or new_folder(out, slug(joints[0].file.joint.name) + "-record")
        recorder = begin_recording(session, target, [*FIELDS, "counts"], telemetry_every(session),
                                   about(session, seed))  # fmt: skip
        stopped, code = None, 0
        try:
            with terminal.progress() as progress:
                task = progress.add_task("recording", total=1000, note="")
                begun = session.time_s()
                for _ in waiting(session, seconds):
                    t = min(session.time_s() - begun, seconds)
                    progress.update(task, completed=round(1000 * t / seconds), note=f"{t:.1f} s")
                recorder.close()  # all is on the disk before it is said to be done
                progress.update(task, completed=1000, note="")
        except StoppedError as error:
            stopped, code = str(error), 1
        except KeyboardInterrupt:
            stopped, code = "interrupted", 130
        finally:
            recorder.close()
    found = Run(target)
    figure = save(recording_figure(joints, found), target / "run.png")
    terminal.say(
        f"Recording: {plain(target)} ({recorder.rows_written} rows)\nFigure: {plain(figure)}"
    )
    if stopped is not None:
        terminal.say(f"Ended early: {plain(stopped)}")
    terminal.result({"folder": str(target), "rows": recorder.rows_written, "gaps": recorder.gaps,
                     "stopped": stopped})  # fmt: skip
    return code
