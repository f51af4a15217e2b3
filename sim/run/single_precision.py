"""The controller in single precision: what a board's float really does.

The same functions run on objects that keep every real number as ``np.float32``
(NumPy 2 keeps single precision through arithmetic with plain literals), or translated
to C (``sim/translate``) with the same bits; plant and sensor stay in double precision and compiled.
"""

from typing import Any

import numpy as np

from controller.joint.state import Command, Readings, Report
from controller.records import INTEGER, PART, TABLE, Field, Record, fields
from sim.model.rig import Rig
from sim.run import kernels


class Single:
    """A record whose real numbers are single precision, whatever is put in."""

    def __setattr__(self, name: str, value: object) -> None:
        object.__setattr__(self, name, np.float32(value) if isinstance(value, float) else value)


class SingleTable(list[Any]):
    """A table whose numbers are single precision, whatever is put in."""

    def __setitem__(self, at: Any, value: Any) -> None:
        super().__setitem__(at, np.float32(value))


def single(record: Record) -> Single:
    """Return a single-precision copy of a record."""
    made = Single()
    for name, field in fields(type(record)):
        value = getattr(record, name)
        if field.kind == PART:
            setattr(made, name, single(value))
        elif field.kind == TABLE:
            setattr(made, name, SingleTable(np.float32(one) for one in value))
        else:
            setattr(made, name, int(value) if field.kind == INTEGER else float(value))
    return made


def _controller() -> object:
    """Copies of the controller modules whose square root keeps single precision."""
    if "single" not in kernels._LOADED:
        copies = kernels.load_copy("jointloop_single", lambda function: function)
        for name in ("profile", "speed_change", "limits"):
            getattr(copies, name).sqrt = np.sqrt
        kernels._LOADED["single"] = copies
    return kernels._LOADED["single"].tick


_COMMAND, _REPORT, _READINGS = fields(Command), fields(Report), fields(Readings)


def _fill(row: np.void, record: Single, known: list[tuple[str, Field]]) -> None:
    for name, _ in known:
        row[name] = getattr(record, name)


def _take(record: Single, row: np.void, known: list[tuple[str, Field]]) -> None:
    for name, field in known:
        setattr(record, name, int(row[name]) if field.kind == INTEGER else float(row[name]))


def run_single(rig: Rig, events: list, rows: np.ndarray) -> tuple:
    """The same as ``run_objects``, to the bit, with the controller as C where there is a compiler."""
    from sim.translate import library

    if library.compiler() is None:
        return run_objects(rig, events, rows)
    from sim.run import translated_loop

    return translated_loop.run_single(rig, events, rows)


def run_objects(rig: Rig, events: list, rows: np.ndarray) -> tuple:
    """Run one joint with its controller in single precision; fills ``rows``.

    Returns (score, plant) as rows of structured arrays.
    """
    joint = _controller()
    loop = kernels.twin().loop
    settings, state, command, readings, report = (
        single(one) for one in (rig.settings, rig.state, rig.command, rig.readings, rig.report)
    )
    own = kernels.as_array([rig])[0]
    schedule = kernels.as_array(events)
    for tick in range(rig.run.ticks):
        if loop.begin_tick(own, schedule, tick) > 0:
            _take(readings, own["readings"], _READINGS)
            if own["command"]["request"] or own["command"]["kind"]:
                _take(command, own["command"], _COMMAND)
            joint.joint_tick(settings, state, command, readings, report)  # type: ignore[attr-defined]
            _fill(own["command"], command, _COMMAND)
            _fill(own["report"], report, _REPORT)
            for name in ("high_V", "low_V"):
                own["state"]["allowed"][name] = getattr(state.allowed, name)  # type: ignore[attr-defined]
            own["state"]["output"]["value"] = state.output.value  # type: ignore[attr-defined]
        loop.end_tick(own, rows, tick)
    return own["score"], own["plant"]
