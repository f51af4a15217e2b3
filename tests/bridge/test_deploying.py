"""Deploying, with a program that plays mpremote on a folder and a board that plays itself."""

import json
import os
import socket
import stat
import subprocess
import sys
import threading
import types
from pathlib import Path

import pytest

from controller.joint.settings.settings import Settings
from controller.wire import framing, table
from controller.wire import messages as m
from host.commands import deploy as command
from host.errors import RefusedError
from host.link import deployment
from host.link.board_sources import Sources
from host.link.control_code import board_files, build_number, controller_files
from host.link.deployment import Copier, stage_files
from host.link.wiring import read_wiring
from sim.errors import InputError
from sim.translate import image

WIRING = {
    "tick_us": 2000,
    "joints": [
        {
            "name": "index",
            "wiper": 26,
            "out": [2, 3],
            "oversampling": 4,
            "rest_V": 4.0,
            "emf_V_s": 0.5,
        }
    ],
    "supply": {"pin": 28, "full_V": 6.6},
}

PROBED = '[[1, 28, 0], "a board with RP2040", true, true, 200000]'
RP2040 = image.CHIPS[0]
PLAYER = """\
import json, os, shutil, sys
from pathlib import Path

board, log, fail = Path({board!r}), Path({log!r}), {fail!r}
arguments = sys.argv[1:]
assert arguments[0] == "connect"
port, arguments = arguments[1], arguments[2:]
with log.open("a") as file:
    file.write(json.dumps([port, *arguments]) + "\\n")
text = " ".join(arguments)
if fail and fail in text:
    sys.stderr.write("some context\\nTransportError: " + {said!r} + "\\n")
    sys.exit(1)
if arguments[0] == "exec":
    print({probe!r})
elif arguments[:2] == ["fs", "mkdir"]:
    target = board / arguments[2].lstrip(":")
    if target.exists():
        sys.stderr.write("mkdir: " + arguments[2] + ": File exists.\\n")
        sys.exit(1)
    target.mkdir()
elif arguments[:2] == ["fs", "cp"]:
    shutil.copyfile(arguments[2], board / arguments[3].lstrip(":"))
elif arguments[:2] == ["fs", "rm"]:
    for name in arguments[2:]:
        if not name.startswith("-"):
            target = board / name.lstrip(":")
            shutil.rmtree(target) if target.is_dir() else target.unlink()
elif arguments == ["reset"]:
    (board / "was_reset").write_text("yes")
"""


class Board:
    """A node's side of the link over TCP: says who it is, leaves when asked to."""

    def __init__(self, build, joints=1, flags=0):
        self.server = socket.create_server(("127.0.0.1", 0))
        self.url = f"tcp://127.0.0.1:{self.server.getsockname()[1]}"
        self.build, self.joints, self.flags = build, joints, flags
        self.silent = self.silent_after_leave = False
        self.heard = []
        threading.Thread(target=self._serve, daemon=True).start()

    def _serve(self):
        while True:
            try:
                host, _ = self.server.accept()
            except OSError:
                return
            threading.Thread(target=self._talk, args=(host,), daemon=True).start()

    def _talk(self, host):
        reader = framing.Reader()
        while True:
            try:
                data = host.recv(4096)
                for payload in reader.feed(data):
                    self.heard.append(payload[0])
                    if self.silent:
                        continue
                    self.silent = self.silent_after_leave and payload[0] == m.LEAVE
                    if payload[0] == m.HELLO:
                        reply = m.build(m.IDENTITY, 1, m.VERSION, 1, self.flags, self.joints, 2000,
                                        self.build, 0, 5, 700, 900, 12)  # fmt: skip
                    else:
                        reply = m.build(m.ANSWER, 1, payload[0], payload[1], m.DONE, 0)
                    host.sendall(framing.encode(reply))
            except OSError:
                return
            if not data:
                host.close()
                return


