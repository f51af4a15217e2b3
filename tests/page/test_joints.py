"""What a page is opened for: joint files, or a hand with its joints as they stand."""

import shutil
from pathlib import Path
from types import SimpleNamespace

from host.page.desk import Desk, Page
from host.page.joints import is_hand, low_force, read
from sim.size.force import force_doubt

DEMO = Path(__file__).resolve().parents[2] / "host" / "demo"


def test_a_hands_joints_bear_its_names_and_know_what_their_cables_cross(tmp_path):
    for name in ("hand.toml", "joint.toml"):
        shutil.copy(DEMO / name, tmp_path / name)
    path = str(tmp_path / "hand.toml")
    assert is_hand([path])
    assert not is_hand([str(tmp_path / "joint.toml")])
    assert not is_hand([str(tmp_path / "none.toml")])
    joints, hand = read([path])
    assert hand is not None
    assert [one.file.joint.name for one in joints][:2] == ["index_base", "index_middle"]
    assert joints[1].settings.across.joint_1 == 0
    for place, joint in enumerate(
        joints
    ):  # digests of gains and of [identified] must go on to hold
        assert joint.tables == hand.members[place].joint.tables
    low = low_force(joints[1], 0.5)
    assert low.across.share_1 == joints[1].settings.across.share_1 != 0.0
    assert low.limits.current_A < joints[1].settings.limits.current_A


def test_the_page_says_the_doubt_of_the_force_that_size_says(tmp_path):
    """`calibrate` writes ``force_factor``: with it the page's figure narrows."""
    path = tmp_path / "joint.toml"
    text = (DEMO / "joint.toml").read_text(encoding="utf-8")
    told = []
    for more in ("", '\n[calibration]\nforce_factor = "1.1"\n'):
        path.write_text(text + more, encoding="utf-8")
        joints, _ = read([str(path)])
        desk = Desk(joints, SimpleNamespace(listeners=[]), [str(path)])
        desk.opened = dict.fromkeys(("fields", "every", "virtual", "ports", "folder"))
        (row,) = desk.about(Page(1))["joints"]
        assert row["force_doubt"] == force_doubt(joints[0])
        told.append(row["force_doubt"])
    assert told[1] < 0.5 * told[0]
