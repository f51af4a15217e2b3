"""Chips emulated by QEMU, counted in instructions: a busy computer changes nothing. Not a test.

``JOINTLOOP_FIRMWARE`` names a folder with MicroPython built for QEMU's Arm boards (``qemu/*.elf``), single
precision, one file for each class of chip; ``qemu-system-arm`` is Debian's package of that name.
"""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

FIRMWARE = os.environ.get("JOINTLOOP_FIRMWARE", "")
MACHINES = {
    "rp2040": ("m0plus-192k.elf", "mps2-an385", 0x21000000, 40.0),
    "rp2350": ("m33-192k.elf", "mps3-an547", 0x62000000, 31.25),
}
"""Firmware, QEMU's machine, where it looks for its files, instructions of a count of its clock."""
END_S = 1800
here = Path(__file__).parent

needed = pytest.mark.skipif(
    not FIRMWARE or shutil.which("qemu-system-arm") is None,
    reason="JOINTLOOP_FIRMWARE and Debian's qemu-system-arm are needed to emulate chips",
)


def packed(folder, target, compiled=False):
    """The files of a folder as the image of a read-only file system; compiled: Python as bytecode."""
    command = [
        sys.executable,
        "-m",
        "mpremote",
        "romfs",
        "--no-mpy",
        "-o",
        str(target),
        "build",
        str(folder),
    ]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    return target


def run(chip, files, code):
    """Run code on a chip; the lines that it prints up to "done"."""
    elf, machine, at, _ = MACHINES[chip]
    boot = ("import sys, vfs, machine; vfs.mount(vfs.VfsRom(vfs.rom_ioctl(2, 0)), '/flash'); "
            f"sys.path = ['/flash']; {code}; machine.reset()\r\n")  # fmt: skip
    command = ["qemu-system-arm", "-machine", machine, "-nographic", "-monitor", "null", "-semihosting",
               "-icount", "shift=0", "-device", f"loader,file={files},addr={at:#x},force-raw=on",
               "-serial", "stdio", "-kernel", str(Path(FIRMWARE) / "qemu" / elf)]  # fmt: skip
    process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
                               text=True, errors="replace")  # fmt: skip
    lines = []
    try:
        process.stdin.write(boot)
        process.stdin.flush()
        for line in process.stdout:
            lines.append(line.strip())
            if lines[-1] == "done" or "Error" in line or "HardFault" in line:
                break
    finally:
        process.kill()
        process.wait(END_S)
    assert lines, "the emulator said nothing"
    assert lines[-1] == "done", "\n".join(lines)
    return lines
