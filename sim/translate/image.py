"""The tick as machine code for a chip: one position-independent piece, entered at its first octet.

``entry(what, at)``, what by ``controller/node/cells.py``: tick runs one on the five records whose addresses stand
in ``at`` and returns the output's 32 bits; judge gives the number of the first setting that is wrong, or 0; all
others take the address of a board's memory (``realtime.h``). Behind the code stand the octets of memory
of a board and of a joint, and the digest of what it was made of. One pinned compiler of the package index makes all images, so that they can be made again octet by octet.
"""

import hashlib
import importlib.metadata
import importlib.util
import os
import struct
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import controller.board
from sim.errors import InputError
from sim.translate import library, runner

COMPILER = "0.15.2"
"""Version of the package ziglang that the images are made with."""
FOLDER = Path(controller.board.__file__).parent / "images"
FLAGS = ("-std=c99", "-Os", "-ffreestanding", "-ffp-contract=off", "-fno-math-errno", "-fropi",
         "-fno-strict-aliasing",
         "-mllvm", "-inlinehint-threshold=0", "-mllvm", "-inline-threshold=0", "-ffunction-sections", "-fno-ident", "-Wno-parentheses-equality", "-nostdlib",
         "-Wl,--gc-sections,--entry=entry,--build-id=none")  # fmt: skip
SCRIPT = """
SECTIONS {
    . = 0;
    .text : { KEEP(*(.entry)) *(.text*) *(.rodata*) }
    .never : { *(.data*) *(.bss*) }
    ASSERT((entry & ~1) == 0, "it is entered at its first octet")
    ASSERT(SIZEOF(.never) == 0, "the tick has no globals that change")
    /DISCARD/ : { *(.ARM.exidx*) *(.ARM.extab*) *(.ARM.attributes) *(.comment) *(.debug*) }
}
"""
ENTRY = """
__attribute__((section(".entry"), used)) uint32_t entry(uint32_t what, uint32_t *at) {
    if (what == CALL_TICK) {
        union { float f; uint32_t u; } out;
        out.f = tick_joint_tick((Settings *)at[0], (State *)at[1], (Command *)at[2], (Readings *)at[3],
                                (Report *)at[4]);
        return out.u;
    }
    if (what == CALL_JUDGE) return (uint32_t)contradictions_contradiction((Settings *)at[0]);
    return (uint32_t)called(what, (Node *)at);
}
"""


@dataclass(frozen=True)
class Chip:
    """A class of microcontroller that an image is for."""

    name: str
    target: str
    flags: tuple[str, ...]


CHIPS = (
    Chip("rp2040", "thumb-freestanding-eabi", ("-mcpu=cortex_m0plus", "-DSOFT_FLOAT")),
    Chip(
        "rp2350",
        "thumb-freestanding-eabihf",
        ("-mcpu=cortex_m33+fp_armv8d16sp-soft_float", "-mfloat-abi=hard"),
    ),
)
"""RP2040 (Cortex-M0+, no floating point) and RP2350 with its Arm cores (Cortex-M33, single precision)."""


@cache
def memory() -> tuple[int, int]:
    """Octets of memory that a board takes, and each of its joints: cells of four octets on every machine."""
    one = runner.native_joints(1, 1000, [0])
    return 4 * one.slots_at, 4 * one.slot_cells


def digest() -> int:
    """Digest (32 bits) of the translated C: what an image was made of."""
    found = hashlib.sha256(library.text().encode()).digest()
    return int.from_bytes(found[:4], "little")


def compiler() -> list[str]:
    """The pinned compiler's command. Raises InputError where it is not there, or another version."""
    if importlib.util.find_spec("ziglang") is None:
        raise InputError("", "ziglang", None, f"is not installed: pip install ziglang=={COMPILER}")
    found = importlib.metadata.version("ziglang")
    if found != COMPILER:
        raise InputError(
            "", "ziglang", found, f"must be {COMPILER}: other versions give other octets"
        )
    return [sys.executable, "-m", "ziglang"]


def build(chip: Chip) -> bytes:
    """Make a chip's image. Raises InputError."""
    command = compiler()
    with tempfile.TemporaryDirectory() as name:
        place = Path(name)
        source = place / "tick.c"
        source.write_text(library.text() + ENTRY, encoding="utf-8")
        (place / "image.ld").write_text(SCRIPT, encoding="utf-8")
        steps = (
            [*command, "cc", "-target", chip.target, *chip.flags, *FLAGS, "-T", "image.ld",
             "-o", "tick.elf", "tick.c"],
            [*command, "objcopy", "-O", "binary", "tick.elf", "tick.bin"],
        )  # fmt: skip
        for words in steps:
            done = subprocess.run(
                words, cwd=place, capture_output=True, text=True, check=False, env=_places()
            )
            if done.returncode != 0:
                raise InputError(
                    "", chip.name, None, f"its image cannot be made: {done.stderr[-600:]}"
                )
        code = (place / "tick.bin").read_bytes()
    return code + bytes(-len(code) % 4) + struct.pack("<III", *memory(), digest())


def _places() -> dict[str, str]:
    """The environment, with a place for what the compiler keeps."""
    kept = str(library.cache_folder() / "zig")
    return {"ZIG_GLOBAL_CACHE_DIR": kept, "ZIG_LOCAL_CACHE_DIR": kept, **os.environ}


def kept(chip: Chip) -> bytes:
    """The image that lies in the package. Raises InputError where there is none, or one of other sources."""
    path = FOLDER / f"{chip.name}.bin"
    if not path.exists():
        raise InputError(str(path), "", None, "is missing; jointloop deploy --build makes it")
    data = path.read_bytes()
    if data[-4:] != digest().to_bytes(4, "little"):
        raise InputError(
            str(path),
            "",
            None,
            "was made of other sources; jointloop deploy --build makes it anew",
        )
    return data


def make_all() -> list[str]:
    """Make all images anew; return a line for each. Raises InputError."""
    FOLDER.mkdir(exist_ok=True)
    lines = []
    for chip in CHIPS:
        data = build(chip)
        (FOLDER / f"{chip.name}.bin").write_bytes(data)
        lines.append(f"{chip.name}: {len(data)} octets, of sources {digest():08x}")
    return lines


if __name__ == "__main__":
    print("\n".join(make_all()))
