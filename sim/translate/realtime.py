"""What an image holds beside the joint's tick: the board's real-time side, and the door to all of it.

Made of the rows of ``controller/node/cells.py``, the records' defaults, and ``realtime.h``.
"""

from pathlib import Path

from controller.joint import coupling, faults, modes
from controller.joint.motion import setpoint
from controller.joint.settings import contradictions, settings
from controller.joint.settings.settings import Settings
from controller.joint.state import Command, Readings, Report, State
from controller.joint.supervisor import trip
from controller.joint.tick import joint_tick
from controller.node import cells
from controller.node.fields import value_of
from controller.records import INTEGER, TABLE, Record, leaves
from controller.wire import messages
from sim.translate.numbers import real, whole

SOURCE = Path(__file__).with_name("realtime.h")
RECORDS: tuple[type[Record], ...] = (Settings, State, Command, Readings, Report)
FUNCTIONS = (
    joint_tick, contradictions.contradiction, contradictions.rest_voltage, contradictions.crosses_itself,
    modes.ask, modes.driven, setpoint.aimed, setpoint.acceptable, setpoint.streamed, value_of,
    coupling.crosses, coupling.begin, coupling.add, trip,
)  # fmt: skip
NUMBERS = {
    "POWERED": modes.POWERED, "TRIPPED": modes.TRIPPED, "PULSE": settings.PULSE, "BUILTIN": settings.BUILTIN,
    "HOLD_HERE": setpoint.HOLD_HERE, "TO_TARGET": setpoint.TO_TARGET, "ROWS_KIND": messages.ROWS, "NO_FAULT": faults.NONE,
    "GROUPS": cells.GROUPS, "HARD": cells.HARD,
}  # fmt: skip


def fresh(record: type[Record]) -> str:
    """A C function that gives every number of a record its default: most are zero."""
    name = record.__name__
    lines = [
        f"static void {name}_fresh({name} *r) {{",
        "    int32_t *cell = (int32_t *)r;",
        f"    for (uint32_t k = 0; k < sizeof({name}) / 4; k++) cell[k] = 0;",
    ]
    for dotted, field in leaves(record):
        if field.kind != TABLE and field.default != 0:
            write = whole if field.kind == INTEGER else real
            lines.append(f"    r->{dotted} = {write(field.default)};")
    return "\n".join([*lines, "}"])


def first_cells() -> str:
    """The first cell of every setting, by its number among them."""
    at, found = 0, []
    for _, field in leaves(Settings):
        found.append(at)
        at += field.size
    return f"static const uint16_t first_cells[{len(found)}] = {{{', '.join(map(str, found))}}};"


def head(names: tuple[str, ...]) -> str:
    """Cells as the beginning of a struct."""
    return "\n".join(f"    {'float' if one in cells.REALS else 'int32_t'} {one};" for one in names)


def setting_number(name: str) -> int:
    """The number by which the translated check names a setting, from 1 on."""
    return [one for one, _ in leaves(Settings)].index(name) + 1


BOARD_CHECKS = ("sensor.counts_top", "drive.kind", "across.joint_1", "limits.current_A", "limits.back_emf_V_s", "tick_s")  # fmt: skip


def text() -> str:
    """The C that follows the translated functions."""
    numbers = dict(NUMBERS)
    numbers.update(
        {f"WRONG_{one.upper().replace('.', '_')}": setting_number(one) for one in BOARD_CHECKS}
    )
    lines = [
        *(f"#define {name} {value}" for name, value in numbers.items()),
        "enum { " + ", ".join(f"CALL_{one.upper()}" for one in cells.CALLS) + " };",
        first_cells(),
        *(fresh(one) for one in RECORDS[1:]),  # settings come from the host
        SOURCE.read_text(encoding="utf-8").rstrip(),
    ]
    for mark, names in (
        ("/* HEAD */", cells.HEAD),
        ("/* SLOT */", cells.SLOT),
        ("/* GROUP */", cells.GROUP),
    ):
        lines[-1] = lines[-1].replace(mark, head(names).lstrip(), 1)
    return "\n".join(lines) + "\n"
