"""board.json and the drawing for the pins of a hand or a joint."""

import json
import sys
from pathlib import Path
from xml.etree import ElementTree

import pytest

from host.cli import main
from host.figures.wiring import wiring_drawing
from host.link.wiring import bound, read_wiring
from host.link.wiring_plan import FUSES_A, board_file, parts_of, plan
from sim.errors import InputError
from sim.size.figures import stall_current
from tests.properties.conftest import KINDS, joint_with

DEMO = Path(__file__).resolve().parents[2] / "host" / "demo"
SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture
def at(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    for name in ("hand.toml", "joint.toml"):
        (tmp_path / name).write_text((DEMO / name).read_text(encoding="utf-8"), encoding="utf-8")

    def run(*words):
        monkeypatch.setattr(sys, "argv", ["jointloop", "wiring", *map(str, words)])
        with pytest.raises(SystemExit) as ended:
            main()
        told = capsys.readouterr()
        return ended.value.code or 0, told.out, told.err

    return run


@pytest.mark.parametrize(
    ("kind", "pins"), [("nominal", (2, 3, 26)), ("pulse", (4, 27)), ("slow tick", (28, 6, 7))]
)
def test_the_board_file_is_what_deploying_would_make_of_it(kind, pins, tmp_path):
    """It is accepted, and the bounds of force in it are those that `deploy --joint` fills in."""
    joint = joint_with(KINDS[kind])
    made = board_file(plan("one", [("one", joint, pins)], "x.toml"))
    path = tmp_path / "board.json"
    path.write_text(json.dumps(made), encoding="utf-8")
    mine = read_wiring(path)
    bound(mine, [joint])
    bare = json.loads(json.dumps(made))
    for name in ("rest_V", "emf_V_s"):
        del bare["joints"][0][name]
    path.write_text(json.dumps(bare), encoding="utf-8")
    filled = read_wiring(path)
    bound(filled, [joint])
    for name in ("rest_V", "emf_V_s"):
        assert mine.data["joints"][0][name] == pytest.approx(
            filled.data["joints"][0][name], abs=1e-6
        )
    assert mine.data["tick_us"] == round(joint.settings.tick_s * 1e6)


def test_a_hand_gets_a_board_file_and_a_drawing_for_each_board(at, tmp_path):
    code, out, _ = at("hand.toml", "--json")
    assert code == 0
    boards = json.loads(out)["boards"]
    assert [Path(one["board"]).name for one in boards] == ["palm-a-board.json", "palm-b-board.json", "palm-c-board.json"]  # fmt: skip
    for one in boards:
        read_wiring(tmp_path / one["board"])
        drawing = (tmp_path / one["drawing"]).read_text(encoding="utf-8")
        for joint in one["joints"]:
            assert f">{joint['name']}<" in drawing
            for pin in (joint["wiper"], *joint["out"]):
                assert f">GP{pin}<" in drawing
        assert one["fuse_A"] >= one["stall_A"]


def test_the_fuse_is_the_next_that_carries_all_motors_stalled():
    joint = joint_with({})
    three = plan("one", [(str(k), joint, (2 + 2 * k, 3 + 2 * k, 26 + k)) for k in range(3)], "x")
    assert three.stall_A == pytest.approx(3.0 * stall_current(joint.part))
    assert three.fuse_A in FUSES_A
    assert three.stall_A <= three.fuse_A < 1.5 * three.stall_A
    bought = {(what, where): int(count) for count, what, where in parts_of(three)}
    assert bought["resistor 470 kohm", "each wiper to the converter's ground"] == 3
    assert bought["resistor 10 kohm", "each bridge or pulse input to ground"] == 6


@pytest.mark.parametrize("kind", ["nominal", "pulse"])
def test_the_drawing_says_what_protects_and_is_readable(kind):
    pins = (2, 3, 26) if kind == "nominal" else (2, 26)
    one = plan("palm <A>", [("index & base", joint_with(KINDS[kind]), pins)] * 2, "x")
    root = ElementTree.fromstring(wiring_drawing(one))
    width, height = (float(side) for side in root.get("viewBox").split()[2:])
    texts = root.findall(f".//{SVG}text")
    words = " ".join(text.text for text in texts)
    for what in (
        "fuse",
        f"{one.fuse_A:g} A",
        "switch",
        "within reach",
        "470 kohm and 10 nF",
        "10 kohm to ground",
        "ADC_VREF",
    ):
        assert what in words, what
    assert ("enable" in words) == (kind == "nominal")
    for text in texts:
        size, long = (
            float(text.get("font-size")),
            0.62 * float(text.get("font-size")) * len(text.text),
        )
        assert size >= 12.0
        x = float(text.get("x"))
        left = {"start": x, "middle": x - 0.5 * long, "end": x - long}[text.get("text-anchor")]
        assert left >= 0.0
        assert left + long <= width, text.text
        assert 0.0 < float(text.get("y")) < height


def test_pins_that_do_not_fit_are_one_list():
    joints = [("a", joint_with({}), (2, 26)), ("b", joint_with({}), (3, 4, 5)),
              ("c", joint_with({"drive": {"kind": "builtin"}}), (6, 7, 27))]  # fmt: skip
    with pytest.raises(InputError) as found:
        plan("one", joints, "hand.toml")
    told = str(found.value).splitlines()
    assert len(told) == 4
    assert all(one.startswith("hand.toml: joint.") for one in told)
    assert "needs 2 output pin(s)" in told[0]
    assert "for simulation" in told[-1]


def test_a_hand_whose_pins_and_boards_disagree_names_all(at, tmp_path):
    path = tmp_path / "hand.toml"
    text = path.read_text(encoding="utf-8").replace("pins = [4, 5, 27]", "pins = [2, 40, 27]", 1)
    path.write_text(text.replace("pins = [6, 7, 28]", "pins = [6, 6, 28]", 1), encoding="utf-8")
    code, _, err = at("hand.toml")
    assert code == 2
    assert err.count("joint.index_middle.pins") == 2
    assert "taken already, by joint index_base" in err
    assert "no such pin" in err
    assert "joint.index_end.pins" in err


@pytest.mark.parametrize(
    ("pins", "says"), [("2,3", "converter pin"), ("2,2,26", "different pins"), ("a", "with commas")]
)
def test_pins_of_a_joint_are_checked(at, pins, says):
    code, _, err = at("joint.toml", "--pins", pins)
    assert code == 2
    assert says in err
    assert at("hand.toml", "--pins", "2,3,26")[0] == 2
