"""Every command line that README, ``--help`` and "Next: ..." show: as written, with the exit code it should have.

Lines are collected from the texts, so that a new one must be given its place here. A line that takes
minutes is run with one option more that makes it short; a line that serves until it is interrupted,
and one that needs an account elsewhere, is held against the options that there are, with the reason.
"""

import re
import shlex
from pathlib import Path

import pytest

from host.command_line import NAMES, command

ROOT = Path(__file__).resolve().parents[2]
PAGES = ("README.md", "controller/README.md", "host/README.md", "sim/README.md", "DEVELOPERS.md")
PORT = "/dev/ttyACM0"

RUN = {  # line: what is added, exit code
    "new finger.toml": ("", 0),
    "size finger.toml": ("", 0),
    "simulate finger.toml --scenario hard_object": ("", 1),  # it trips, rightly
    "tune finger.toml": ("--effort small --accept", 0),
    "size finger.toml --faults": ("", 0),
    "challenge finger.toml": ("--duration '3 s'", 0),
    'challenge finger.toml --duration "5 min"': ("--duration '3 s'", 0),
    "stream finger.toml": ("--duration '1 s'", 0),
    'stream finger.toml --shape sine --frequency "0.5 Hz"': ("--duration '1 s'", 0),
    f'stream finger.toml --port {PORT} --shape sine --frequency "0.5 Hz"': ("--duration '1 s'", 0),
    "ports": ("", 0),
    "migrate finger.toml": ("", 0),
    "schema hand hand.schema.json": ("", 0),
    f'record finger.toml --port {PORT} --duration "10 s"': ("--duration '0.3 s'", 0),
    'record finger.toml --duration "10 s"': ("--duration '0.3 s'", 0),
    f'calibrate finger.toml --port {PORT} --points "0 deg, 50 deg, 100 deg"': ("", 0),
    'calibrate finger.toml --points "0 deg, 50 deg, 100 deg"': ("", 0),
    f"record finger.toml --excite --port {PORT}": ("--duration '12 s'", 0),
    "compare jointloop-runs/RUN": ("", 0),
    "identify jointloop-runs/RUN --into finger.toml": ("", 0),
    'identify jointloop-runs/RUN --into finger.toml --resistance "6.3 ohm"': ("", 0),
    'identify axis.csv --columns "time=t[s],drive=force[N],angle=q[m]"': ("", 0),
    'sweep finger.toml --vary "cable.joint_radius=4 mm..8 mm/9"': ("", 0),
    'sweep finger.toml --vary "cable.joint_radius=4 mm..8 mm/9" --vary "cable.drum_radius=4 mm,6 mm"': ("", 0),
    "hand hand.toml --report": ("", 0),
    "reach finger.toml": ("", 0),
    "wiring finger.toml --pins 2,3,26": ("", 0),
    "wiring hand.toml": ("", 0),
    'reach finger.toml --vary "cable.joint_radius=6 mm..12 mm/13" --into stronger.toml': ("", 0),
}  # fmt: skip
PARSED = {
    "tune finger.toml --seed 3": "as without the seed",
    "tune index.toml thumb.toml --starts 4": "takes minutes (tests/host/test_tune_bounds.py, tests/host/test_interrupts.py)",
    'identify motor.csv --columns "time=t[s],drive=u[V],angle=q[rad]" --resistance "6.3 ohm" --into finger.toml': "changes the motor (tests/identify/test_motor_from_logs.py)",
    "demo": "a minute and a half; its parts are tested one by one",
    "board finger.toml": "serves until it is interrupted (test_board_command.py)",
    "bench finger.toml": "serves until it is interrupted (tests/page)",
    "bench hand.toml": "serves until it is interrupted (tests/page)",
    "hand hand.toml --stream": "runs as it stands in tests/hand/test_commands.py",
    f"deploy {PORT} --board board.json --joint finger.toml": "needs a board (test_deploying.py)",
}
NEXT = {
    "identify {quoted(target)}{which} --into {quoted(path)}", "tune {quoted(path)}", "tune {quoted(into)}", "size {quoted(path)}", "identify {quoted(path.parent)}", "simulate winch.toml --drive log.csv", "reach {quoted(path)}", "size {}", "hand {}", "simulate finger.toml --scenario {}",
    "simulate {quoted(joint.path)} --scenario {quoted(path)}",
}  # fmt: skip
"""What commands print: the same lines with a path put in (tested where they are printed)."""


