"""What is written where: JSON alone on standard output, people's text beside it."""

import json

import pytest

from host.commands.shared.terminal import PlainProgress, Terminal, degrees, seconds


def test_json_has_standard_output_to_itself(capsys):
    terminal = Terminal(True)
    terminal.say("for people")
    terminal.heading("Heading")
    terminal.table("Table", ("", "value"), [("a", 1.5)])
    terminal.remarks([("!", "mind this")])
    terminal.result({"a": [1, 2.5, None]})
    out, err = capsys.readouterr()
    assert json.loads(out) == {"a": [1, 2.5, None]}
    assert out.count("\n") == 1
    for words in ("for people", "Heading", "Table", "mind this"):
        assert words in err


def test_people_get_text_and_no_json(capsys):
    terminal = Terminal()
    terminal.say("for people")
    terminal.result({"a": 1})
    out, err = capsys.readouterr()
    assert out == "for people\n"
    assert err == ""


def test_json_holds_no_numbers_that_json_does_not_have():
    with pytest.raises(ValueError, match="JSON"):
        Terminal(True).result({"a": float("nan")})


@pytest.mark.parametrize("text", ["runs/a[b]/telemetry.csv", "x[/y]", "[bold]", "left[red]right"])
def test_names_with_brackets_are_shown_as_they_are_in_tables(text, capsys):
    Terminal().table("Files", ("name",), [(text,)])
    assert text in capsys.readouterr().out


def test_progress_without_a_screen_is_a_line_now_and_then(capsys):
    with PlainProgress() as progress:
        task = progress.add_task("searching", total=4, note="")
        for k in range(5):
            progress.update(task, completed=k, note=f"step {k}")
    out, err = capsys.readouterr()
    assert out == ""
    lines = err.splitlines()
    assert lines[0] == "searching: 0 % step 0"
    assert lines[-1] == "searching: 100 % step 4"
    assert len(lines) == 2


def test_times_and_angles_are_shown_in_ms_and_degrees():
    assert seconds(0.1234) == "123 ms"
    assert seconds(None) == "never"
    assert degrees(0.5235987755982988) == "30.00 deg"
    assert degrees(1.0, 0) == "57 deg"
    assert degrees(None) == "-"
