"""Files that people own: written whole or not at all, their comments kept."""

import os
from pathlib import Path
from typing import Any

import tomlkit
from tomlkit.items import Comment, Table, Whitespace

from sim.errors import InputError
from sim.joint_file import read_text


def make_folder(path: Path) -> Path:
    """Make a folder; InputError where that cannot be."""
    try:
        path.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(
            str(path), "", None, f"cannot be made a folder: {error.strerror}"
        ) from None
    return path


def write_whole(path: Path, text: str) -> None:
    """Write a text file under a temporary name and rename it. Raises InputError."""
    partial = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        partial.write_text(text, encoding="utf-8")
        partial.replace(path)
    except OSError as error:
        partial.unlink(missing_ok=True)
        raise InputError(str(path), "", None, f"cannot be written: {error.strerror}") from None


def _trailing(table: Any) -> list[Any]:
    """Remarks and blank lines at the end of a table, with its last inner table's."""
    found: list[Any] = []
    body = getattr(getattr(table, "value", None), "body", [])
    for key, item in reversed(body):
        if key is None and isinstance(item, Comment | Whitespace):
            found.insert(0, item)
            continue
        if isinstance(item, Table):
            found = _trailing(item) + found
        break
    return found if any(isinstance(one, Comment) for one in found) else []


def put_table(path: Path, name: str, table: dict[str, Any], seen: str) -> None:
    """Put a table into a TOML file, comments kept; the rest is left as it is.

    seen: the text that was read before: a file changed since is left alone.
    """
    text = read_text(path)
    if text != seen:
        raise InputError(
            str(path), name, None, "the file was changed while this ran; nothing was written"
        )
    document = tomlkit.parse(text)
    made = tomlkit.table()
    made.comment("written by jointloop")
    for key, value in table.items():
        if isinstance(value, dict):
            inner = tomlkit.table()
            for inner_key, inner_value in value.items():
                inner[inner_key] = inner_value
            made[key] = inner
        else:
            made[key] = value
    if name in document:
        for item in _trailing(document[name]):  # remarks above the next table count as ours
            made.add(item)
    elif not text.endswith("\n\n"):
        document.add(tomlkit.nl())
    document[name] = made
    write_whole(path, tomlkit.dumps(document))
