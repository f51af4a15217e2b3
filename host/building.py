"""Which control code this is: a number from the sources of ``controller/``."""

import hashlib
from pathlib import Path

import controller


def controller_files() -> list[Path]:
    """Every source file of the control layer, sorted."""
    top = Path(controller.__file__).parent
    return sorted(top.rglob("*.py"))


def build_number() -> int:
    """Digest (32 bits) of the sources of the control layer."""
    total = hashlib.sha256()
    top = Path(controller.__file__).parent
    for path in controller_files():
        total.update(path.relative_to(top).as_posix().encode())
        total.update(path.read_bytes())
    return int.from_bytes(total.digest()[:4], "little")