class Bench:
    """Folder, program and board of one test."""

    def __init__(self, folder, monkeypatch):
        self.folder = folder
        self.files = folder / "board"
        self.files.mkdir()
        self.log = folder / "log.jsonl"
        self.monkeypatch = monkeypatch
        self.board = Board(build_number())
        self.wiring = folder / "board.json"
        self.wiring.write_text(json.dumps(WIRING), encoding="utf-8")
        self.player()

    def player(self, fail="", said="could not enter raw repl", probe=PROBED):
        program = self.folder / "player.py"
        program.write_text(
            PLAYER.format(
                board=str(self.files), log=str(self.log), fail=fail, said=said, probe=probe
            ),
            encoding="utf-8",
        )
        self.monkeypatch.setenv("JOINTLOOP_MPREMOTE", f"{sys.executable} -S {program}")

    def calls(self):
        if not self.log.exists():
            return []
        return [json.loads(line) for line in self.log.read_text(encoding="utf-8").splitlines()]


@pytest.fixture
def few_files(monkeypatch):
    """Two files of the board's: each copy is a process."""
    top = Path(deployment.__file__).resolve().parents[2] / "controller"
    files = [top / "board" / "start.py", top / "board" / "stdio.py", top / "wire" / "framing.py"]
    assert set(files) < set(board_files())
    monkeypatch.setattr(deployment, "board_files", lambda: files)
    found = Sources(top, files).condensed()
    assert set(found) == {"node", "program", "start"}
    return found


@pytest.fixture
def bench(tmp_path, monkeypatch, few_files):
    monkeypatch.setattr(command.time, "sleep", lambda _seconds: None)
    made = Bench(tmp_path, monkeypatch)
    yield made
    made.board.server.close()


@pytest.fixture
def hasty(monkeypatch):
    """The eight seconds that a board has for its restart pass in a few looks."""
    looks = iter(range(0, 1000, 9))
    clock = types.SimpleNamespace(monotonic=lambda: float(next(looks)), sleep=lambda _s: None)
    monkeypatch.setattr(command, "time", clock)


def test_everything_is_copied_then_restarted_then_asked(bench, inside, few_files):
    done = inside("deploy", bench.board.url, "--json")
    found = done.json
    assert found["build"] == build_number()
    assert "fits" in found["identity"]
    for name, text in few_files.items():
        assert (bench.files / "controller" / f"{name}.py").read_text(encoding="utf-8") == text
    assert json.loads((bench.files / "board.json").read_text(encoding="utf-8")) == WIRING
    code = (bench.files / "rp2040.bin").read_bytes()
    assert code == image.kept(RP2040)
    build = json.loads((bench.files / "build.json").read_text(encoding="utf-8"))
    assert build == {"build": build_number(), "image": int.from_bytes(code[-4:], "little")}
    assert "controller.start" in (bench.files / "main.py").read_text(encoding="utf-8")
    calls = bench.calls()
    assert {call[0] for call in calls} == {bench.board.url}
    assert calls[-1][1:] == ["reset"]
    copied = [call[-1] for call in calls if call[1:3] == ["fs", "cp"]]
    assert copied[-2:] == [":main.py", ":build.json"], "without the last it was half written"
    removed = [call[-1] for call in calls if call[1:3] == ["fs", "rm"]]
    assert removed[0] == ":build.json"


def test_a_running_node_is_asked_to_leave_before_anything_is_copied(bench, inside):
    inside("deploy", bench.board.url)
    assert bench.board.heard[:2] == [m.HELLO, m.LEAVE]
    leave = bench.board.heard.index(m.LEAVE)
    assert m.ARM not in bench.board.heard
    assert leave == 1


def test_folders_that_exist_are_no_error(bench, inside):
    inside("deploy", bench.board.url)
    again = inside("deploy", bench.board.url)
    assert again.returncode == 0, again.stderr


