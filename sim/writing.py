"""Files written whole: under another name first, then renamed."""

from pathlib import Path


def first_name(path: Path) -> Path:
    """Name to write a file under before it is renamed to ``path``.

    A device or a pipe (/dev/stdout) is written itself: a file in its place would be its end.
    """
    if path.exists() and not path.is_file():
        return path
    return path.with_name(f"{path.name}.part")


def put_in_place(partial: Path, path: Path) -> None:
    """Rename what was written under its first name."""
    if partial != path:
        partial.replace(path)
