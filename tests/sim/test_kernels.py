import ast
import os
import time
from pathlib import Path

import numpy as np
import pytest

from controller.joint.settings.settings import Settings
from controller.joint.state import State
from controller.records import TABLE, get, leaves, put
from sim.joint.part import Part
from sim.model.schedule import Score
from sim.run import kernels

ROOT = Path(__file__).resolve().parents[2]


@pytest.mark.parametrize("name", kernels.MODULES)
def test_the_digest_changes_with_every_kernel_source(monkeypatch, tmp_path, name):
    before = kernels.source_digest()
    sources = kernels._sources()
    changed = tmp_path / "changed.py"
    changed.write_bytes(dict(sources)[name].read_bytes() + b"\n")
    monkeypatch.setattr(
        kernels, "_sources", lambda: [(n, changed if n == name else p) for n, p in sources]
    )
    after = kernels.source_digest()
    assert len(before) == len(after) == 16
    assert after != before
    monkeypatch.setattr(kernels, "_sources", lambda: sources)
    assert kernels.source_digest() == before


def imported(path):
    """Project modules that a kernel takes names from when it runs."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.If) and getattr(node.test, "id", "") == "MYPY":
            for inner in ast.walk(node):
                inner.skip = True
        if isinstance(node, ast.ImportFrom) and not hasattr(node, "skip"):
            for one in node.names:
                whole = f"{node.module}.{one.name}"
                is_module = (ROOT / (whole.replace(".", "/") + ".py")).exists()
                found.add(whole if is_module else node.module)
    return {one for one in found if one.split(".")[0] in ("controller", "sim")}


def test_the_digest_reads_every_module_that_a_kernel_takes_names_from(monkeypatch):
    read = []
    whole = Path.read_bytes
    monkeypatch.setattr(Path, "read_bytes", lambda self: read.append(self) or whole(self))
    kernels.source_digest()
    monkeypatch.undo()
    needed = set().union(*(imported(path) for _, path in kernels._sources()))
    assert {"controller.portable", "sim.joint.part", "controller.joint.heat"} <= needed
    known = {".".join(path.relative_to(ROOT).with_suffix("").parts) for path in read}
    assert needed <= known
    assert set(kernels.MODULES) <= known


def test_callees_stand_before_their_callers():
    for k, (name, path) in enumerate(kernels._sources()):
        later = set(kernels.MODULES[k + 1 :])
        assert not imported(path) & later, name


@pytest.fixture
def recorded(monkeypatch):
    """What the twin would be compiled with, without compiling it."""
    import numba

    seen = {}

    def jit(**options):
        seen.update(options)
        return lambda function: function

    monkeypatch.setattr(numba, "njit", jit)
    monkeypatch.setattr(numba.config, "CACHE_DIR", "untouched", raising=False)
    monkeypatch.setattr(kernels, "_LOADED", {})
    monkeypatch.setattr(kernels, "load_copy", lambda prefix, wrap: (prefix, wrap))
    return seen


def test_an_unwritable_cache_folder_turns_caching_off(monkeypatch, tmp_path, recorded):
    import numba

    blocked = tmp_path / "a-file"
    blocked.write_text("in the way")
    monkeypatch.setenv("JOINTLOOP_CACHE", str(blocked))
    assert kernels.cache_folder() is None
    kernels.twin()
    assert recorded["cache"] is False
    assert numba.config.CACHE_DIR == "untouched"


def test_a_writable_cache_folder_is_named_by_the_digest(monkeypatch, tmp_path, recorded):
    import numba

    monkeypatch.setenv("JOINTLOOP_CACHE", str(tmp_path))
    monkeypatch.delenv("JOINTLOOP_BOUNDSCHECK", raising=False)
    kernels.twin()
    folder = tmp_path / kernels.source_digest()
    assert folder.is_dir()
    assert recorded["cache"] is True
    assert recorded["nogil"] is True
    assert str(folder) == numba.config.CACHE_DIR
    assert list(folder.iterdir()) == []


def test_old_digests_are_pruned_and_nothing_else(monkeypatch, tmp_path):
    monkeypatch.setenv("JOINTLOOP_CACHE", str(tmp_path))
    for k in range(9):
        (tmp_path / f"{k:016x}").mkdir()
        os.utime(tmp_path / f"{k:016x}", (1e9 + k, 1e9 + k))
    in_use = tmp_path / f"{99:016x}"
    in_use.mkdir()
    os.utime(in_use, (time.time() - 3600.0,) * 2)
    for k in range(7):
        (tmp_path / f"{k + 50:016x}").mkdir()
    (tmp_path / "mine").mkdir()
    (tmp_path / "a-note").write_text("kept")
    kept = kernels.cache_folder()
    left = {one.name for one in tmp_path.iterdir()}
    assert {"mine", "a-note", kept.name, in_use.name} <= left
    assert {f"{k:016x}" for k in range(9)} & left == set(), "long unused, and more than a few"


@pytest.mark.parametrize("record_class", [Settings, State, Part, Score])
def test_a_record_goes_into_an_array_and_back(record_class):
    record = record_class()
    for k, (name, field) in enumerate(leaves(record_class)):
        value = k + (0 if isinstance(field.default, int) else 0.25)
        put(record, name, [value + j for j in range(field.size)] if field.kind == TABLE else value)
    array = kernels.as_array([record, record_class()])
    assert array.shape == (2,)
    back = kernels.to_record(record_class, array[0])
    for name, _ in leaves(record_class):
        assert get(back, name) == get(record, name)
        assert type(get(back, name)) is type(get(record, name))
    assert kernels.repeated(record, 3).tobytes() == np.repeat(array[:1], 3).tobytes()


def test_the_plain_modules_are_left_alone_by_the_twin():
    from controller.joint.tick import joint_tick
    from sim.model import loop

    twin = kernels.twin()
    assert kernels.twin() is twin
    assert twin.loop.run_joint is not loop.run_joint
    assert hasattr(twin.tick.joint_tick, "py_func")
    assert not hasattr(joint_tick, "py_func")
    assert twin.loop.__file__ == loop.__file__
