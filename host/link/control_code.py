"""Which control code this is: a number from the sources of ``controller/``."""

import ast
import hashlib
from pathlib import Path

import controller


def controller_files() -> list[Path]:
    """Every source file of the control layer, sorted."""
    top = Path(controller.__file__).parent
    return sorted(top.rglob("*.py"))


def board_files() -> list[Path]:
    """What a board needs of it: its program and all that this imports, sorted."""
    top = Path(controller.__file__).parent
    found: set[Path] = set()
    waiting = [top / "board" / "start.py"]
    while waiting:
        path = waiting.pop()
        if path not in found:
            found.add(path)
            waiting += [one for one in _imported(top, path) if one.exists()]
    folders = {one.parent for one in found} | {top}
    return sorted(found | {folder / "__init__.py" for folder in folders})


def _imported(top: Path, path: Path) -> list[Path]:
    """Files of the control layer that a file imports, those for the type checker left out."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    tree.body = [one for one in tree.body
                 if not (isinstance(one, ast.If) and ast.unparse(one.test) == "MYPY")]  # fmt: skip
    names = []
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("controller"):
            names += [node.module, *(f"{node.module}.{one.name}" for one in node.names)]
    return [top.joinpath(*str(name).split(".")[1:]).with_suffix(".py") for name in names]


def build_number() -> int:
    """Digest (32 bits) of the sources of the control layer."""
    total = hashlib.sha256()
    top = Path(controller.__file__).parent
    for path in controller_files():
        total.update(path.relative_to(top).as_posix().encode())
        total.update(path.read_bytes())
    return int.from_bytes(total.digest()[:4], "little")
