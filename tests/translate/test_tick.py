"""The whole tick as C: the bits of CPython in single precision, 5,000 ticks of each kind of joint."""

import ctypes
import inspect

import numpy as np
import pytest

from controller.joint.settings.contradictions import contradiction
from controller.joint.settings.settings import Settings
from controller.records import INTEGER, TABLE, leaves, put
from controller.wire.table import pack_table
from sim.run import single_precision, translated_loop
from sim.run.closed_loop import simulate
from sim.translate import library
from sim.translate.numbers import real
from tests.translate.beside import KINDS, TICKS, Beside, lively, resting


@pytest.mark.parametrize("kind", KINDS)
def test_every_record_is_equal_to_the_bit_at_every_tick(made, kind, monkeypatch):
    joint = made(KINDS[kind])
    beside = Beside(monkeypatch)
    simulate(joint, lively(joint), runtime="single_python")
    assert beside.wrong == []
    assert beside.ticks >= TICKS - 10
    assert {0, 1, 2, 4} <= beside.modes
    assert len(beside.faults) >= 2


def test_a_trace_that_decays_to_rest_is_equal_through_denormal_numbers(made, monkeypatch):
    """The filtered speed of a joint that stands, its sensor held: less than the smallest normal number."""
    joint = made({"sensor.effective_bits": 12.0})
    beside = Beside(monkeypatch)
    simulate(joint, resting(joint), runtime="single_python")
    assert beside.wrong == []
    assert beside.least < 2.0**-126


def test_settings_are_judged_as_by_the_controller(made):
    """Every setting at its ends and beyond, alone: the same answer, by its number."""
    joint = made({})
    names = [name for name, _ in leaves(Settings)]
    for name, field in leaves(Settings):
        if field.kind == TABLE:
            continue
        ends = [field.low, field.high, 0.5 * (field.low + field.high), 0.0, 1.0]
        for value in (
            [np.nan, *ends, *(one * 1.0001 for one in ends)] if field.kind != INTEGER else ends
        ):
            settings = single_precision.single(joint.settings)
            put(settings, name, int(value) if field.kind == INTEGER else float(value))
            row = np.zeros((), library.dtype_of(Settings))
            translated_loop.fill(Settings, settings, row)
            found = library.tick_library().contradiction(row.ctypes.data)
            with np.errstate(all="ignore"):
                wanted = contradiction_of(settings)
            assert ("" if found == 0 else names[found - 1]) == (wanted or ""), (name, value)


def contradiction_of(settings):
    """What the controller says, its ranges taken from the class that the copy stands for."""
    for name, field in leaves(Settings):
        value = settings
        for part in name.split("."):
            value = getattr(value, part)
        for one in value if field.kind == TABLE else (value,):
            low, high = (
                (field.low, field.high)
                if field.kind == INTEGER
                else map(np.float32, (field.low, field.high))
            )
            if not low <= one <= high:
                return name
    source = inspect.getsource(contradiction).replace("out_of_range(settings)", "None")
    scope = dict(vars(inspect.getmodule(contradiction)))
    exec(source, scope)
    return scope["contradiction"](settings)


def test_every_literal_of_the_tick_is_written_with_its_bits():
    values = library.unit().literals
    assert len(values) >= 20
    for value in values:
        assert float.fromhex(real(value).rstrip("f")) == float(np.float32(value))


def test_a_tick_that_differs_is_noticed(made, monkeypatch):
    """Guard of the guard: one constant of the C off by one in its last place."""
    text = library.text()
    half = "0x1.0p-1f"
    assert text.count(half) > 3
    changed = library.compiled(text.replace(half, "0x1.000002p-1f") + library.EXPORTS)
    changed.tick.argtypes, changed.tick.restype = [ctypes.c_void_p] * 5, ctypes.c_float
    joint = made({})
    beside = Beside(monkeypatch)
    beside.library = changed
    simulate(joint, lively(joint), runtime="single_python")
    assert beside.wrong


def test_structs_are_the_packed_tables(made):
    settings = made({}).settings
    row = np.frombuffer(pack_table(settings), library.dtype_of(Settings))[0]
    assert row["gains"]["kp"] == np.float32(settings.gains.kp)
    assert row["sensor"]["counts_top"] == settings.sensor.counts_top
    assert library.dtype_of(Settings).itemsize == len(pack_table(settings))


def test_the_unit_needs_nothing_from_outside():
    """No mutable global, no call of a library, no allocation."""
    text = library.text()
    assert "malloc" not in text
    assert [line for line in text.splitlines() if line.startswith("#include")] == [
        "#include <stdint.h>"
    ]
    for line in text.splitlines():
        if line and not line.startswith(
            (" ", "#", "/*", "}", "enum", "typedef", "_Static_assert", "static ")
        ):
            raise AssertionError(line)


@pytest.mark.parametrize("kind", ["bridge", "pulse", "turning, one wiper"])
def test_the_whole_loop_around_the_c_is_that_of_the_objects(made, kind):
    joint = made(KINDS[kind])
    scene = joint.scenarios()["wiper_open"]
    own, plain = (simulate(joint, scene, runtime=name) for name in ("single", "single_python"))
    np.testing.assert_array_equal(own.rows, plain.rows)
    assert own.metrics == plain.metrics
