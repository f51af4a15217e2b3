"""People's files: written whole or not at all."""

import pytest
import tomlkit

from host.files import put_table, write_whole
from sim.errors import InputError

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
