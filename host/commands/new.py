"""``jointloop new``: a commented starter file."""

import json
from pathlib import Path
from typing import Annotated

import typer

from host.commands.schema import schema_of
from host.commands.shared.terminal import quoted
from host.files import write_whole
from host.starters import KINDS, starter
from sim.errors import InputError
from sim.schema import nearest

EXAMPLE = "new finger.toml"
NEXT = {
    "hand": "jointloop hand {}",
    "scenario": "jointloop simulate finger.toml --scenario {}",
    "board": "jointloop deploy PORT --board {} --joint finger.toml",
}
"""What to do next with a file; a joint is sized."""
NAMES = {"hand": "hand.toml", "board": "board.json", "scenario": "scenario.toml"}
"""Files of what is no joint, where none is named."""


def run(
    path: Annotated[
        Path | None,
        typer.Argument(
            metavar="FILE", help="File to write; left out, joint.toml or named by its kind."
        ),
    ] = None,
    kind: Annotated[str, typer.Option("--kind", help=", ".join(KINDS) + ".")] = "finger",
) -> None:
    """Write a commented starter file, and the schema that editors check it with."""
    if kind not in KINDS:
        raise InputError("", "--kind", kind, "unknown; " + nearest(kind, list(KINDS)))
    if path is None:
        path = Path(NAMES.get(kind, "joint.toml"))
    wanted = [path] if kind != "hand" else [path, path.with_name("joint.toml")]
    if len(set(wanted)) < len(wanted):
        raise InputError(
            str(path), "", None, "is the name of the hand's joint file; name the hand otherwise"
        )
    for one in wanted:
        if one.exists():
            raise InputError(str(one), "", None, "exists already; name another file")
    if not path.parent.is_dir():
        raise InputError(str(path.parent), "", None, "no such folder")
    if kind == "board":
        write_whole(path, starter(kind))
        print(f"Wrote {path}. Put in your own pins.")
    else:
        write_with_schema(path, kind)
        if kind == "hand":
            write_with_schema(wanted[1], "finger")
        print(f"Wrote {' and '.join(map(str, wanted))}, and beside it the schema by which editors check it. Put in your "
              "own parts.")  # fmt: skip
    print("Next: " + NEXT.get(kind, "jointloop size {}").format(quoted(path)))


def write_with_schema(path: Path, kind: str) -> None:
    """Write a TOML file and, beside it, its schema; a schema that is not ours is left alone."""
    sort = kind if kind in ("hand", "scenario") else "joint"
    schema = path.with_name(f"{sort}.schema.json")
    text = json.dumps(schema_of(sort), indent=2) + "\n"
    ours = f'"jointloop {sort} file"'
    if not schema.exists() or ours in schema.read_text(encoding="utf-8", errors="replace"):
        write_whole(schema, text)
    write_whole(path, f"#:schema ./{schema.name}\n{starter(kind)}")
