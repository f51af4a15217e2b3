"""``jointloop migrate``: a file of before rewritten with the keys and words of now."""

from pathlib import Path
from typing import Annotated

import typer

from host.commands.shared.arguments import Json
from host.commands.shared.terminal import Terminal, plain

EXAMPLE = "migrate finger.toml"


def run(
    paths: Annotated[
        list[Path], typer.Argument(metavar="FILE", help="Joint, hand or scenario files.")
    ],
    as_json: Json = False,
) -> None:
    """Rewrite files of before with the names of now; remarks stay."""
    from host.migration import migrate

    terminal = Terminal(as_json)
    found = {str(path): migrate(path) for path in paths}
    for path, told in found.items():
        terminal.say(
            f"{plain(path)}: " + ("nothing to change." if not told else f"{len(told)} changed.")
        )
        for one in told:
            terminal.say(f"  {plain(one)}")
    terminal.result({"changed": found})
