"""Translated C compiled for this computer: a shared library in the cache, called by address.

Records lie in NumPy arrays of four-octet cells (``dtype_of``), as on the wire and on a chip.
"""

import ctypes
import hashlib
import importlib.util
import os
import shutil
import subprocess
import sys
import tempfile
from functools import cache
from pathlib import Path

import numpy as np

from controller.records import INTEGER, PART, TABLE, Record, fields
from sim.errors import InputError
from sim.translate import realtime
from sim.translate.program import Unit, translate
from sim.translate.realtime import RECORDS

FLAGS = ("-std=c99", "-O2", "-ffp-contract=off", "-fno-math-errno", "-fno-strict-aliasing", "-fPIC", "-shared", "-Wall", "-Werror",
         "-Wno-unused-function", "-Wno-parentheses-equality")  # fmt: skip
EXPORTS = """
float tick(Settings *settings, State *state, Command *command, Readings *readings, Report *report) {
    return tick_joint_tick(settings, state, command, readings, report);
}

int32_t contradiction(Settings *settings) {
    return contradictions_contradiction(settings);
}

int32_t call(uint32_t what, void *memory) {
    return called(what, memory);
}
"""


@cache
def unit() -> Unit:
    """The controller's tick and the check of its settings, translated."""
    return translate(list(RECORDS), list(realtime.FUNCTIONS))


@cache
def text() -> str:
    """All of the C that an image is made of, but for its door."""
    return unit().text() + "\n" + realtime.text()


def dtype_of(record: type[Record]) -> np.dtype:
    """The NumPy dtype of a record in four-octet cells, nested."""
    columns: list = []
    for name, field in fields(record):
        if field.kind == PART:
            columns.append((name, dtype_of(field.of)))
        elif field.kind == TABLE:
            columns.append((name, np.float32, (field.size,)))
        else:
            columns.append((name, np.int32 if field.kind == INTEGER else np.float32))
    return np.dtype(columns)


def compiler() -> list[str] | None:
    """The command of a C compiler: ``CC``, the system's, or the one of the package ziglang; None without."""
    named = os.environ.get("CC", "").split()
    for words in (named, ["cc"], ["gcc"], ["clang"]):
        if words and shutil.which(words[0]):
            return words
    if importlib.util.find_spec("ziglang") is not None:
        return [sys.executable, "-m", "ziglang", "cc"]
    return None


def cache_folder() -> Path:
    """Where compiled C is kept (``JOINTLOOP_CACHE`` names another place); a folder of this run if it cannot be made."""
    top = os.environ.get("JOINTLOOP_CACHE") or os.environ.get("XDG_CACHE_HOME")
    folder = (Path(top) if top else Path.home() / ".cache") / "jointloop"
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError:
        folder = Path(tempfile.mkdtemp())
    return folder


def compiled(text: str, flags: tuple[str, ...] = FLAGS) -> ctypes.CDLL:
    """C text as a library, made once and kept. Raises InputError where no compiler is found or it fails."""
    command = compiler()
    if command is None:
        raise InputError(
            "", "CC", None, "no C compiler is found: install one, or pip install ziglang"
        )
    digest = hashlib.sha256("\n".join([text, *command, *flags]).encode()).hexdigest()[:16]
    folder = cache_folder()
    target = folder / f"c-{digest}.so"
    if not target.exists():
        with tempfile.TemporaryDirectory(dir=folder) as place:
            source, made = Path(place) / "tick.c", Path(place) / "tick.so"
            source.write_text(text, encoding="utf-8")
            done = subprocess.run([*command, *flags, "-o", str(made), str(source)],
                                  capture_output=True, text=True, check=False)  # fmt: skip
            if done.returncode != 0:
                raise InputError(
                    "", "CC", " ".join(command), f"does not compile the tick: {done.stderr[:400]}"
                )
            made.replace(target)
    return ctypes.CDLL(str(target))


@cache
def tick_library() -> ctypes.CDLL:
    """``tick(settings, state, command, readings, report)`` and ``contradiction(settings)``, by address."""
    found = compiled(text() + EXPORTS)
    found.tick.argtypes = [ctypes.c_void_p] * 5
    found.tick.restype = ctypes.c_float
    found.contradiction.argtypes = [ctypes.c_void_p]
    found.contradiction.restype = ctypes.c_int32
    found.call.argtypes = [ctypes.c_uint32, ctypes.c_void_p]
    found.call.restype = ctypes.c_int32
    return found


def address(row: np.ndarray) -> int:
    """Address of an array's first octet."""
    return row.ctypes.data
