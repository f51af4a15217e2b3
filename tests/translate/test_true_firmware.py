"""The machine code in the released firmware of an RP2040, emulated: entered from MicroPython, equal to the bit.

``JOINTLOOP_RP2040`` names a folder with that firmware, an emulator of the chip and its client ``rp2emu.py``. Time in
it is counted in the chip's cycles.
"""

import importlib.util
import os
import shutil
import struct
from pathlib import Path

import pytest

from sim.translate import image
from tests.translate import emulated
from tests.translate.beside import KINDS, lively, trace

EQUIPMENT = os.environ.get("JOINTLOOP_RP2040", "")
TICKS = 300
"""As many as go through the emulated serial port in a few seconds: self-test and the beginning of a move."""

pytestmark = pytest.mark.skipif(
    not EQUIPMENT or shutil.which("node") is None,
    reason="JOINTLOOP_RP2040 and Node are needed to emulate an RP2040",
)


@pytest.fixture
def chip():
    """The emulated board at its prompt."""
    spec = importlib.util.spec_from_file_location("rp2emu", Path(EQUIPMENT) / "rp2emu.py")
    client = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(client)
    made = client.Emu()
    made.boot()
    made.raw()
    yield made
    made.close()


def shortened(data, ticks):
    """The first ticks of a trace."""
    sizes = struct.unpack_from("<5I", data, 4)
    at = 24 + sum(sizes)
    for _ in range(ticks):
        at += 1 + (sizes[2] if data[at] else 0) + sizes[3] + 8
    return struct.pack("<I", ticks) + data[4:at]


def test_the_image_runs_on_stock_firmware_with_the_same_bits(chip, made, monkeypatch):
    joint = made(KINDS["bridge"])
    data = shortened(trace(joint, lively(joint), monkeypatch), TICKS)
    code = (emulated.here / "on_chip.py").read_text(encoding="utf-8")
    code = code.replace("ticks_cpu, ticks_diff", "ticks_us as ticks_cpu, ticks_diff")
    for name, octets in (
        ("image.bin", image.kept(image.CHIPS[0])),
        ("on_chip.py", code.encode()),
        ("0.trace", data),
    ):
        chip.put(octets, name)
    lines = chip.exec("import on_chip; on_chip.main('/')").split("\n")
    (row,) = [line.split() for line in lines if line.startswith("trace ")]
    assert row[1:5] == ["0.trace", str(TICKS), "0", "-1"]
    mean_us = int(row[5])
    assert 50 < mean_us < 1000, "of the chip's own clock: a fraction of a tick of 1 kHz"
