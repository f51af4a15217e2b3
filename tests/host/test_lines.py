"""Line numbers of what is wrong in a file, and files of before rewritten."""

import tomllib
from pathlib import Path

import pytest

from host.lines import line_of
from host.migration import migrated
from sim.joint.gains import joint_digest
from sim.run.closed_loop import joint_of

STARTER = (Path(__file__).resolve().parents[2] / "host" / "demo" / "joint.toml").read_text("utf-8")
TOML = """# a remark with x = 1
top = 1
[a]
one = [
  "x = 2",
  3,
]
"two" = {inner = 1}
[[list]]
name = "first"  # its name
key = "# no remark"
[list.sub]
deep.er = 2
[[list]]
name = "second"
key = 4
"""


@pytest.mark.parametrize(
    ("key", "line"),
    [("top", 2), ("a", 3), ("a.one", 4), ("a.one.1", 4), ("a.two", 8), ("list.0.key", 11), ("list.0.sub.deep.er", 13),
     ("list.first.key", 11), ("list.first.sub.deep", 12), ("list.second.key", 16), ("list.1.none", 14), ("zzz", None)],
)  # fmt: skip
def test_the_line_of_a_key_in_toml(tmp_path, key, line):
    path = tmp_path / "x.toml"
    path.write_text(TOML, encoding="utf-8")
    assert line_of(str(path), key) == line


@pytest.mark.parametrize(
    ("key", "line"), [("a", 2), ("b.0.c", 4), ("b.1.c", 5), ("b.2", 6), ("b.1.d", 5), ("e", 8)]
)
def test_the_line_of_a_key_in_json(tmp_path, key, line):
    path = tmp_path / "x.json"
    path.write_text(
        '{\n"a": "x\\"y",\n"b": [\n {"c": 1},\n {"c": [1, 2]},\n 7\n],\n"e": {}\n}',
        encoding="utf-8",
    )
    assert line_of(str(path), key) == line


def test_the_terminal_names_every_line_that_is_wrong(tmp_path, inside):
    text = STARTER.replace("tip_distance", "tip_distnace").replace(
        'supply = "5.0 V"', 'supply = "5"'
    )
    (tmp_path / "finger.toml").write_text(text, encoding="utf-8")
    done = inside("size", "finger.toml")
    lines = text.split("\n")
    wrong = [
        next(k for k, one in enumerate(lines, 1) if one.startswith(word))
        for word in ("tip_distnace", "supply =")
    ]
    assert done.returncode == 2
    assert f"jointloop: finger.toml:{wrong[0]}: joint.tip_distnace: " in done.stderr
    assert f"jointloop: finger.toml:{wrong[1]}: drive.supply: " in done.stderr
    assert done.stderr.count("jointloop: ") == 3  # the key that is missing, too


def with_old_key():
    """The starter as it could have been written before."""
    return STARTER.replace(
        'voltage = "4.8 V"\n', 'voltage = "4.8 V"\nboard_resistance = "0.6 ohm"   # of the driver\n'
    )


def test_a_joint_file_of_before_keeps_remarks_and_valid_gains():
    old = with_old_key()
    digest = joint_digest(tomllib.loads(old))
    old += f'\n[gains]\nkp = "5 V/rad"\ndigest = "{digest}"\n'
    new, told = migrated(old)
    assert told == ["motor.board_resistance is now motor.amplifier_resistance"]
    changed = ("board_resistance", "amplifier_resistance", "digest")
    kept = [[one for one in text.split("\n") if not one.startswith(changed)] for text in (old, new)]
    assert kept[0] == kept[1]
    assert 'amplifier_resistance = "0.6 ohm"   # of the driver\n' in new
    joint = joint_of(tomllib.loads(new), "new")
    assert joint.file.gains.digest == joint.digest != digest
    assert migrated(new) == (new, [])


def test_a_digest_that_did_not_hold_does_not_hold_after():
    new, _ = migrated(with_old_key() + '\n[gains]\ndigest = "abc"\n')
    assert tomllib.loads(new)["gains"]["digest"] == "abc"


def test_a_hand_of_before_is_read(tmp_path):
    old = (Path(__file__).resolve().parents[2] / "host" / "demo" / "hand.toml").read_text("utf-8")
    old = old.replace("{ model = 3,", '{ landsmeer = "III",').replace(
        'duration = "5.5 s"', 'seconds = "5.5 s"'
    )
    new, told = migrated(old)
    assert len(told) == 2
    tables = tomllib.loads(new)
    assert tables["sequence"][0]["duration"] == "5.5 s"
    assert tables["finger"][0]["arms"][2][1] == {"model": 3, "r": "1.5 mm", "y": "4 mm"}