def shown():
    """Every command line of the pages and of the examples in ``--help``, without its remark."""
    found = set()
    for page in PAGES:
        text = (ROOT / page).read_text(encoding="utf-8")
        found |= set(re.findall(r"^ {4,}(?:\.venv/bin/)?jointloop (.*)$", text, re.MULTILINE))
    for name in NAMES:
        found |= set(re.findall(r"jointloop (.*)", command(name).epilog or ""))
    return {re.sub(r"\s+#.*", "", line).strip() for line in found}


def printed():
    """Command lines in what the program prints: named commands with something behind them."""
    found = set()
    for path in [*(ROOT / "host").rglob("*.py"), *(ROOT / "sim").rglob("*.py")]:
        text = re.sub(r'EXAMPLE = (".*"|\'.*\')', "", path.read_text(encoding="utf-8"))
        found |= set(re.findall(r"jointloop ((?:\w+) (?:\{|[\w./]+\.toml).*?)(?:\\n|[\"`])", text))
    return {line for line in found if line.split()[0] in NAMES and "{__version__}" not in line}


def test_every_line_that_is_shown_has_its_place_here():
    assert shown() == set(RUN) | set(PARSED)
    assert printed() == NEXT


def within():
    """Commands inside sentences of the pages, with their options."""
    texts = [(ROOT / page).read_text(encoding="utf-8") for page in PAGES]
    return sorted(
        {
            " ".join(line.split())
            for text in texts
            for line in re.findall(r"`jointloop\s([^`]+)`", text)
        }
    )


def test_commands_inside_sentences_exist_with_their_options():
    commands = {name: command(name) for name in NAMES}
    assert len(within()) > 5
    for line in within():
        name = line.split()[0]
        assert name in commands, line
        options = {one for param in commands[name].params for one in param.opts}
        assert set(re.findall(r"(?<!\S)--[a-z-]+", line)) <= options, line


@pytest.mark.parametrize("line", [*RUN, *PARSED])
def test_its_options_exist(line):
    name, *rest = shlex.split(line)
    assert command(name).make_context(name, rest).params


@pytest.fixture
def place(tmp_path, inside, processes):
    """What the lines find where they are run: joint files, a hand, an axis's log, a board."""
    import numpy as np

    assert inside("new", "finger.toml").returncode == 0
    text = (tmp_path / "finger.toml").read_text(encoding="utf-8")
    for name in ("index", "thumb"):
        (tmp_path / f"{name}.toml").write_text(text, encoding="utf-8")
    for one in (ROOT / "host" / "demo").glob("*.toml"):
        (tmp_path / one.name).write_text(one.read_text(encoding="utf-8"), encoding="utf-8")
    t = np.arange(0.0, 20.0, 0.002)
    q = 0.1 * np.sin(3.0 * t) + 0.05 * np.sin(11.0 * t)
    v, a = np.gradient(q, t), np.gradient(np.gradient(q, t), t)
    rows = np.column_stack([t, 20.0 * a + 30.0 * v + 5.0 * np.sign(v), q])
    np.savetxt(tmp_path / "axis.csv", rows, delimiter=",", header="t,force,q", comments="")
    return processes("starter", [tmp_path / "finger.toml"]).url


def test_they_run_as_written(place, inside, tmp_path, figures):
    """In the order of the page: what a line writes, the next one reads."""
    wrong = []
    (tmp_path / "finger.toml").unlink()
    for line, (more, code) in RUN.items():
        runs = sorted((tmp_path / "jointloop-runs").glob("*excite*"))
        run = str(runs[-1].relative_to(tmp_path)) if runs else "RUN"
        words = [re.sub("jointloop-runs/RUN", run, one) for one in shlex.split(line)]
        words += shlex.split(more)
        if PORT in words:
            words[words.index(PORT)] = place
        done = inside(*words)
        if done.returncode != code:
            wrong.append((line, done.returncode, (done.stdout + done.stderr)[-600:]))
    assert wrong == []
