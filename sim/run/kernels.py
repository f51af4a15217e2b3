"""The compiled twin: the same sources, compiled by numba, and its cache.

A second copy of each kernel module is loaded from its source under another
name, and its functions are wrapped with ``numba.njit``; the plain modules are
never touched. numba's disk cache does not notice a changed callee in another
file, so the cache folder is named after a digest of all kernel sources.
"""

import ast
import hashlib
import importlib.util
import os
import shutil
import sys
import threading
import time
import types
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from controller.records import INTEGER, PART, REAL, Field, Record, fields

MODULES = (
    "controller.joint.angles",
    "controller.joint.heat",
    "controller.joint.reading",
    "controller.joint.turning",
    "controller.joint.sensor",
    "controller.joint.motion.segments",
    "controller.joint.motion.speed_change",
    "controller.joint.motion.profile",
    "controller.joint.motion.setpoint",
    "controller.joint.motion.trajectory",
    "controller.joint.pid",
    "controller.joint.limits",
    "controller.joint.faults",
    "controller.joint.watch",
    "controller.joint.modes",
    "controller.joint.supervisor",
    "controller.joint.drive",
    "controller.joint.coupling",
    "controller.joint.tick",
    "sim.model.arithmetic",
    "sim.model.plant",
    "sim.model.sensor",
    "sim.model.drive_electronics",
    "sim.model.scoring",
    "sim.model.events",
    "sim.model.loop",
    "sim.model.bang_bang_loop",
    "sim.model.observer_loop",
    "sim.model.axis_loop",
    "sim.model.hand_loop",
)
"""Kernel modules, callees first."""

UNUSED_S = 86_400.0
"""Compiled code that nobody has asked for in so long may go."""
_LOCK = threading.Lock()
_LOADED: dict[str, types.SimpleNamespace] = {}


def _sources() -> list[tuple[str, Path]]:
    rows = []
    for name in MODULES:
        spec = importlib.util.find_spec(name)
        assert spec is not None and spec.origin is not None
        rows.append((name, Path(spec.origin)))
    return rows


def source_digest() -> str:
    """Return the digest (16 hex digits) of every kernel source and tool version."""
    import numba

    total = hashlib.sha256()
    for word in (sys.version, np.__version__, numba.__version__):
        total.update(word.encode())
    for name, path in _sources():
        total.update(name.encode() + path.read_bytes())
    for name in (
        "controller.joint.settings.settings",
        "controller.joint.state",
        "controller.portable",
        "controller.records",
        "sim.joint.part",
        "sim.model.schedule",
        "sim.model.rig",
    ):
        spec = importlib.util.find_spec(name)
        assert spec is not None and spec.origin is not None
        total.update(Path(spec.origin).read_bytes())
    return total.hexdigest()[:16]


def cache_folder() -> Path | None:
    """Return the folder of compiled code, made and tried out; None if unwritable.

    ``JOINTLOOP_CACHE`` names another parent; old digests are pruned.
    """
    parent = os.environ.get("JOINTLOOP_CACHE")
    if parent:
        top = Path(parent)
    else:
        top = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "jointloop"
    folder = top / source_digest()
    try:
        folder.mkdir(parents=True, exist_ok=True)
        trial = folder / f".trial-{os.getpid()}"
        trial.write_bytes(b"")
        trial.unlink()
        os.utime(folder)
        compiled = [one for one in top.iterdir() if len(one.name) == 16 and one.is_dir()]
        for one in sorted(compiled, key=lambda one: one.stat().st_mtime)[:-6]:
            if time.time() - one.stat().st_mtime > UNUSED_S:  # not what another version runs on now
                shutil.rmtree(one, ignore_errors=True)
    except OSError:
        return None
    return folder


class _Rename(ast.NodeTransformer):
    """Point imports of kernel modules, and of names in them, at their copies."""

    def __init__(self, prefix: str) -> None:
        self.prefix = prefix

    def visit_ImportFrom(self, node: ast.ImportFrom) -> list[ast.ImportFrom]:
        module = node.module or ""
        copied = [
            one for one in node.names if module in MODULES or f"{module}.{one.name}" in MODULES
        ]
        kept = [one for one in node.names if one not in copied]
        made = [ast.ImportFrom(f"{self.prefix}.{module}", copied, 0)] if copied else []
        return [*made, *([ast.ImportFrom(module, kept, 0)] if kept else [])]


