"""Interrupted and killed commands: they end at once, with their own exit code, and leave nothing."""

import json
import os
import re
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from tests.waiting import until

ROOT = Path(__file__).resolve().parents[2]
DEMO = ROOT / "host" / "demo" / "joint.toml"
END_S = 120.0

POOL = """
import os, sys, threading
from pathlib import Path
from sim.run.executors import open_executor

def work(folder):
    Path(folder, str(os.getpid())).touch()
    threading.Event().wait()  # until it is killed

if __name__ == "__main__":
    with open_executor(workers=2) as runner:
        list(runner.map(work, [sys.argv[1]] * 2))
"""


def gone(pid):
    """Whether a process has ended (a zombie has)."""
    try:
        os.kill(pid, 0)
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] == "Z"
    except (ProcessLookupError, FileNotFoundError):
        return True


def group_is_empty(group):
    """Whether no process of a group is left alive."""
    found = subprocess.run(["ps", "-eo", "pgid=,stat="], capture_output=True, text=True, check=True)
    rows = [line.split() for line in found.stdout.splitlines()]
    return not any(int(pgid) == group and "Z" not in state for pgid, state in rows)


needs_proc = pytest.mark.skipif(not Path("/proc").is_dir(), reason="looks processes up in /proc")


@needs_proc
@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGKILL])
def test_workers_do_not_outlive_their_parent(tmp_path, how):
    script = tmp_path / "pool.py"
    script.write_text(POOL, encoding="utf-8")
    folder = tmp_path / "at_work"
    folder.mkdir()
    parent = subprocess.Popen([sys.executable, str(script), str(folder)], stderr=subprocess.PIPE,
                              env={**os.environ, "PYTHONPATH": str(ROOT)})  # fmt: skip
    assert until(lambda: len(list(folder.iterdir())) == 2), "two workers never began"
    workers = [int(one.name) for one in folder.iterdir()]
    assert not any(gone(pid) for pid in workers)
    parent.send_signal(how)
    parent.wait(END_S)
    assert until(lambda: all(gone(pid) for pid in workers))


SLOW_START = """
import os, pathlib, sys, time
folder = os.environ.get("SLOW_START")
if folder and "spawn_main" in " ".join(sys.orig_argv):
    pathlib.Path(folder, str(os.getpid())).touch()
    while not pathlib.Path(folder, "go_on").exists():
        time.sleep(0.02)
"""


@needs_proc
def test_a_worker_whose_interpreter_still_starts_minds_no_ctrl_c(tmp_path):
    """Held up in ``sitecustomize``, before any line of ours: it does not die there with a trace."""
    (tmp_path / "sitecustomize.py").write_text(SLOW_START, encoding="utf-8")
    script = tmp_path / "pool.py"
    script.write_text(POOL, encoding="utf-8")
    starting, folder = tmp_path / "starting", tmp_path / "at_work"
    starting.mkdir()
    folder.mkdir()
    parent = subprocess.Popen(
        [sys.executable, str(script), str(folder)], stderr=subprocess.PIPE, text=True,
        env={**os.environ, "PYTHONPATH": f"{tmp_path}{os.pathsep}{ROOT}", "SLOW_START": str(starting)},
    )  # fmt: skip
    assert until(lambda: len(list(starting.iterdir())) == 2), "two workers never began"
    workers = [int(one.name) for one in starting.iterdir()]
    for pid in workers:
        os.kill(pid, signal.SIGINT)
    (starting / "go_on").touch()
    assert until(lambda: len(list(folder.iterdir())) == 2), "a worker was ended by it"
    parent.send_signal(signal.SIGINT)
    _, told = parent.communicate(timeout=END_S)
    assert "Fatal" not in told
    assert until(lambda: all(gone(pid) for pid in workers))