def test_recovery_is_told_after_a_deployment(bench, inside):
    done = inside("deploy", bench.board.url)
    for words in ("unplug the motor supply", "Ctrl-C", "stay pin", "boot button"):
        assert words in " ".join(done.stdout.split())


def test_recovery_is_told_when_the_board_does_not_come_back(bench, inside, hasty):
    """That is when somebody needs it."""
    bench.board.silent_after_leave = True
    done = inside("deploy", bench.board.url)
    assert done.returncode == 2
    assert "does not answer after the restart" in done.stderr
    told = " ".join((done.stdout + done.stderr).split())
    assert "unplug the motor supply" in told
    assert "boot button" in told


def test_a_board_that_does_not_come_back_is_told(bench, inside, hasty):
    bench.board.silent_after_leave = True
    done = inside("deploy", bench.board.url)
    assert done.returncode == 2
    assert done.stderr.splitlines()[-1].startswith("jointloop: --port:")
    assert "Traceback" not in done.stderr


def test_a_board_that_runs_other_code_is_told_with_both_numbers(bench, inside):
    bench.board.build = 0x1234ABCD
    done = inside("deploy", bench.board.url)
    assert done.returncode == 2
    assert "1234abcd" in done.stderr
    assert f"{build_number():08x}" in done.stderr
    assert "deploy again" in done.stderr


def test_a_refusal_names_the_rate_that_would_fit():
    told = str(RefusedError(m.ARM, m.TOO_SLOW, 1900))
    assert "(1900)" in told
    assert "500 Hz would fit" in told


def test_a_tick_that_does_not_fit_is_told(bench, inside):
    bench.board.flags = m.NO_FIT
    done = inside("deploy", bench.board.url)
    assert "does NOT fit" in done.stdout


def test_a_failing_mpremote_is_told_in_its_words_and_nothing_more_is_copied(bench, inside):
    bench.player(fail="start.py")
    done = inside("deploy", bench.board.url)
    assert done.returncode == 2
    assert "could not enter raw repl" in done.stderr
    assert "Traceback" not in done.stderr
    assert not (bench.files / "was_reset").exists()
    assert not (bench.files / "main.py").exists()
    assert "start.py" in " ".join(bench.calls()[-1])


@pytest.mark.parametrize(
    ("probe", "words"),
    [
        (
            '[[1, 25, 0], "a board with RP2350", true, true, 200000]',
            "runs MicroPython 1.25.0; 1.26 or newer is needed",
        ),
        (
            '[[1, 28, 0], "another board with ESP32", true, true, 200000]',
            "boards with RP2040 or RP2350",
        ),
        (
            '[[1, 28, 0], "a board with RP2350", false, true, 200000]',
            "computes in double precision",
        ),
        ('[[1, 28, 0], "a board with RP2350", true, false, 200000]', "has no inline assembler"),
        (
            '[[1, 28, 0], "a board with RP2350", true, true, 90000]',
            "has 90000 octets of memory free",
        ),
        ("hello", "is it MicroPython?"),
        ("", "is it MicroPython?"),
        ("[1]", "is it MicroPython?"),
    ],
)
def test_firmware_that_cannot_run_it_is_refused_before_anything_is_copied(
    bench, inside, probe, words
):
    bench.player(probe=probe)
    done = inside("deploy", bench.board.url)
    assert done.returncode == 2
    assert words in " ".join(done.stderr.split())
    assert [call[1] for call in bench.calls()] == ["exec"]


def test_a_rate_that_the_chip_cannot_make_is_refused_before_anything_is_copied(bench, inside):
    bench.wiring.write_text(json.dumps({**WIRING, "tick_us": 250}), encoding="utf-8")
    done = inside("deploy", bench.board.url)
    assert done.returncode == 2
    assert "is too short for 1 joint(s) on this chip (RP2040): at least " in done.stderr
    assert [call[1] for call in bench.calls()] == ["exec"]