def _package(name: str) -> types.ModuleType:
    """The package of that name, made with all that it lies in where it is not there yet."""
    if name not in sys.modules:
        module = types.ModuleType(name)
        module.__path__ = []
        sys.modules[name] = module
        within, _, last = name.rpartition(".")
        if within:
            setattr(_package(within), last, module)
    return sys.modules[name]


def load_copy(prefix: str, wrap: Callable[..., Any]) -> types.SimpleNamespace:
    """Load copies of the kernel modules under ``prefix``; wrap each function.

    Returns a namespace with the copies by their last name (``loop``, ``plant``), and by their last
    two where two have the same last (``model_sensor``).
    """
    copies = {}
    last_names = [name.rpartition(".")[2] for name in MODULES]
    for name, path in _sources():
        copy = types.ModuleType(f"{prefix}.{name}")
        copy.__file__ = str(path)
        sys.modules[copy.__name__] = copy
        within, _, last = copy.__name__.rpartition(".")
        tree = ast.fix_missing_locations(_Rename(prefix).visit(ast.parse(path.read_text())))
        exec(compile(tree, str(path), "exec"), copy.__dict__)
        for key, value in list(vars(copy).items()):
            if isinstance(value, types.FunctionType) and value.__module__ == copy.__name__:
                setattr(copy, key, wrap(value))
        setattr(_package(within), last, copy)
        folder = within.rpartition(".")[2]
        copies[last if last_names.count(last) == 1 else f"{folder}_{last}"] = copy
    return types.SimpleNamespace(**copies)


def twin() -> types.SimpleNamespace:
    """Return the compiled twin (compiled at first use, then from the cache)."""
    with _LOCK:
        if "twin" not in _LOADED:
            import numba

            import controller.joint.settings.settings  # noqa: F401  (constants the copies refer to)
            import sim.joint.part
            import sim.model.schedule  # noqa: F401

            folder = cache_folder()
            if folder is not None:
                numba.config.CACHE_DIR = str(folder)  # type: ignore[attr-defined]
            bounds = bool(os.environ.get("JOINTLOOP_BOUNDSCHECK"))
            make = numba.njit(
                cache=folder is not None and not bounds,
                error_model="python",
                nogil=True,
                boundscheck=bounds,
            )
            _LOADED["twin"] = load_copy("jointloop_twin", make)
        return _LOADED["twin"]


_DTYPES: dict[type[Record], np.dtype] = {}


def dtype_of(record: type[Record]) -> np.dtype:
    """Return the NumPy dtype of a record class (nested, 8-byte fields)."""
    if record not in _DTYPES:
        columns: list = [(name, *_column(field)) for name, field in fields(record)]
        _DTYPES[record] = np.dtype(columns)
    return _DTYPES[record]


def _column(field: Field) -> tuple:
    if field.kind == PART:
        return (dtype_of(field.of),)
    if field.kind == INTEGER:
        return (np.int64,)
    if field.kind == REAL:
        return (np.float64,)
    return (np.float64, (field.size,))


def values(record: Record) -> tuple:
    """Return the values of a record as a nested tuple in declared order."""
    row: list = []
    for name, field in fields(type(record)):
        value = getattr(record, name)
        if field.kind == PART:
            row.append(values(value))
        elif field.kind == INTEGER:
            row.append(int(value))
        elif field.kind == REAL:
            row.append(float(value))
        else:
            row.append(tuple(float(one) for one in value))
    return tuple(row)


def as_array(records: list) -> np.ndarray:
    """Return record objects of one class as a structured array, shape (n,)."""
    return np.array([values(one) for one in records], dtype=dtype_of(type(records[0])))


def repeated(record: Record, count: int) -> np.ndarray:
    """Return ``count`` copies of a record as a structured array, shape (count,)."""
    return np.repeat(as_array([record]), count)


def to_record(record_class: type[Record], row: np.void) -> Record:
    """Return the record object of one row of a structured array."""
    record = record_class()
    for name, field in fields(record_class):
        value = row[name]
        if field.kind == PART:
            setattr(record, name, to_record(field.of, value))
        elif field.kind == INTEGER:
            setattr(record, name, int(value))
        elif field.kind == REAL:
            setattr(record, name, float(value))
        else:
            setattr(record, name, [float(one) for one in value])
    return record
