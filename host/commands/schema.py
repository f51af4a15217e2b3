"""``jointloop schema``: what a file may hold, as a JSON schema for editors."""

import json
from pathlib import Path
from typing import Annotated, Any

import typer

from host.files import write_whole
from sim.errors import InputError

EXAMPLE = "schema hand hand.schema.json"
KINDS = ("joint", "hand", "scenario", "board")


def schema_of(kind: str) -> dict[str, Any]:
    """The schema of a kind of file. Raises InputError."""
    from host.link.wiring import BoardFile
    from sim.hand.tables import HandFile
    from sim.joint.file import JointFile
    from sim.run.scenario_file import ScenarioFile
    from sim.schema import Table, json_schema, nearest

    models: dict[str, type[Table]] = {
        "joint": JointFile, "hand": HandFile, "scenario": ScenarioFile, "board": BoardFile,
    }  # fmt: skip
    if kind not in models:
        raise InputError("", "KIND", kind, "unknown; " + nearest(kind, list(KINDS)))
    return json_schema(models[kind], f"jointloop {kind} file")


def run(
    kind: Annotated[str, typer.Argument(metavar="KIND", help="joint, hand, scenario or board.")],
    path: Annotated[
        Path | None, typer.Argument(metavar="FILE", help="File to write; left out, shown.")
    ] = None,
) -> None:
    """Write the JSON schema of a kind of file, by which an editor completes and checks it."""
    text = json.dumps(schema_of(kind), indent=2) + "\n"
    if path is None:
        print(text, end="")
        return
    write_whole(path, text)
    print(f"Wrote {path}. In the first line of a TOML file: #:schema ./{path.name}")