def test_machine_code_of_other_sources_is_refused_before_anything_is_copied(
    bench, inside, monkeypatch, tmp_path
):
    folder = tmp_path / "images"
    folder.mkdir()
    data = image.kept(RP2040)
    (folder / "rp2040.bin").write_bytes(data[:-1] + bytes((data[-1] ^ 1,)))
    monkeypatch.setattr(image, "FOLDER", folder)
    done = inside("deploy", bench.board.url)
    assert done.returncode == 2
    assert "jointloop deploy --build" in done.stderr
    assert [call[1] for call in bench.calls()] == ["exec"]
    again = inside("deploy", bench.board.url, "--build")
    assert again.returncode == 0, again.stderr
    assert (bench.files / "rp2040.bin").read_bytes() == data


def test_a_board_that_says_it_was_half_written_is_told(bench, inside):
    bench.board.flags = m.HALF
    done = inside("deploy", bench.board.url)
    assert done.returncode == 2
    assert "half written; deploy again" in done.stderr


def test_hard_limits_go_as_cells_of_the_settings(tmp_path):
    path = tmp_path / "board.json"
    rows = [["limits.current_A", 0.0, 0.25], ["watch.over_travel_ticks", 1, 9.5]]
    path.write_text(json.dumps({**WIRING, "hard_limits": rows}), encoding="utf-8")
    data = deployment.on_board(read_wiring(path))
    assert "hard_limits" not in data
    cell = [table.cell_of(Settings, name) for name, _, _ in rows]
    assert data["hard_cells"] == [[cell[0], 0, 0.0, 0.25], [cell[1], 1, 1, 9]]


def test_a_full_board_is_told(bench, inside):
    bench.player(fail="board.json", said="OSError: [Errno 28] ENOSPC")
    done = inside("deploy", bench.board.url)
    assert done.returncode == 2
    assert "ENOSPC" in done.stderr


def test_a_missing_mpremote_is_told_with_how_to_get_it(bench, inside, monkeypatch):
    monkeypatch.setenv("JOINTLOOP_MPREMOTE", str(bench.folder / "no-such-program"))
    done = inside("deploy", bench.board.url)
    assert done.returncode == 2
    assert "mpremote" in done.stderr
    assert "pip install 'jointloop[board]'" in done.stderr


def test_a_python_without_mpremote_is_told_the_same(bench, inside, monkeypatch):
    monkeypatch.setenv("JOINTLOOP_MPREMOTE", f"{sys.executable} -S -E -m mpremote")
    done = inside("deploy", bench.board.url)
    assert done.returncode == 2
    assert "pip install 'jointloop[board]'" in done.stderr


def test_a_program_that_may_not_be_run_is_told(bench, inside, monkeypatch):
    program = bench.folder / "not-a-program"
    program.write_text("text", encoding="utf-8")
    program.chmod(stat.S_IRUSR)
    monkeypatch.setenv("JOINTLOOP_MPREMOTE", str(program))
    done = inside("deploy", bench.board.url)
    assert done.returncode == 2
    assert "mpremote" in done.stderr


def test_an_mpremote_that_hangs_is_given_up(tmp_path):
    program = tmp_path / "hang.py"
    program.write_text("import threading; threading.Event().wait()", encoding="utf-8")
    copier = Copier("/dev/port", [sys.executable, "-S", str(program)])
    with pytest.raises(InputError, match="does not answer mpremote; see the recovery steps"):
        copier.run("reset", wait_s=0.5)


def test_a_missing_port_is_told_before_anything_is_copied(bench, inside):
    done = inside("deploy", "/dev/no-such-port")
    assert done.returncode == 2
    assert "cannot be opened" in done.stderr
    assert bench.calls() == []


