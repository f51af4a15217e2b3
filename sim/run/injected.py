"""What can be made to go wrong, in words: one vocabulary for scenario files, virtual boards and the page."""

from dataclasses import dataclass

from sim.model import schedule, sensor
from sim.schema import Quantity

Row = tuple[int, float, float, float]
"""Kind of event (``schedule.py``) and its three values."""


@dataclass(frozen=True)
class Fault:
    """One thing that goes wrong: the event that does it, and the one that mends it.

    wrong, right: the event's first value. value: key and range of a first value that a scenario
    may give instead. Without ``kind`` a run without a board has no such event, without
    ``on_board`` a virtual board has none; without ``right`` it is for good.
    """

    meaning: str
    kind: int = 0
    wrong: float = 1.0
    right: float | None = 0.0
    value: tuple[str, Quantity] | None = None
    on_board: int = -1
    """Kind of event on a virtual board, where it is another (0: none)."""


def _wiper(meaning: str, state: int) -> Fault:
    return Fault(meaning, schedule.SENSOR, state, float(sensor.SOUND))


FAULTS: dict[str, Fault] = {
    "wiper torn off": _wiper("the wiper's wire tears off", sensor.OPEN),
    "wiper shorted": _wiper("the wiper is shorted to a rail", sensor.SHORTED),
    "reading stuck": _wiper("the reading stays where it is", sensor.HELD),
    "wiper floats": _wiper("the wiper is nowhere connected", sensor.FLOATING),
    "motor wires swapped": Fault("the motor turns the other way", schedule.WIRED_WRONG),
    "motor unplugged": Fault("the motor's plug is out", schedule.MOTOR_OPEN),
    "closing cable snaps": Fault("the cable that closes is gone, for good", schedule.CUT, 0.0, None),
    "opening cable snaps": Fault("the cable that opens is gone, for good", schedule.CUT, 1.0, None),
    "supply dips": Fault("the supply drops by 2 V", schedule.DROP, 2.0,
                         value=("voltage", Quantity("V", "2 V", 0.0, 100.0))),
    "steady push": Fault("a load of 30 mN*m against closing", schedule.LOAD, 0.03,
                         value=("torque", Quantity("N*m", "30 mN*m", -10.0, 10.0))),
    "loop stalls": Fault("the control loop stands still for 0.2 s", schedule.LATE, 0.2, None,
                         ("time", Quantity("s", "10 ms", 0.0, 1.0)), schedule.STALL),
    "link silent": Fault("the host says nothing any more", schedule.SILENT, on_board=0),
    "error in the tick": Fault("the next control tick ends in an error", 0, 0.0, None, on_board=schedule.RAISE),
}  # fmt: skip
MEND = "mend all"
"""The word that undoes what can be undone."""


def board_words() -> dict[str, tuple[list[Row], str]]:
    """What a virtual board can be told: words to the events that do it, and what they mean."""
    found: dict[str, tuple[list[Row], str]] = {}
    mends: dict[int, Row] = {}
    for word, fault in FAULTS.items():
        kind = fault.kind if fault.on_board < 0 else fault.on_board
        if not kind:
            continue
        found[word] = [(kind, float(fault.wrong), 0.0, 0.0)], fault.meaning
        if fault.right is not None:
            mends[kind] = (kind, fault.right, 0.0, 0.0)
    found[MEND] = list(mends.values()), "all of that mended, but cables"
    return found


def named(kind: int, value: float) -> tuple[bool, str] | None:
    """Whether an event injects or mends, and which fault; None where it is no fault of a run."""
    own = [(word, one) for word, one in FAULTS.items() if one.kind == kind]
    for word, fault in own:
        if fault.value is None and value == fault.wrong:
            return True, word
    if not own:
        return None
    word, fault = own[0]
    mends = fault.right is not None and value == fault.right
    return not mends, word
