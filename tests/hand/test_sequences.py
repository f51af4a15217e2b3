"""Postures that follow too soon are refused: two moves of one joint at once are none."""

import pytest

from sim.errors import InputError
from sim.hand.coupled import scenarios
from sim.hand.file import Sequence, read_hand

HAND = "host/demo/hand.toml"


@pytest.mark.parametrize("gap_s", [0.02, 0.1, 0.2])
def test_a_posture_before_the_last_has_arrived_is_refused(gap_s):
    from pathlib import Path

    hand = read_hand(Path(__file__).resolve().parents[2] / HAND)
    names = [name for _, name in hand.sequences[0].steps]
    steps = [(0.0, names[0]), (1.0, names[1]), (1.0 + gap_s, names[0])]
    with pytest.raises(InputError, match="begins before") as caught:
        scenarios(hand, Sequence("hurried", steps, 4.0))
    assert "hurried" in str(caught.value)
    assert names[1] in str(caught.value)


def test_a_posture_after_it_is_taken():
    from pathlib import Path

    hand = read_hand(Path(__file__).resolve().parents[2] / HAND)
    names = [name for _, name in hand.sequences[0].steps]
    assert scenarios(
        hand, Sequence("calm", [(0.0, names[0]), (1.0, names[1]), (3.0, names[0])], 5.0)
    )
