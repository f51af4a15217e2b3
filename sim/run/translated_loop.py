"""The closed loop with the controller as C in single precision, plant and sensor compiled in double."""

import ctypes
from collections.abc import Callable
from functools import cache
from typing import Any

import numpy as np

from controller.joint.state import Command, Readings, Report
from controller.records import PART, TABLE, Record, fields
from sim.model.rig import Rig
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
    def run(rig: Any, single: Any, at: Any, events: Any, trace: Any) -> None:
        state_4, command_4, readings_4, report_4 = single
        for k in range(rig.run.ticks):
            if begin(rig, events, k) > 0:
                read_in(rig.readings, readings_4)
                command_in(rig.command, command_4)
                tick(at[0], at[1], at[2], at[3], at[4])
                command_in(command_4, rig.command)
                report_out(report_4, rig.report)
                rig.state.allowed.high_V = state_4.allowed.high_V
                rig.state.allowed.low_V = state_4.allowed.low_V
                rig.state.output.value = state_4.output.value
            end(rig, trace, k)

    return run


def run_single(rig: Rig, events: list, rows: np.ndarray) -> tuple:
    """Run one joint with its controller as C. Arguments and result as of ``sim.run.single_precision.run_objects``.

    Raises InputError where no C compiler is found.
    """
    records = (rig.settings, rig.state, rig.command, rig.readings, rig.report)
    cells = [np.zeros(1, library.dtype_of(type(one))) for one in records]
    for one, row in zip(records, cells, strict=True):
        fill(type(one), one, row[0])
    at = np.array([library.address(row) for row in cells], dtype=np.uintp)
    own = kernels.as_array([rig])
    looped()(own[0], tuple(row[0] for row in cells[1:]), at, kernels.as_array(events), rows)
    return own["score"][0], own["plant"][0]
