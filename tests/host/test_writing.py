"""Folders and disks that take nothing: one line and exit code 2; a terminal that lacks a letter."""

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
DEMO = ROOT / "host" / "demo" / "joint.toml"
needs_full = pytest.mark.skipif(not Path("/dev/full").exists(), reason="no /dev/full here")


@pytest.fixture
def finger(tmp_path):
    path = tmp_path / "finger.toml"
    path.write_text(DEMO.read_text(encoding="utf-8"), encoding="utf-8")
    return path


@pytest.fixture
def below_a_file(tmp_path):
    """A folder that cannot be made, whoever asks: a file stands in its place."""
    (tmp_path / "file").write_text("", encoding="utf-8")
    return tmp_path / "file" / "runs"


def refused(done):
    """One line that says what cannot be written; no traceback."""
    assert done.returncode == 2, done.stderr
    assert "Traceback" not in done.stderr
    assert len(done.stderr.strip().splitlines()[-1]) > 10
    return done.stderr.strip().splitlines()[-1]


@pytest.mark.parametrize(
    "command",
    [("size",), ("simulate",), ("tune", "--effort", "small"), ("challenge", "--scenarios", "5")],
)
def test_a_folder_that_cannot_be_made_is_named_before_the_work(
    inside, finger, below_a_file, command
):
    said = refused(inside(command[0], finger, *command[1:], "--out", below_a_file))
    assert "file" in said


def test_new_cannot_write_below_a_file(inside, below_a_file):
    assert "file" in refused(inside("new", below_a_file / "joint.toml"))


@needs_full
@pytest.mark.parametrize("option", ["--trace"])
def test_a_full_disk_is_said(inside, finger, option):
    said = refused(inside("simulate", finger, option, "/dev/full"))
    assert "No space left" in said


@needs_full
def test_new_on_a_full_disk(inside):
    refused(inside("new", "/dev/full"))


def test_a_figure_that_cannot_be_drawn_does_not_take_the_gains_along(inside, finger, tmp_path):
    """Minutes of search are written and told before the figures."""
    out = tmp_path / "out"
    out.mkdir()
    for name in ("steps", "quality", "margins"):  # a folder stands where the figure is to be
        (out / f"index-middle-hinge-workshop-hand-tune-{name}.png").mkdir()
    before = finger.read_text(encoding="utf-8")
    done = inside("tune", finger, "--effort", "small", "--write", "--out", out)
    refused(done)
    assert "[gains]" in finger.read_text(encoding="utf-8")
    assert finger.read_text(encoding="utf-8") != before
    assert "Gains: kp" in done.stdout


def test_a_terminal_without_the_letter_of_a_name(finger, tmp_path):
    text = re.sub(r'(?m)^name = "[^"]*"', 'name = "Daumen, größer"', finger.read_text(encoding="utf-8"),
                  count=1)  # fmt: skip
    finger.write_text(text, encoding="utf-8")
    plain = {**os.environ, "LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0"}
    plain.pop("PYTHONIOENCODING", None)
    for command in ("size", "simulate"):
        done = subprocess.run(
            [sys.executable, "-m", "host.cli", command, str(finger), "--out", str(tmp_path / "out")],
            capture_output=True, cwd=ROOT, env={**plain, "PYTHONPATH": str(ROOT)}, check=False,
        )  # fmt: skip
        assert done.returncode == 0, done.stderr
        assert b"Daumen, gr" in done.stdout or command == "simulate"


@needs_full
def test_a_table_on_a_full_disk_is_a_plain_error(finger):
    """What `calibrate` and `identify --into` do in the end."""
    from host.files import write_whole
    from sim.errors import InputError

    with pytest.raises(InputError, match="No space left"):
        write_whole(Path("/dev/full"), "text")


def test_a_table_into_a_place_that_takes_no_file(finger, monkeypatch):
    """The temporary file cannot be made: the joint file stays as it is."""
    from host import files
    from sim.errors import InputError

    before = finger.read_bytes()

    def refuse(*_args, **_more):
        raise OSError(30, "Read-only file system")

    monkeypatch.setattr(files.Path, "write_text", refuse)
    with pytest.raises(InputError, match="Read-only file system"):
        files.put_table(finger, "calibration", {"zero": "1 count"}, before.decode())
    assert finger.read_bytes() == before
