"""Virtual boards of one hand: joints on different boards feel each other as in the simulation in step."""

from pathlib import Path

import numpy as np
import pytest

from host.starting import Job
from host.virtual_hand import Bond, bonded, publish
from sim import kernels
from sim.hand.coupled import crossings, hung, rest_plants
from sim.hand.file import matrices, read_hand
from sim.program import MOVE_BY_HAND
from sim.scenarios import span_of

DEMO = Path(__file__).resolve().parents[2] / "host" / "demo" / "hand.toml"
SPAN_S, TICKS = 2e-3, 200


@pytest.fixture(scope="module")
def hand():
    return read_hand(DEMO)


@pytest.fixture
def boards(hand, tmp_path):
    """The index finger's joints on two boards, its fingertip alone."""
    publish(hand, tmp_path)

    def board(numbers):
        parts = [hand.members[k].joint.part for k in numbers]
        return bonded(Job(parts, [0.0] * len(parts), 5000, 0, 1, (str(tmp_path), numbers)))

    return [*board([0, 1]), *board([2])]


def in_step(hand, values):
    """The same in one kernel: joint angles (rad) tick by tick, shape (TICKS, 3)."""
    arms, links = matrices(hand)
    parts = hung(hand, links)
    spans = [span_of(member.joint.settings) for member in hand.members]
    plants = rest_plants(parts, [low + 0.3 * (high - low) for low, high in spans], arms)
    duties = np.zeros(len(parts))
    duties[:3] = values
    plants["coasting"] = duties == 0.0
    chain = kernels.twin().chain
    rows = []
    steps = 20
    for _ in range(TICKS):
        chain.share_supply(plants, duties)
        chain.run_plants(kernels.as_array(parts), plants, duties, crossings(arms), links,
                         np.zeros(len(parts)), steps, SPAN_S / steps)  # fmt: skip
        rows.append(plants["joint_rad"][:3].copy())
    return np.array(rows), plants


def on_boards(boards, values):
    rows = []
    for joint, value in zip(boards, values, strict=True):
        joint.value = value
    for _ in range(TICKS):
        for joint in boards:
            joint.advance(SPAN_S, SPAN_S)
        rows.append([float(joint.plant["joint_rad"]) for joint in boards])
    return np.array(rows)


@pytest.mark.parametrize("values", [(0.7, 0.0, 0.0), (0.6, -0.5, 0.5), (-0.5, 0.6, 0.0)])
def test_joints_of_two_boards_move_as_in_one_kernel(hand, boards, values):
    want, _ = in_step(hand, values)
    got = on_boards(boards, values)
    assert np.ptp(want, axis=0).max() > np.radians(20.0)
    # a board sees the others as they were a tick ago: no further off than they move in two
    late = 2.0 * np.abs(np.diff(want, axis=0)).max()
    assert late < np.radians(3.0)
    np.testing.assert_allclose(got, want, rtol=0.0, atol=late)
    assert np.abs(got - want).mean() < np.radians(0.3)


def test_a_joint_that_is_not_driven_is_pulled_by_one_on_another_board(boards):
    """The fingertip's cables cross the base joint: it moves though its own motor stands."""
    before = [float(joint.plant["joint_rad"]) for joint in boards]
    after = on_boards(boards, (0.7, 0.0, 0.0))[-1]
    assert after[0] - before[0] > np.radians(20.0)
    assert abs(after[2] - before[2]) > np.radians(3.0)


def test_the_supply_sags_for_all_boards(boards):
    on_boards(boards, (0.0, 0.0, 0.0))
    still = float(boards[2].plant["bus_V"])
    boards[0].value = boards[1].value = 1.0
    boards[0].plant["drum_rad_s"] = boards[1].plant["drum_rad_s"] = 0.0
    for _ in range(2):  # motors that start draw their stall current
        for joint in boards:
            joint.advance(SPAN_S, SPAN_S)
    assert float(boards[2].plant["bus_V"]) < still - 0.05


def test_a_load_from_outside_stays_what_it_was(boards):
    boards[2].plant["load_Nm"] = 0.02
    boards[2].advance(SPAN_S, SPAN_S)
    assert float(boards[2].plant["load_Nm"]) == 0.02
    assert Bond(Path(boards[2].bond.plants.filename).parent).plants["joint_rad"][
        2
    ] == pytest.approx(float(boards[2].plant["joint_rad"]))


def test_moved_by_hand_a_joint_rests_where_it_was_put(boards):
    """Its cables go over joints that are bent: their way is taken up too."""
    tip = boards[2]
    for angle in (float(tip.plant["joint_rad"]), np.radians(60.0)):
        assert tip.inject(MOVE_BY_HAND, angle, 0.0, 0.0)
        peak = float(tip.plant["peak_cable_N"])
        for _ in range(100):
            for joint in boards:
                joint.advance(SPAN_S, SPAN_S)
        assert float(tip.plant["joint_rad"]) == pytest.approx(angle, abs=np.radians(4.0))
        assert float(tip.plant["peak_cable_N"]) < peak + 10.0
