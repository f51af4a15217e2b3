"""The closed loop with the controller as C in single precision, plant and sensor compiled in double."""

import ctypes
from collections.abc import Callable
from functools import cache
from typing import Any

import numpy as np

from controller.joint.settings.settings import Settings
from controller.joint.state import Command, Readings, Report, State
from controller.records import PART, TABLE, Record, fields
from sim.model.schedule import Run, Score
from sim.run import kernels
from sim.translate import library


def copier(of: type[Record]) -> Callable[[Any, Any], None]:
    """A compiled function that copies a flat record's fields to a row of another precision."""
    import numba

    lines = "\n".join(f"    target.{name} = source.{name}" for name, _ in fields(of))
    scope: dict[str, Any] = {}
    exec(f"def copied(source, target):\n{lines}\n", scope)
    compiled: Callable[[Any, Any], None] = numba.njit(scope["copied"])
    return compiled


def fill(of: type[Record], record: Any, row: Any) -> None:
    """Write a record's numbers into a row of four-octet cells."""
    for name, field in fields(of):
        value = getattr(record, name)
        if field.kind == PART:
            fill(field.of, value, row[name])
        elif field.kind == TABLE:
            row[name][:] = value
        else:
            row[name] = value


@cache
def looped() -> Any:
    """The loop, compiled around the address of the C tick (once a process: an address is not cached)."""
    import numba

    tick = ctypes.CFUNCTYPE(ctypes.c_float, *[ctypes.c_size_t] * 5)(
        ctypes.cast(library.tick_library().tick, ctypes.c_void_p).value or 0
    )
    loop = kernels.twin().loop
    begin, end = loop.begin_tick, loop.end_tick
    read_in, command_in, report_out = copier(Readings), copier(Command), copier(Report)

    @numba.njit(nogil=True, error_model="python")
    def run(
        double: Any, single: Any, at: Any, events: Any, run_row: Any, score: Any, trace: Any
    ) -> None:
        settings, state, command, readings, report, p, x, s = double
        state_4, command_4, readings_4, report_4 = single
        for k in range(run_row.ticks):
            if begin(settings, command, readings, p, x, s, events, run_row, score, k) > 0:
                read_in(readings, readings_4)
                command_in(command, command_4)
                tick(at[0], at[1], at[2], at[3], at[4])
                command_in(command_4, command)
                report_out(report_4, report)
                state.allowed.high_V = state_4.allowed.high_V
                state.allowed.low_V = state_4.allowed.low_V
                state.output.value = state_4.output.value
            end(settings, state.allowed, state.output, report, p, x, run_row, score, trace, k)

    return run


def run_single(records: list, events: list, run: Run, score: Score, rows: np.ndarray) -> tuple:
    """Run one joint with its controller as C. Arguments and result as of ``sim.run.single_precision.run_objects``.

    Raises InputError where no C compiler is found.
    """
    made = [kernels.as_array([one]) for one in records]
    cells = [
        np.zeros(1, library.dtype_of(of)) for of in (Settings, State, Command, Readings, Report)
    ]
    for of, one, row in zip(
        (Settings, State, Command, Readings, Report), records, cells, strict=False
    ):
        fill(of, one, row[0])
    at = np.array([library.address(row) for row in cells], dtype=np.uintp)
    run_rows, scores = kernels.as_array([run]), kernels.as_array([score])
    looped()(tuple(one[0] for one in made), tuple(row[0] for row in cells[1:]), at, kernels.as_array(events),
             run_rows[0], scores[0], rows)  # fmt: skip
    return scores[0], made[6][0]
