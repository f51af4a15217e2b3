"""``jointloop new``: a commented starter joint file."""

import json
from importlib.resources import files
from pathlib import Path
from typing import Annotated

import typer

from host.commands.schema import schema_of
from host.commands.shared.terminal import quoted
from host.files import write_whole
from sim.errors import InputError


def starter() -> str:
    """Return the text of the starter joint file."""
    return (files("host") / "demo" / "joint.toml").read_text(encoding="utf-8")


TITLE = "jointloop joint file"
EXAMPLE = "new finger.toml"


def run(
    path: Annotated[Path, typer.Argument(metavar="FILE", help="File to write.")] = Path(
        "joint.toml"
    ),
) -> None:
    """Write a commented starter joint file, and the schema that editors check it with."""
    if path.exists():
        raise InputError(str(path), "", None, "exists already; name another file")
    if not path.parent.is_dir():
        raise InputError(str(path.parent), "", None, "no such folder")
    schema = path.with_name("joint.schema.json")
    text = json.dumps(schema_of("joint"), indent=2) + "\n"
    if not schema.exists() or f'"{TITLE}"' in schema.read_text(encoding="utf-8", errors="replace"):
        write_whole(schema, text)
    write_whole(path, f"#:schema ./{schema.name}\n{starter()}")
    print(f"Wrote {path}, and {schema.name} beside it, by which editors check it. Put in your own parts.\n"
          f"Next: jointloop size {quoted(path)}")  # fmt: skip
