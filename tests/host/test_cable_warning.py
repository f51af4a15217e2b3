"""A run that pulled the cable harder than strength over safety factor says so."""

import re
import shutil
from pathlib import Path

import pytest

from sim.run.closed_loop import load_joint, simulate

DEMO = Path(__file__).resolve().parents[2] / "host" / "demo"


@pytest.fixture
def finger(tmp_path):
    """The demo's joint file, to be changed."""
    return Path(shutil.copy(DEMO / "joint.toml", tmp_path / "finger.toml"))


def weaker(path, strength):
    """The joint file with another breaking strength."""
    text = path.read_text(encoding="utf-8")
    path.write_text(re.sub(r"(?m)^breaking_strength = .*", f'breaking_strength = "{strength} N"', text),
                    encoding="utf-8")  # fmt: skip


@pytest.mark.parametrize(("strength", "warned"), [(30, True), (900, False)])
def test_simulate_warns(inside, finger, strength, warned):
    weaker(finger, strength)
    done = inside("simulate", finger, "--scenario", "hard_object")
    joint = load_joint(finger)
    pull = simulate(joint, joint.scenarios()["hard_object"]).metrics.peak_tension_N
    said = " ".join(done.stdout.split())
    assert (
        f"pulled with up to {pull:.0f} N, above the {strength / 3:.0f} N allowed" in said
    ) == warned


@pytest.mark.parametrize(("strength", "warned"), [(30, True), (900, False)])
def test_challenge_warns(inside, finger, strength, warned):
    weaker(finger, strength)
    done = inside("challenge", finger, "--scenarios", "40", "--parts", "3")
    assert ("The cable was pulled with up to" in " ".join(done.stdout.split())) == warned


def test_a_hands_budget_names_the_joint():
    from sim.hand.budget import _supply, sequence_budget
    from sim.hand.file import read_hand

    hand = read_hand(DEMO / "hand.toml")
    made, run = sequence_budget(hand, hand.sequences[0], drawn=0)
    assert made.overpulled == {}
    hand.members[0].joint.file.cable.breaking_strength = 1.0
    made, run = sequence_budget(hand, hand.sequences[0], drawn=0)
    assert list(made.overpulled) == [hand.members[0].name]
    pull = run.plants["peak_cable_N"][0]
    assert f"up to {pull:.0f} N" in made.overpulled[hand.members[0].name]

    class Found:
        sequences = (made,)

    assert any("The cable was pulled" in one.text for one in _supply(hand, Found()))
