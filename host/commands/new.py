"""``jointloop new``: a commented starter joint file."""

from importlib.resources import files
from pathlib import Path

from host.commands.shared.terminal import quoted
from host.files import write_whole
from sim.errors import InputError


def starter() -> str:
    """Return the text of the starter joint file."""
    return (files("host") / "demo" / "joint.toml").read_text(encoding="utf-8")


def run(path: Path) -> None:
    """Write the starter file; an existing file is never overwritten."""
    if path.exists():
        raise InputError(str(path), "", None, "exists already; name another file")
    if not path.parent.is_dir():
        raise InputError(str(path.parent), "", None, "no such folder")
    write_whole(path, starter())
    print(f"Wrote {path}. Put in your own parts.\nNext: jointloop size {quoted(path)}")
