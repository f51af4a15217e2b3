"""The tick on emulated chips: ``python -m tests.bench.chip [--interpreted]`` (needs what tests/translate needs).

Instructions a tick of the machine code, mean and worst, by kind of joint; by the study's calibration
13.6 ns an instruction of an RP2040 at 125 MHz and 16 ns of an RP2350 at 150 MHz, both +-40 %: emulated, not on
hardware. ``--interpreted``: the sources under MicroPython too, 5,000 ticks of three kinds (ten minutes).
"""

import json
import shutil
import sys
import tempfile
from pathlib import Path

import pytest

from sim.translate import image
from tests.sim.conftest import joint_of, tables_with
from tests.translate import emulated
from tests.translate.beside import KINDS, lively, trace

NS = {"rp2040": 13.6, "rp2350": 16.0}
INTERPRETED = ("0.trace", "1.trace", "3.trace")


def traces(folder):
    """Every kind of joint as a chip repeats it."""
    for number, kind in enumerate(KINDS):
        joint = joint_of(tables_with(KINDS[kind]), "finger.toml")
        with pytest.MonkeyPatch.context() as patch:
            (folder / f"{number}.trace").write_bytes(trace(joint, lively(joint), patch))


def machine_code(chip, source, place):
    """Mean and worst instructions a tick, by kind of joint."""
    folder = place / "code"
    shutil.copytree(source, folder)
    (folder / "image.bin").write_bytes(image.kept(chip))
    shutil.copy(emulated.here / "on_chip.py", folder)
    lines = emulated.run(chip.name, emulated.packed(folder, place / "code.romfs"),
                         "import on_chip; on_chip.main()")  # fmt: skip
    count, found = emulated.MACHINES[chip.name][3], {}
    for row in (line.split() for line in lines if line.startswith("trace ")):
        kind = list(KINDS)[int(row[1].split(".")[0])]
        assert row[3] == "0", row
        mean, worst = (int(one) * count for one in row[5:7])
        found[kind] = {"mean_kI": mean / 1e3, "worst_kI": worst / 1e3,
                       "mean_us": mean * NS[chip.name] / 1e3, "worst_us": worst * NS[chip.name] / 1e3}  # fmt: skip
    return found


def interpreted(chip, source, place):
    """Ticks that differ when the sources are interpreted on the chip: (ticks, wrong) by trace."""
    folder = place / "sources"
    folder.mkdir()
    for name in INTERPRETED:
        shutil.copy(source / name, folder)
    shutil.copy(emulated.here / "sources_on_chip.py", folder)
    (folder / "literals.txt").write_text("", encoding="utf-8")
    shutil.copytree(image.FOLDER.parents[1], folder / "controller",
                    ignore=shutil.ignore_patterns("board", "*.md", "__pycache__"))  # fmt: skip
    files = emulated.packed(folder, place / "sources.romfs", compiled=True)
    code = f"import sources_on_chip as s; s.main('/flash', {tuple((one, 10**6) for one in INTERPRETED)})"
    rows = [
        line.split() for line in emulated.run(chip.name, files, code) if line.startswith("trace ")
    ]
    return {row[1]: (int(row[2]), int(row[3])) for row in rows}


def main():
    """Measure and print as JSON."""
    results = {}
    with tempfile.TemporaryDirectory() as name:
        source = Path(name) / "traces"
        source.mkdir()
        traces(source)
        for chip in image.CHIPS:
            place = Path(name) / chip.name
            place.mkdir()
            results[chip.name] = {
                "image_octets": len(image.kept(chip)),
                **machine_code(chip, source, place),
            }
            if "--interpreted" in sys.argv:
                results[chip.name]["interpreted"] = interpreted(chip, source, place)
    print(json.dumps(results, indent=2))


if __name__ == "__main__":
    main()