def test_compiled_files_are_not_hidden_by_the_sources_of_an_earlier_deployment(
    bench, few_files, monkeypatch
):
    """MicroPython looks for ``x.py`` before ``x.mpy``: old sources must go, or old code runs
    under the new build number (MicroPython, py/builtinimport.c, stat_file_py_or_mpy)."""
    compiler = bench.folder / "compiler"
    compiler.write_text(
        f"#!{sys.executable} -S\nimport sys\n"
        "open(sys.argv[sys.argv.index('-o') + 1], 'w').write('compiled ' + sys.argv[-1])\n",
        encoding="utf-8",
    )
    compiler.chmod(0o755)
    monkeypatch.setattr(deployment, "_mpy_cross", lambda: str(compiler))
    wiring = read_wiring(bench.wiring)
    player = os.environ["JOINTLOOP_MPREMOTE"].split()
    deployment.deploy("port", wiring, False, lambda *_: None, player)
    (bench.files / "controller" / "start.py").write_text("old = 1\n", encoding="utf-8")
    deployment.deploy("port", wiring, True, lambda *_: None, player)
    compiled = bench.files / "controller" / "start.mpy"
    assert compiled.read_text(encoding="utf-8").startswith("comp")
    left = sorted(path.name for path in (bench.files / "controller").rglob("*.py"))
    assert left == []


# --- staging


def test_the_build_number_follows_every_source(monkeypatch, tmp_path):
    from host.link import control_code

    top = Path(control_code.controller.__file__).parent
    names = [path.relative_to(top).as_posix() for path in controller_files()]
    assert "board/start.py" in names
    assert "wire/framing.py" in names
    number = build_number()
    assert 0 <= number < 2**32
    copy = tmp_path / "controller"
    for name in names:
        (copy / name).parent.mkdir(parents=True, exist_ok=True)
        (copy / name).write_bytes((top / name).read_bytes())
    monkeypatch.setattr(control_code.controller, "__file__", str(copy / "__init__.py"))
    assert build_number() == number
    (copy / "joint" / "pid.py").write_bytes((copy / "joint" / "pid.py").read_bytes() + b"\n")
    changed = build_number()
    assert changed != number
    (copy / "joint" / "pid.py").rename(copy / "joint" / "pid2.py")
    assert build_number() not in (number, changed)


def test_staging_lays_out_every_file_once(tmp_path):
    path = tmp_path / "board.json"
    path.write_text(json.dumps(WIRING), encoding="utf-8")
    folder = tmp_path / "stage"
    folder.mkdir()
    names = stage_files(read_wiring(path), folder, False, RP2040)
    files = ["half_written", "machine_code", "node", "program", "start", "wiring_cells"]
    assert sorted(names[:-4]) == [f"controller/{name}.py" for name in files]
    assert names[-4:] == ["rp2040.bin", "board.json", "main.py", "build.json"]
    assert len(board_files()) < len(controller_files())
    assert sorted(p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file()) == (
        sorted(names)
    )
    compile((folder / "main.py").read_text(encoding="utf-8"), "main.py", "exec")


# --- wiring


def changed(**changes):
    return json.dumps({**WIRING, **changes})


def joint(**changes):
    return {**WIRING["joints"][0], **changes}


