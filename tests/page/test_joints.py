"""What a page is opened for: joint files, or a hand with its joints as they stand."""

import shutil
from pathlib import Path

from host.page.joints import is_hand, low_force, read

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
