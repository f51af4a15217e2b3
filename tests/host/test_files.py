"""People's files: written whole or not at all."""

import subprocess
import sys
from pathlib import Path

import pytest
import tomlkit

from host.files import put_table, write_whole
from sim.errors import InputError

ROOT = Path(__file__).resolve().parents[2]
TEXT = '# mine\n[joint]\nname = "a"   # keep me\n\n[gains]\nkp = "1 V/rad"\n'


def test_table_is_replaced_and_the_rest_is_kept(tmp_path):
    path = tmp_path / "j.toml"
    path.write_text(TEXT, encoding="utf-8")
    put_table(path, "gains", {"kp": "2 V/rad", "provenance": {"seed": 1}}, TEXT)
    text = path.read_text(encoding="utf-8")
    assert text.startswith('# mine\n[joint]\nname = "a"   # keep me\n')
    assert tomlkit.parse(text)["gains"]["kp"] == "2 V/rad"
    put_table(path, "gains", {"kp": "3 V/rad"}, text)
    assert path.read_text(encoding="utf-8").count("[gains]") == 1


def test_a_file_changed_meanwhile_is_left_alone(tmp_path):
    path = tmp_path / "j.toml"
    path.write_text(TEXT + "# new thought\n", encoding="utf-8")
    with pytest.raises(InputError, match="changed while this ran"):
        put_table(path, "gains", {"kp": "2 V/rad"}, TEXT)
    assert path.read_text(encoding="utf-8") == TEXT + "# new thought\n"


def test_a_write_that_fails_leaves_nothing_behind(tmp_path):
    (tmp_path / "here").mkdir()
    with pytest.raises(InputError, match="cannot be written"):
        write_whole(tmp_path / "here", "text")
    assert [one.name for one in tmp_path.iterdir()] == ["here"]


WRITER = """
import sys
from pathlib import Path
from host.files import put_table
from sim.reading import read_text

path, name, count = Path(sys.argv[1]), sys.argv[2], int(sys.argv[3])
print("ready", flush=True)
sys.stdin.readline()
for k in range(count):
    put_table(path, name, {"round": k}, read_text(path))
"""


def test_two_writers_of_one_file_lose_no_table(tmp_path):
    """Each writes its own table a hundred times, as fast as it can: both are there in the end."""
    path = tmp_path / "j.toml"
    path.write_text('# mine\n[joint]\nname = "a"\n', encoding="utf-8")
    writers = [
        subprocess.Popen([sys.executable, "-c", WRITER, str(path), name, "100"], cwd=ROOT, text=True,
                         stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
        for name in ("gains", "calibration")
    ]  # fmt: skip
    for one in writers:
        assert one.stdout.readline() == "ready\n"
    for one in writers:
        one.stdin.write("go\n")
        one.stdin.flush()
    for one in writers:
        assert one.communicate()[1] == ""
        assert one.returncode == 0
    found = tomlkit.parse(path.read_text(encoding="utf-8"))
    assert (found["gains"]["round"], found["calibration"]["round"]) == (99, 99)
    assert [one.name for one in tmp_path.iterdir()] == ["j.toml"], "nothing is left lying about"


def test_a_table_of_ours_that_came_in_between_stays(tmp_path):
    path = tmp_path / "j.toml"
    path.write_text(TEXT, encoding="utf-8")
    put_table(path, "calibration", {"zero": 1.0}, TEXT)
    put_table(path, "identified", {"k": 2.0}, TEXT)
    found = tomlkit.parse(path.read_text(encoding="utf-8"))
    assert (found["calibration"]["zero"], found["identified"]["k"]) == (1.0, 2.0)
    assert found["gains"]["kp"] == "1 V/rad"


def test_the_same_table_written_meanwhile_is_left_alone(tmp_path):
    path = tmp_path / "j.toml"
    path.write_text(TEXT, encoding="utf-8")
    put_table(path, "gains", {"kp": "2 V/rad"}, TEXT)
    with pytest.raises(InputError, match="changed while this ran"):
        put_table(path, "gains", {"kp": "3 V/rad"}, TEXT)


def test_link_mode_and_line_ends_are_kept(tmp_path):
    real = tmp_path / "real.toml"
    text = TEXT.replace("\n", "\r\n")
    real.write_bytes(text.encode())
    real.chmod(0o640)
    link = tmp_path / "j.toml"
    link.symlink_to(real)
    put_table(link, "gains", {"kp": "2 V/rad"}, text)
    assert link.is_symlink()
    data = real.read_bytes()
    assert data.count(b"\n") == data.count(b"\r\n") > 3
    assert b"\r\r" not in data
    assert real.stat().st_mode & 0o777 == 0o640
