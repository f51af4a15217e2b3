"""The caution before a real motor is armed, and the yes it needs."""

import re
import types
from pathlib import Path

import pytest

from host.commands.shared import caution
from host.commands.shared.caution import ask
from host.commands.shared.terminal import Terminal
from host.recordings.recorder import Run
from sim.errors import InputError
from sim.run.closed_loop import load_joint
from sim.size.force import mode_forces

NOMINAL = Path(__file__).parents[1] / "data" / "nominal.toml"
JOINT = load_joint(NOMINAL)
REAL = types.SimpleNamespace(virtual=False, joints=[JOINT])
VIRTUAL = types.SimpleNamespace(virtual=True, joints=[JOINT])


def person(monkeypatch, answer):
    monkeypatch.setattr(caution.sys, "stdin", types.SimpleNamespace(isatty=lambda: True))
    monkeypatch.setattr("builtins.input", lambda _prompt: answer)


def test_a_virtual_board_needs_no_yes_and_says_that_nothing_real_moves(capsys):
    assert ask(Terminal(), VIRTUAL, False) is False
    out = capsys.readouterr().out
    assert "Virtual board" in out
    assert "nothing real moves" in out


@pytest.mark.parametrize("answer", ["yes", " YES ", "Yes"])
def test_a_person_s_yes_is_taken(answer, monkeypatch, capsys):
    person(monkeypatch, answer)
    assert ask(Terminal(), REAL, False) is False
    text = " ".join(capsys.readouterr().out.split())
    for words in ("pinch", "cut", "burn", "Ctrl-C", "Switching off does not let go",
                  "licensed practice", "your local codes"):  # fmt: skip
        assert words in text


@pytest.mark.parametrize("limit", ["0.5 N", "8 N"])
def test_what_the_self_test_may_press_with_is_said(limit, tmp_path, capsys):
    path = tmp_path / "joint.toml"
    text = re.sub(
        r"(?m)^tip_force = .*", f'tip_force = "{limit}"', NOMINAL.read_text(encoding="utf-8")
    )
    path.write_text(text, encoding="utf-8")
    joint = load_joint(path)
    may = mode_forces(joint)
    ask(Terminal(), types.SimpleNamespace(virtual=False, joints=[joint]), True)
    said = " ".join(capsys.readouterr().out.split())
    assert f"up to {may.self_test_N:.1f} N at the fingertip" in said
    assert f"up to {may.release_N:.1f} N, its cable with {may.release_cable_N:.0f} N" in said
    assert ("above its limit of 0.5 N" in said) == (limit == "0.5 N")


@pytest.mark.parametrize("answer", ["", "y", "no", "yes please", "ja"])
def test_anything_else_is_a_no(answer, monkeypatch):
    person(monkeypatch, answer)
    with pytest.raises(InputError, match="not armed"):
        ask(Terminal(), REAL, False)


def test_a_script_needs_the_option(monkeypatch):
    monkeypatch.setattr(caution.sys, "stdin", types.SimpleNamespace(isatty=lambda: False))
    with pytest.raises(InputError) as caught:
        ask(Terminal(), REAL, False)
    assert caught.value.key == "--yes"
    assert ask(Terminal(), REAL, True) is True


def test_one_real_board_among_virtual_ones_is_enough():
    from controller.wire import messages as m
    from host.link.bridge import Identity
    from host.link.session import Board, Session

    session = Session.__new__(Session)
    session.boards = [
        Board(None, Identity(1, 0, flags, 1, 2000, 0, 0, 0, 0, 0, 12)) for flags in (m.VIRTUAL, 0)
    ]
    assert not session.virtual
    session.boards = session.boards[:1]
    assert session.virtual


STREAM = ("--duration", "0.4 s", "--frequency", "2 Hz", "--folder", "run")


def test_a_real_port_is_not_armed_without_a_yes(real_board, joint_file, inside, tmp_path):
    done = inside("stream", joint_file, "--port", real_board, *STREAM)
    assert done.returncode == 2
    assert "--yes" in done.stderr
    assert "A real motor is about to be armed" in done.stdout
    assert not (tmp_path / "run").exists()


def test_the_yes_of_a_script_stands_in_the_run(real_board, joint_file, inside, tmp_path):
    done = inside("stream", joint_file, "--port", real_board, "--yes", "--json", *STREAM)
    assert done.json["virtual"] is False
    assert "pinch" in done.stderr
    about = Run(tmp_path / "run").about
    assert about["yes_option"] is True
    assert about["virtual"] is False


def test_pressing_on_a_scale_asks_too(real_board, joint_file, inside):
    before = joint_file.read_bytes()
    done = inside("calibrate", joint_file, "--force", "--scale", "1 N", "--port", real_board)
    assert done.returncode == 2
    assert "--yes" in done.stderr
    assert joint_file.read_bytes() == before


def test_recording_a_real_board_arms_nothing_and_asks_nothing(
    real_board, joint_file, inside, tmp_path
):
    done = inside(
        "record", joint_file, "--port", real_board, "--duration", "0.3 s", "--folder", "run"
    )
    assert done.returncode == 0, done.stderr
    run = Run(tmp_path / "run")
    assert len(run["tick"]) > 20
    assert (run["allowed_V"] == 0.0).all()