BAD_WIRING = {
    "no json": ("{", "is no JSON"),
    "not utf-8": (b"\xff\xfe{}", "is no JSON"),
    "a list": ("[]", "must be a table"),
    "no tick": (json.dumps({"joints": WIRING["joints"]}), "tick_us"),
    "tick as text": (changed(tick_us="2000"), "tick_us"),
    "tick with a fraction": (changed(tick_us=2000.5), "tick_us"),
    "tick too short": (changed(tick_us=199), "tick_us"),
    "no joints": (changed(joints=[]), "joints"),
    "nine joints": (changed(joints=WIRING["joints"] * 9), "joints"),
    "joint is a number": (changed(joints=[5]), "joints.0"),
    "unknown key": (changed(joints=[joint(sensor=3)]), "joints.0.sensor"),
    "wiper is no converter": (changed(joints=[joint(wiper=5)]), "joints.0.wiper"),
    "wiper missing": (changed(joints=[{"out": [2, 3]}]), "joints.0.wiper"),
    "wiper as text": (changed(joints=[joint(wiper="26")]), "joints.0.wiper"),
    "pin twice": (changed(joints=[joint(out=[2, 2])]), "used by joints.0.out.0"),
    "pin of another joint": (changed(joints=[joint(), joint(out=[4, 5])]), "used by joints.0.wiper"),
    "supply on a wiper": (changed(supply={"pin": 26, "full_V": 6.6}), "supply.pin"),
    "supply without volts": (changed(supply={"pin": 28}), "supply"),
    "no outputs": (changed(joints=[{"wiper": 26}]), "joints.0.out"),
    "first output none": (changed(joints=[joint(out=[None, 3])]), "joints.0.out.0"),
    "unknown key at the top": (changed(tick_uss=2000), "tick_uss"),
    "stay pin drives a motor": (changed(stay_pin=2), "used by joints.0.out.0"),
    "hard limit of no setting": (changed(hard_limits=[["limits.curent_A", 0, 1]]), "hard_limits.0"),
    "hard limit without bounds": (changed(hard_limits=[["limits.current_A"]]), "hard_limits.0"),
    "hard limit upside down": (changed(hard_limits=[["limits.current_A", 1, 0]]), "hard_limits.0"),
    "nominal of no volts": (changed(nominal_V=0), "nominal_V"),
    "pin too high": (changed(joints=[joint(out=[2, 99])]), "joints.0.out.1"),
}  # fmt: skip


@pytest.mark.parametrize("case", BAD_WIRING)
def test_bad_wiring_is_refused_by_its_key(case, tmp_path):
    text, words = BAD_WIRING[case]
    path = tmp_path / "board.json"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    with pytest.raises(InputError) as caught:
        read_wiring(path)
    assert words in str(caught.value)
    assert str(path) in str(caught.value)


UNCHECKED = {
    "oversampling of none": changed(joints=[joint(oversampling=0)]),
    "oversampling as text": changed(joints=[joint(oversampling="4")]),
    "supply of no volts": changed(supply={"pin": 28, "full_V": 0}),
    "supply of nan volts": changed(supply={"pin": 28, "full_V": float("nan")}),
}  # fmt: skip


@pytest.mark.parametrize("case", UNCHECKED)
def test_wiring_that_would_stop_the_board_s_program_is_refused(case, tmp_path):
    """These end in an error at boot, or when settings arrive: far from the file that is wrong."""
    path = tmp_path / "board.json"
    path.write_text(UNCHECKED[case], encoding="utf-8")
    with pytest.raises(InputError):
        read_wiring(path)


@pytest.mark.parametrize("name", ["missing.json", "folder"])
def test_wiring_that_is_not_there_is_told_before_the_port_is_touched(name, bench, inside):
    (bench.folder / "folder").mkdir()
    done = inside("deploy", bench.board.url, "--board", name)
    assert done.returncode == 2
    assert name in done.stderr
    assert bench.board.heard == []
    assert bench.calls() == []


def test_the_example_of_the_documentation_is_good_wiring(tmp_path):
    text = (Path(deployment.__file__).resolve().parents[2] / "controller" / "README.md").read_text(
        encoding="utf-8"
    )
    blocks = [part.split("```")[0] for part in text.split("```json\n")[1:]]
    assert blocks, "controller/README.md shows a board.json"
    path = tmp_path / "board.json"
    path.write_text(blocks[0], encoding="utf-8")
    assert read_wiring(path).data["joints"]


def test_the_real_mpremote_has_the_verbs_that_are_used():
    """``fs mkdir``, ``fs cp`` and ``reset`` are of mpremote's own command line."""
    pytest.importorskip("mpremote")
    done = subprocess.run([sys.executable, "-m", "mpremote", "--help"], capture_output=True, text=True,
                          check=False)  # fmt: skip
    for verb in ("connect", "fs", "reset"):
        assert verb in done.stdout
