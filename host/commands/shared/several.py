"""Several joints, or one on a cluster: the same work for each, through the executor seam."""

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from host.commands.shared.loading import load, slug
from sim.errors import InputError

if TYPE_CHECKING:
    from host.commands.shared.terminal import Terminal
    from sim.run.closed_loop import Joint
    from sim.run.executors import Runner


def load_all(paths: Sequence[Path], gains: Path | None) -> "list[Joint]":
    """The joints of some files, each once; a gains file is for one joint. Raises InputError."""
    known = [path.resolve() for path in paths]
    for path in paths:
        if known.count(path.resolve()) > 1:
            raise InputError(str(path), "", None, "is named twice")
    if gains is not None and len(paths) > 1:
        raise InputError("", "--gains", str(gains), "is for one joint at a time")
    return [load(path, gains) for path in paths]


def stems(joints: "Sequence[Joint]") -> list[str]:
    """Names of the joints for files: numbered where they would be the same."""
    names: list[str] = []
    for joint in joints:
        name = stem = slug(joint.file.joint.name)
        number = 1
        while name in names:
            number += 1
            name = f"{stem}-{number}"
        names.append(name)
    return names


def spread(terminal: "Terminal", runner: "Runner", label: str, function: Callable[[Any], Any],
           works: Sequence[Any]) -> list[Any]:  # fmt: skip
    """Results of a function over some works, in their order, with progress."""
    found = []
    with terminal.progress() as progress:
        task = progress.add_task(label, total=len(works), note="")
        for result in runner.map(function, works):
            found.append(result)
            note = f"workers lost {runner.lost} times" if runner.lost else ""
            progress.update(task, completed=len(found), note=note)
    return found


def together(results: "list[dict[str, Any]]") -> dict[str, Any]:
    """What a command tells programs: one joint's result, or those of all under ``joints``."""
    return results[0] if len(results) == 1 else {"joints": results}
