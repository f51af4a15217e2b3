"""The controller in single precision: what a board's float really does.

The same functions run on objects that keep every real number as ``np.float32``
(NumPy 2 keeps single precision through arithmetic with plain literals), or translated
to C (``sim/translate``) with the same bits; plant and sensor stay in double precision and compiled.
"""

from typing import Any

import numpy as np

from controller.joint.state import Command, Readings, Report, State
from controller.records import INTEGER, PART, TABLE, Record, fields
from sim.model.schedule import Run, Score
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


def _fill(row: np.void, record: Single, names: tuple[str, ...]) -> None:
    for name in names:
        row[name] = getattr(record, name)


_COMMAND = tuple(name for name, _ in fields(Command))
_REPORT = tuple(name for name, _ in fields(Report))
_READINGS = fields(Readings)


def run_single(records: list, events: list, run: Run, score: Score, rows: np.ndarray) -> tuple:
    """The same as ``run_objects``, to the bit, with the controller as C where there is a compiler."""
    from sim.translate import library

    if library.compiler() is None:
        return run_objects(records, events, run, score, rows)
    from sim.run import translated_loop

    return translated_loop.run_single(records, events, run, score, rows)


def run_objects(records: list, events: list, run: Run, score: Score, rows: np.ndarray) -> tuple:
    """Run one joint with its controller in single precision.

    records: settings, State, Command, Readings, Report, Part, Plant, Sense.
    Returns (score, plant) as rows of structured arrays; fills ``rows``.
    """
    joint = _controller()
    loop = kernels.twin().loop
    settings, state, command, readings, report = (single(one) for one in records[:5])
    settings_row, _, command_row, readings_row, report_row, part, plant, sense = (
        kernels.as_array([one])[0] for one in records
    )
    program = kernels.as_array(events)
    run_row, score_row = kernels.as_array([run])[0], kernels.as_array([score])[0]
    state_row = kernels.as_array([State()])[0]
    allowed, output = state_row["allowed"], state_row["output"]
    for tick in range(run.ticks):
        steps = loop.begin_tick(
            settings_row,
            command_row,
            readings_row,
            part,
            plant,
            sense,
            program,
            run_row,
            score_row,
            tick,
        )
        if steps > 0:
            for name, field in _READINGS:
                value = readings_row[name]
                setattr(readings, name, int(value) if field.kind == INTEGER else float(value))
            if command_row["request"] or command_row["kind"]:
                for name, field in fields(Command):
                    value = command_row[name]
                    setattr(command, name, int(value) if field.kind == INTEGER else float(value))
            joint.joint_tick(settings, state, command, readings, report)  # type: ignore[attr-defined]
            _fill(command_row, command, _COMMAND)
            _fill(report_row, report, _REPORT)
            _fill(allowed, state.allowed, ("high_V", "low_V"))  # type: ignore[attr-defined]
            output["value"] = state.output.value  # type: ignore[attr-defined]
        loop.end_tick(
            settings_row,
            allowed,
            output,
            report_row,
            part,
            plant,
            run_row,
            score_row,
            rows,
            tick,
        )
    return score_row, plant
