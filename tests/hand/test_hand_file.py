"""The hand file: what it makes, and every way to get it wrong."""

import shutil
from pathlib import Path

import numpy as np
import pytest
import tomlkit

from sim.errors import InputError
from sim.hand.file import matrices, read_hand
from sim.hand.moment_arms import excursion, moment_arm, polynomial

DEMO = Path(__file__).resolve().parents[2] / "host" / "demo"


@pytest.fixture
def folder(tmp_path):
    for name in ("hand.toml", "joint.toml"):
        shutil.copy(DEMO / name, tmp_path / name)
    return tmp_path


def changed(folder, change):
    """The demo hand with a change to its tables."""
    path = folder / "hand.toml"
    tables = tomlkit.parse(path.read_text(encoding="utf-8")).unwrap()
    change(tables)
    path.write_text(tomlkit.dumps(tables), encoding="utf-8")
    return path


def test_the_demo_hand_is_what_it_says(folder):
    hand = read_hand(folder / "hand.toml")
    assert len(hand.members) == 8
    assert [len(board.joints) for board in hand.boards] == [3, 3, 2]
    end = hand.members[hand.number("index_end")]
    assert end.joint.file.joint.range[1] == pytest.approx(np.radians(70.0))
    assert end.joint.settings.tick_s == 0.005  # of `like`, two steps away
    assert end.cost == 14.5
    assert end.joint.file.drive.supply == 5.0
    assert end.joint.file.drive.supply_resistance == pytest.approx(0.09)
    arms, links = matrices(hand)
    assert arms[hand.number("index_middle"), hand.number("index_base"), 0] == pytest.approx(2e-3)
    assert arms[hand.number("index_end"), hand.number("middle_base"), 0] == 0.0
    assert links[0, 1] == pytest.approx(0.042)
    assert links[hand.number("thumb_base"), 1] == 0.0


def named(tables, name):
    return next(one for one in tables["joint"] if one["name"] == name)


BAD = [
    (lambda t: named(t, "index_base").update(like="index_end"), "goes round in a circle"),
    (lambda t: named(t, "index_middle").update(like="nobody"), "no such joint"),
    (lambda t: named(t, "index_base").update(file="none.toml"), "none.toml: no such file"),
    (lambda t: named(t, "index_base").pop("file"), "must name a joint file"),
    (lambda t: named(t, "index_base").update(board="moon"), "no such board; allowed: palm A"),
    (lambda t: named(t, "index_middle").update(pins=[2, 5, 27]), "taken already, by joint index_base"),
    (lambda t: named(t, "index_middle").update(pins=[4, 4, 27]), "taken already"),
    (lambda t: named(t, "index_middle").update(pins=[4, 5, 99]), "has no such pin; it has 2, 3"),
    (lambda t: named(t, "index_middle").update(pins="4"), "must be a list"),
    (lambda t: named(t, "index_end").update(name="index_base"), "name of its own"),
    (lambda t: named(t, "index_base")["override"].update(limits={"tip_force": "9 kg"}), "override"),
    (lambda t: named(t, "index_base")["override"].update(gains={"kp": 1}), "belongs into the joint file"),
    (lambda t: named(t, "index_base").update(cost=-3), "at least 0"),
    (lambda t: t["finger"][0].update(arms=[["0 mm", "0 mm"], ["2 mm", "0 mm"]]), "must be 3 rows of 3"),
    (lambda t: t["finger"][0]["arms"].__setitem__(1, ["2 N", "0 mm", "0 mm"]), "2 N"),
    (lambda t: t["finger"][0]["arms"].__setitem__(1, [{"model": 4, "r": "2 mm"}, "0 mm", "0 mm"]), "must be 1, 2 or 3"),
    (lambda t: t["finger"][0].update(joints=["index_base", "nobody", "index_end"]), "no such joint"),
    (lambda t: t["finger"][1].update(joints=["index_base", "middle_middle", "middle_end"]), "stands in a finger already"),
    (lambda t: t["finger"][0].update(links=[{"mass": "9 g", "length": "42 mm"}]), "must be 3 tables"),
    (lambda t: t["posture"]["wrap"].update(index_base="120 deg"), "within the joint's travel, 0 .. 85 deg"),
    (lambda t: t["posture"]["wrap"].update(nobody="10 deg"), "no such joint"),
    (lambda t: t["sequence"][0].update(steps=[["0 s", "rest"], ["1 s", "dance"]]), "no such posture"),
    (lambda t: t["sequence"][0].update(steps=[["1 s", "rest"], ["0.5 s", "wrap"]]), "in order of time"),
    (lambda t: t["sequence"][0].update(steps=[]), "at least 1 item"),
    (lambda t: t["supply"].update(voltage="5 A"), "5 A"),
    (lambda t: t["supply"].pop("voltage"), "supply.voltage"),
    (lambda t: t.update(mood={}), "unknown key"),
    (lambda t: t["hand"].update(name=""), "at least 1 character"),
    (lambda t: t.update(board=[]), "at least 1 item"),
    (lambda t: named(t, "index_end")["override"].update(control={"rate": "100 Hz"}), "different rates"),
]  # fmt: skip


@pytest.mark.parametrize(("change", "words"), BAD, ids=[words[:40] for _, words in BAD])
def test_what_is_wrong_is_named(change, words, folder):
    with pytest.raises(InputError) as refused:
        read_hand(changed(folder, change))
    assert words in str(refused.value)
    assert ".toml: " in str(refused.value)


@pytest.mark.parametrize(
    ("model", "degrees", "r", "y", "expected"),
    [
        # computed from the geometry of the models (J. M. F. Landsmeer, 1961)
        (1, 60.0, 8.0, 0.0, 8.37758),
        (2, 60.0, 8.0, 0.0, 8.00000),
        (3, 30.0, 5.0, 10.0, 3.077022),
        (3, 60.0, 5.0, 10.0, 7.097994),
        (3, 90.0, 5.0, 10.0, 12.146018),
    ],
)
def test_excursions_are_those_of_the_geometry(model, degrees, r, y, expected):
    assert excursion(model, np.radians(degrees), r, y) == pytest.approx(expected, abs=1e-5)


def test_the_arm_is_the_slope_of_the_excursion():
    assert moment_arm(3, np.radians(60.0), 5.0, 10.0) == pytest.approx(8.623443, abs=1e-6)
    for model in (1, 2, 3):
        for q in (0.0, 0.2, 1.0, 1.5):
            slope = (
                excursion(model, q + 1e-5, 5.0, 8.0) - excursion(model, q - 1e-5, 5.0, 8.0)
            ) / 2e-5
            assert moment_arm(model, q, 5.0, 8.0) == pytest.approx(slope, rel=1e-6)


def test_the_kernels_polynomial_follows_the_model():
    a, b, c = polynomial(3, 0.0, np.radians(90.0), 5e-3, 10e-3)
    for q in np.linspace(0.0, np.radians(90.0), 7):
        assert a * (1.0 + b * q + c * q * q) == pytest.approx(
            moment_arm(3, q, 5e-3, 10e-3), rel=0.01
        )
