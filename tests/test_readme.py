"""The README tells the truth: its example runs, its commands exist, its files are there."""

import json
import re
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
TEXT = (ROOT / "README.md").read_text(encoding="utf-8")


def test_the_python_example_runs_and_prints_what_it_says():
    (code,) = re.findall(r"```python\n(.*?)```", TEXT, re.DOTALL)
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr[-2000:]
    settling, overshoot, tuned = done.stdout.strip().split("\n")
    assert 0.05 < float(settling.split()[0]) < 1.0
    assert 0.0 <= float(overshoot) < 1.0
    assert 0.0 < float(tuned.split()[1]) < 2.0


def test_every_file_that_is_linked_is_there():
    links = re.findall(r"\]\(([^)#:]+)\)", TEXT)
    assert links
    for link in links:
        assert (ROOT / link).is_file(), link


def test_it_begins_with_the_job_then_the_cautions_then_two_commands():
    headings = re.findall(r"^#+ (.*)$", TEXT, re.MULTILINE)
    assert headings[:3] == ["jointloop", "Cautions", "Two commands"]


def test_the_board_json_that_is_shown_is_accepted(tmp_path):
    from host.link.wiring import read_wiring

    text = (ROOT / "controller" / "README.md").read_text(encoding="utf-8")
    (shown,) = re.findall(r"```json\n(.*?)```", text, re.DOTALL)
    path = tmp_path / "board.json"
    path.write_text(shown, encoding="utf-8")
    assert read_wiring(path).data == json.loads(shown)
