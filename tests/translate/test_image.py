"""The tick as machine code: made again octet by octet, equal to the bit on emulated chips."""

import shutil

import numpy as np
import pytest

from sim.errors import InputError
from sim.translate import image, library
from tests.translate import emulated
from tests.translate.beside import KINDS, TICKS, lively, resting, trace

MOST_OCTETS = 24 * 1024
LEAST = TICKS - 10
each_chip = pytest.mark.parametrize("chip", image.CHIPS, ids=lambda chip: chip.name)


@each_chip
def test_the_image_of_the_package_is_that_of_the_sources(chip):
    """Made by the pinned compiler, octet by octet."""
    kept = image.kept(chip)
    assert image.build(chip) == kept
    assert len(kept) <= MOST_OCTETS


def test_an_image_of_other_sources_is_refused(monkeypatch, tmp_path):
    chip = image.CHIPS[0]
    data = image.kept(chip)
    monkeypatch.setattr(image, "FOLDER", tmp_path)
    with pytest.raises(InputError, match=r"rp2040\.bin: is missing"):
        image.kept(chip)
    (tmp_path / "rp2040.bin").write_bytes(data[:-1] + bytes((data[-1] ^ 1,)))
    with pytest.raises(InputError, match="was made of other sources"):
        image.kept(chip)


def test_another_version_of_the_compiler_is_refused(monkeypatch):
    monkeypatch.setattr(image, "COMPILER", "0.0.1")
    with pytest.raises(InputError, match="other versions give other octets"):
        image.build(image.CHIPS[0])


@pytest.fixture(scope="module")
def traces(made, tmp_path_factory):
    """Every kind of joint, 5,000 ticks, and one that decays to rest, as a chip repeats them."""
    folder = tmp_path_factory.mktemp("traces")
    for number, kind in enumerate(KINDS):
        joint = made(KINDS[kind])
        with pytest.MonkeyPatch.context() as patch:
            data = trace(joint, lively(joint), patch)
        (folder / f"{number}.trace").write_bytes(data)
    joint = made({"sensor.effective_bits": 12.0})
    with pytest.MonkeyPatch.context() as patch:
        data = trace(joint, resting(joint), patch)
    (folder / "rest.trace").write_bytes(data)
    return folder


@emulated.needed
@each_chip
def test_machine_code_on_the_chip_has_the_bits_of_this_computer(chip, traces, tmp_path):
    folder = tmp_path / "files"
    shutil.copytree(traces, folder)
    (folder / "image.bin").write_bytes(image.kept(chip))
    shutil.copy(emulated.here / "on_chip.py", folder)
    files = emulated.packed(folder, tmp_path / "files.romfs")
    lines = emulated.run(chip.name, files, "import on_chip; on_chip.main()")
    told = [line.split() for line in lines if line.startswith("trace ")]
    assert [row[1] for row in told] == sorted(path.name for path in traces.iterdir())
    for _, name, ticks, wrong, first, *_ in told:
        assert int(ticks) >= LEAST
        assert int(wrong) == 0, f"{name}: first at tick {first}"


INTERPRETED = {"0.trace": 2000, "1.trace": 500, "3.trace": 500}
"""A bridge, pulses, a joint that turns without end, and ticks: interpreted, one costs a chip two hundred times as much.

``python -m tests.bench.chip --interpreted`` runs all three over 5,000 ticks on both chips.
"""
OFF_BY_ONE_ULP = {"rp2040": set(), "rp2350": set()}
"""Literals of the tick that MicroPython's parser reads one unit in the last place off."""


@emulated.needed
@each_chip
def test_the_interpreted_sources_on_the_chip_have_the_same_bits(chip, traces, tmp_path):
    """So "one source, same bits" holds for a board's own interpreter, number by number as it reads them."""
    folder = tmp_path / "files"
    folder.mkdir()
    for name in INTERPRETED:
        shutil.copy(traces / name, folder)
    shutil.copy(emulated.here / "sources_on_chip.py", folder)
    shutil.copytree(
        image.FOLDER.parents[1],
        folder / "controller",
        ignore=shutil.ignore_patterns("board", "*.md", "__pycache__"),
    )
    literals = sorted(library.unit().literals)
    (folder / "literals.txt").write_text("\n".join(map(repr, literals)) + "\n", encoding="utf-8")
    files = emulated.packed(folder, tmp_path / "files.romfs", compiled=True)
    code = f"import sources_on_chip as s; s.main('/flash', {tuple(INTERPRETED.items())})"
    told = [line.split() for line in emulated.run(chip.name, files, code)]
    rows = [row for row in told if row and row[0] == "trace"]
    assert [row[1] for row in rows] == list(INTERPRETED)
    for _, name, ticks, wrong, first in rows:
        assert int(ticks) >= min(LEAST, INTERPRETED[name])
        assert int(wrong) == 0, f"{name}: first at tick {first}"
    read = {float(row[1]): int(row[2]) for row in told if row and row[0] == "literal"}
    assert set(read) == set(literals)
    off = {
        value
        for value, bits in read.items()
        if np.uint32(bits).view(np.float32) != np.float32(value)
    }
    assert off == OFF_BY_ONE_ULP[chip.name]