@needs_proc
def test_ctrl_c_ends_a_tuning_of_several_joints(tmp_path):
    """To the whole process group, as a terminal sends it."""
    for name in ("one", "two"):
        text = DEMO.read_text(encoding="utf-8")
        (tmp_path / f"{name}.toml").write_text(
            re.sub(r'(?m)^name = "[^"]*"', f'name = "{name}"', text, count=1), encoding="utf-8"
        )
    process = subprocess.Popen(
        [sys.executable, "-m", "host.cli", "tune", str(tmp_path / "one.toml"), str(tmp_path / "two.toml"),
         "--out", str(tmp_path / "out"), "--workers", "2"],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=ROOT, start_new_session=True,
    )  # fmt: skip

    def at_work():
        found = subprocess.run(
            ["ps", "-wweo", "pgid=,args="], capture_output=True, text=True, check=True
        )
        rows = [line.split(None, 1) for line in found.stdout.splitlines()]
        return sum(int(row[0]) == process.pid and "spawn_main" in row[1] for row in rows) >= 2

    assert until(at_work), process.communicate(timeout=1.0)
    os.killpg(process.pid, signal.SIGINT)
    _, told = process.communicate(timeout=END_S)
    assert process.returncode == 130, told
    assert "Traceback" not in told
    assert until(lambda: group_is_empty(process.pid)), "workers were left"


def test_an_interrupted_recording_is_kept_and_ends_with_130(tmp_path):
    process = subprocess.Popen(
        [sys.executable, "-m", "host.cli", "record", str(DEMO), "--duration", "3600 s",
         "--folder", str(tmp_path / "run")],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=ROOT, start_new_session=True,
    )  # fmt: skip
    rows = tmp_path / "run" / "telemetry.csv"
    found = until(
        lambda: [one for one in (tmp_path / "run").glob("*") if one.stat().st_size > 20_000]
    )
    assert found, f"nothing was recorded: {list(tmp_path.glob('run/*'))}, {rows}"
    process.send_signal(signal.SIGINT)
    said, told = process.communicate(timeout=END_S)
    assert process.returncode == 130, told
    assert "Ended early: interrupted" in " ".join(said.split())


def test_a_second_host_of_a_tcp_board_is_told_that_it_is_busy(tmp_path):
    from host.errors import LinkLostError
    from host.link.transport import open_url

    board = subprocess.Popen(
        [sys.executable, "-m", "host.cli", "board", "--quiet", "--tcp", "0", str(DEMO)],
        stdout=subprocess.PIPE, stdin=subprocess.PIPE, text=True, cwd=ROOT,
    )  # fmt: skip
    try:
        url = json.loads(board.stdout.readline())["url"]
        record = [sys.executable, "-m", "host.cli", "record", str(DEMO), "--port", url,
                  "--duration", "3600 s", "--folder", str(tmp_path / "run")]  # fmt: skip
        first = subprocess.Popen(record, stdout=subprocess.DEVNULL, cwd=ROOT)
        try:
            assert until(lambda: [one for one in (tmp_path / "run").glob("*")
                                  if one.stat().st_size > 20_000])  # fmt: skip
            second = subprocess.run([*record[:-1], str(tmp_path / "other")], capture_output=True,
                                    text=True, cwd=ROOT, check=False, timeout=END_S)  # fmt: skip
            assert second.returncode == 2
            assert "busy: another host uses this board" in " ".join(second.stderr.split())
            assert first.poll() is None, "the first one was disturbed"
        finally:
            first.kill()
            first.wait()

        def free():
            link = open_url(url)
            try:
                link.read(0.05)
            except LinkLostError:
                return False
            finally:
                link.close()
            return True

        assert until(free), "a board whose host was killed takes the next one"
    finally:
        board.kill()
        board.wait()


def test_an_error_of_the_program_itself_has_its_own_code(monkeypatch, capsys):
    from host import cli, command_line

    def broken():
        raise ZeroDivisionError("of the test")

    monkeypatch.setattr(command_line, "app", broken)
    with pytest.raises(SystemExit) as stop:
        cli.main()
    assert stop.value.code == 70
    assert "ZeroDivisionError: of the test" in capsys.readouterr().err


def test_a_link_that_is_lost_is_no_error_of_the_program(monkeypatch, capsys):
    from host import cli
    from host.errors import LinkLostError, NoAnswerError

    for error in (LinkLostError("the other end closed"), NoAnswerError("nothing came")):
        monkeypatch.setattr("host.command_line.app", raising(error))
        with pytest.raises(SystemExit) as stop:
            cli.main()
        assert stop.value.code == 1
        said = capsys.readouterr().err
        assert said == f"jointloop: the link to a board was lost: {error}\n"


def raising(error):
    def work(*_args, **_more):
        raise error

    return work
