"""The board's interrupt on emulated chips: nothing is allocated, and what a call takes, in instructions."""

import re
import shutil
from pathlib import Path

import pytest

from controller.node import cells
from controller.wire.table import pack_table
from host.link.control_code import board_files
from sim.translate import image
from tests.chip.board import settings
from tests.translate import emulated

TOP = image.FOLDER.parents[1]
STAND_IN = """
from jlfake import ADC as Converter, PWM as Output
class Pin:
    OUT = IN = PULL_UP = 0
    def __init__(self, number, *_, **__): self.number = number
def PWM(pin, **_): return Output()
def ADC(pin): return Converter()
class Timer: PERIODIC = 0
class WDT: pass
mem32 = {}
def reset(): pass
"""


def measured(chip, joints, place):
    """What an interrupt takes on a chip with so many joints: instructions mean, worst, worst while moves are planned."""
    folder = place / f"{chip.name}-{joints}"
    folder.mkdir()
    for path in [*board_files(), TOP / "node" / "cells.py"]:
        target = folder / "controller" / path.relative_to(TOP)
        target.parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(path, target)
    made = settings(1000, oversampling=1)
    (folder / "settings.bin").write_bytes(pack_table(made))
    (folder / "image.bin").write_bytes(image.kept(chip))
    (folder / "joints.txt").write_text(str(joints), encoding="utf-8")
    (folder / "machine.py").write_text(STAND_IN, encoding="utf-8")
    shutil.copy(emulated.here / "interrupt_on_chip.py", folder)
    files = emulated.packed(folder, place / f"{chip.name}-{joints}.romfs")
    lines = emulated.run(chip.name, files, "import interrupt_on_chip")
    assert "careless allocates" in lines, "guard of the guard"
    (row,) = [line.split() for line in lines if line.startswith("interrupt ")]
    assert int(row[1]) == joints
    assert int(row[5]) == 700, "every call was a tick"
    count = emulated.MACHINES[chip.name][3]
    return [int(one) * count for one in row[2:5]]


@emulated.needed
@pytest.mark.parametrize("chip", image.CHIPS, ids=lambda chip: chip.name)
def test_the_interrupt_allocates_nothing_and_keeps_its_bound(chip, tmp_path):
    """Heap locked in every call; four joints that all plan a move at once.

    RP2350: at 16 ns an instruction (calibration, +-40 %) within 85 % of a tick of 1 kHz. RP2040: its time is asserted
    with its released firmware (tests/board/test_on_chip.py); here pins go by calls, not by registers.
    """
    mean, worst, planning = measured(chip, 4, tmp_path)
    assert mean <= worst
    assert planning <= worst
    assert worst <= {"rp2040": 200_000, "rp2350": 0.85 * 1e6 / 16.0}[chip.name]


PLACE = re.compile(r"^_(HEAD|SLOT|CALL)_([A-Z0-9_]+) = const\((\d+)\)$", re.MULTILINE)


def test_numbers_of_cells_and_calls_are_those_of_the_memory():
    """A board has no names: each file that it runs holds the numbers it needs."""
    rows = {"HEAD": cells.HEAD, "SLOT": cells.SLOT, "CALL": cells.CALLS}
    found = 0
    for path in board_files():
        for kind, name, number in PLACE.findall(Path(path).read_text(encoding="utf-8")):
            assert rows[kind][int(number)].upper() == name, f"{path.name}: {name}"
            found += 1
    assert found > 60
