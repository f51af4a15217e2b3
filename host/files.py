"""Files that people own: written whole or not at all, their comments kept."""

import contextlib
import os
import re
import stat
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import tomlkit
from tomlkit.items import Comment, Table, Whitespace

from sim.errors import InputError
from sim.reading import read_text

try:
    import fcntl
except ImportError:  # Windows
    fcntl = None  # type: ignore[assignment]


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
    """Write a text file under a temporary name and rename it. Raises InputError.

    A link stays a link, and a file that was there keeps its mode and its line ends.
    """
    target = path.resolve()
    if target.exists() and not target.is_file():  # a device: a file in its place would be its end
        try:
            target.write_text(text, encoding="utf-8")
        except OSError as error:
            raise InputError(str(path), "", None, f"cannot be written: {error.strerror}") from None
        return
    partial = target.with_name(f".{target.name}.{os.getpid()}.{threading.get_ident()}.part")
    try:
        mode = target.stat().st_mode if target.exists() else None
        if mode is not None and b"\r\n" in target.read_bytes():
            text = text.replace("\r\n", "\n").replace("\n", "\r\n")
        partial.write_text(text, encoding="utf-8", newline="")
        if mode is not None:
            partial.chmod(stat.S_IMODE(mode))
        partial.replace(target)
    except OSError as error:
        partial.unlink(missing_ok=True)
        raise InputError(str(path), "", None, f"cannot be written: {error.strerror}") from None


@contextlib.contextmanager
def locked(path: Path) -> Iterator[None]:
    """Be the only one of our programs that changes a file; others wait. Raises InputError.

    The file itself is locked (POSIX; elsewhere nothing is): it is replaced as a whole, so that who
    got the lock of a file that is there no more tries again.
    """
    if fcntl is None:
        yield
        return
    while True:
        try:
            file = path.open("rb")
        except OSError as error:
            raise InputError(str(path), "", None, f"cannot be read: {error.strerror}") from None
        with file:
            fcntl.flock(file, fcntl.LOCK_EX)
            if path.exists() and os.path.samestat(os.fstat(file.fileno()), path.stat()):
                yield
                return


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


OURS = ("gains", "calibration", "identified")
"""Tables that commands write: another one's does not make this one's untrue by itself."""


def put_table(path: Path, name: str, table: dict[str, Any], seen: str) -> None:
    """Put a table into a TOML file, comments kept; the rest is left as it is. Raises InputError.

    seen: the text that was read before. A file that a person has changed since, or whose table of
    this name was written meanwhile, is left alone; other tables of ours that came in between stay.
    """
    with locked(path):
        text = read_text(path)
        if text != seen and _others(text, name) != _others(seen, name):
            raise InputError(
                str(path), name, None, "the file was changed while this ran; nothing was written"
            )
        _put(path, name, table, text)


def _others(text: str, name: str) -> list[Any]:
    """What must not have changed: all that a person wrote, remarks too, and our table of this name."""
    document = tomlkit.parse(text)
    kept = document.get(name)
    remarks = []
    for one in OURS:
        if one in document:
            remarks += [item.as_string().strip() for item in _trailing(document[one])]
            document.remove(one)
    own = kept.unwrap() if kept is not None else None
    return [tomlkit.dumps(document).strip(), [text for text in remarks if text], own]


def _put(path: Path, name: str, table: dict[str, Any], text: str) -> None:
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


def put_keys(
    path: Path, name: str, keys: dict[str, str], source: str, gone: tuple[str, ...], seen: str
) -> None:
    """Put values with units into a table that a person wrote; what they stand in for stays as remarks.

    keys: by name, as TOML writes them; source: where they come from, a remark beside each; gone: keys that have no say any more.
    Raises InputError, also where the file was changed since ``seen`` was read.
    """
    with locked(path):
        if read_text(path) != seen:
            raise InputError(
                str(path), name, None, "the file was changed while this ran; nothing was written"
            )
        lines = seen.splitlines()
        heads = [k for k, line in enumerate(lines) if re.match(rf"\s*\[{name}\]\s*(#.*)?$", line)]
        if not heads:
            raise InputError(
                str(path), name, None, f"must be a table of its own, headed [{name}], to be changed"
            )
        after = (k for k in range(heads[0] + 1, len(lines)) if lines[k].lstrip().startswith("["))
        end = next(after, len(lines))
        last = heads[0]
        for k in range(heads[0] + 1, end):
            found = re.match(r"\s*([A-Za-z_0-9]+)\s*=", lines[k])
            if found is None:
                continue
            last = k
            if found[1] in gone or found[1] in keys:
                lines[k] = f"# before: {lines[k].strip()}"
        lines[last + 1 : last + 1] = [f"{key} = {text}  # {source}" for key, text in keys.items()]
        write_whole(path, "\n".join(lines) + "\n")
