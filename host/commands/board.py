"""``jointloop board``: a virtual board, on a pty or over TCP."""

from typing import TYPE_CHECKING, Annotated

import typer

from host.commands.shared.arguments import BoardJoints, Part, Seed
from sim.errors import InputError

if TYPE_CHECKING:
    from sim.joint.part import Part as Specimen
    from sim.run.closed_loop import Joint


EXAMPLE = "board finger.toml"


def run(
    paths: BoardJoints,
    runtime: Annotated[
        str,
        typer.Option(
            "--runtime",
            help='"cpython"; "micropython": the interpreter of a board; "c": the tick as C.',
        ),
    ] = "cpython",
    tcp: Annotated[
        int | None,
        typer.Option(help="Serve on this TCP port of 127.0.0.1 (0: any) instead of a pty."),
    ] = None,
    part: Part = "nominal",
    seed: Seed = 1,
    quiet: Annotated[bool, typer.Option("--quiet", hidden=True)] = False,
) -> None:
    """Serve a virtual board: the board's own code on simulated joints."""
    from host.commands.shared.loading import load
    from host.virtual.starting import check_runtime

    check_runtime(runtime)
    joints = [load(path) for path in paths]
    rates = {joint.settings.tick_s for joint in joints}
    if len(rates) > 1:
        raise InputError(joints[1].path, "control.rate", None,
                         "joints of one board must have the same rate")  # fmt: skip
    hidden = hidden_parts(joints, part, seed)
    from host.virtual.board import job_of
    from host.virtual.serving import end_with_input, serve

    if quiet:
        end_with_input()
    serve(job_of(joints, hidden, seed), runtime, tcp, quiet)


def hidden_parts(joints: "list[Joint]", which: str, seed: int) -> "list[Specimen]":
    """The parts that are really there: nominal, or drawn from the spread."""
    from sim.joint import spread

    if which == "nominal":
        return [joint.part for joint in joints]
    if which != "random":
        raise InputError("", "--part", which, "must be nominal or random")
    parts = []
    for k, joint in enumerate(joints):
        entries = spread.spread_of(joint.file)
        for rule in ("inside", "any"):  # where the resonance rule holds for none: what there is
            drawn, _ = spread.draw_parts(joint.part, entries, 1, seed + k, rule)
            if drawn:
                break
        parts.append(drawn[0])
    return parts
