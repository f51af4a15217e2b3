"""Virtual boards of one hand: joints on different boards feel each other as in the simulation in step."""

import functools
from pathlib import Path

import numpy as np
import pytest

from controller.joint.modes import ARM, DRIVE_OFF, POWERED
from controller.joint.motion.setpoint import TO_TARGET
from controller.node.joints import Joints
from controller.node.loop import Loop
from host.virtual.adapter import Adapter
from host.virtual.board import job_of
from host.virtual.mechanism import Mechanism
from host.virtual.starting import Job
from sim.hand.coupled import crossings, hung, rest_plants
from sim.hand.file import matrices, read_hand
from sim.model.schedule import LOAD, MOVE_BY_HAND
from sim.run import kernels
from sim.run.scenarios import span_of

DEMO = Path(__file__).resolve().parents[2] / "host" / "demo" / "hand.toml"
SPAN_S, TICKS = 2e-3, 200


@pytest.fixture(scope="module")
def hand():
    return read_hand(DEMO)


def job(hand, tick_us=2000):
    """All joints of the hand, one board a joint; no computing delay."""
    spans = [span_of(member.joint.settings) for member in hand.members]
    count = len(hand.members)
    return Job([member.joint.part for member in hand.members],
               [low + 0.3 * (high - low) for low, high in spans], [0.0] * count,
               [(tick_us, [k]) for k in range(count)], 0, 1, matrices(hand))  # fmt: skip


@pytest.fixture
def mechanism(hand):
    return Mechanism(job(hand))


def in_step(hand, values):
    """The same in one kernel: joint angles (rad) tick by tick, shape (TICKS, n)."""
    arms, links = matrices(hand)
    parts = hung(hand, links)
    spans = [span_of(member.joint.settings) for member in hand.members]
    plants = rest_plants(parts, [low + 0.3 * (high - low) for low, high in spans], arms)
    duties = np.zeros(len(parts))
    duties[: len(values)] = values
    plants["coasting"] = duties == 0.0
    chain = kernels.twin().hand_loop
    rows = []
    steps = 20
    for _ in range(TICKS):
        chain.share_supply(plants, duties)
        chain.run_plants(kernels.as_array(parts), plants, duties, crossings(arms), links,
                         np.zeros(len(parts)), steps, SPAN_S / steps)  # fmt: skip
        rows.append(plants["joint_rad"].copy())
    return np.array(rows)


def on_boards(mechanism, values, ticks=TICKS):
    """Put out duties once and let time pass; joint angles (rad), shape (ticks, n)."""
    for k, value in enumerate(values):
        mechanism.put(k, value)
    rows = []
    for _ in range(ticks):
        mechanism.advance(mechanism.now_us + round(SPAN_S * 1e6))
        rows.append(mechanism.plants["joint_rad"].copy())
    return np.array(rows)


@pytest.mark.parametrize("values", [(0.7, 0.0, 0.0), (0.6, -0.5, 0.5), (-0.5, 0.6, 0.0)])
def test_joints_on_any_boards_move_as_in_one_kernel(hand, mechanism, values):
    """One mechanism: the same up to the length of its substeps."""
    want = in_step(hand, values)
    got = on_boards(mechanism, values)
    assert np.ptp(want, axis=0).max() > np.radians(20.0)
    np.testing.assert_allclose(got, want, rtol=0.0, atol=np.radians(0.05))


def test_a_joint_that_is_not_driven_is_pulled_by_one_on_another_board(mechanism):
    """The fingertip's cables cross the base joint: it moves though its own motor stands."""
    before = mechanism.plants["joint_rad"].copy()
    after = on_boards(mechanism, (0.7,))[-1]
    assert after[0] - before[0] > np.radians(20.0)
    assert abs(after[2] - before[2]) > np.radians(3.0)


def test_the_supply_sags_for_all_boards(mechanism):
    on_boards(mechanism, (0.0,), 1)
    still = float(mechanism.plants["bus_V"][2])
    on_boards(mechanism, (1.0, 1.0), 2)  # motors that start draw their stall current
    assert float(mechanism.plants["bus_V"][2]) < still - 0.05


def test_a_load_from_outside_stays_what_it_was(mechanism):
    assert mechanism.inject(2, LOAD, 0.02, 0.0, 0.0)
    on_boards(mechanism, (0.0,), 3)
    assert mechanism.loads[2] == 0.02


def test_moved_by_hand_a_joint_rests_where_it_was_put(mechanism):
    """Its cables go over joints that are bent: their way is taken up too."""
    for angle in (float(mechanism.plants["joint_rad"][2]), np.radians(60.0)):
        assert mechanism.inject(2, MOVE_BY_HAND, angle, 0.0, 0.0)
        peak = float(mechanism.plants["peak_cable_N"][2])
        on_boards(mechanism, (0.0,), 100)
        assert float(mechanism.plants["joint_rad"][2]) == pytest.approx(angle, abs=np.radians(4.0))
        assert float(mechanism.plants["peak_cable_N"][2]) < peak + 10.0


class Clock:
    """Time that moves only when told."""

    us = 1000

    def now(self):
        return self.us

    def sleep(self, span):
        self.us += span


class NoLink:
    def read(self, most):
        return b""

    def write(self, data):
        return True


@pytest.fixture(scope="module")
def hand_at(tmp_path_factory):
    """The demo's hand with another tick rate (Hz)."""

    def make(rate_Hz):
        folder = tmp_path_factory.mktemp("hand")
        text = DEMO.read_text(encoding="utf-8")
        assert 'rate = "200 Hz"' in text
        (folder / "hand.toml").write_text(text.replace('rate = "200 Hz"', f'rate = "{rate_Hz} Hz"'))
        (folder / "joint.toml").write_text((DEMO.parent / "joint.toml").read_text(encoding="utf-8"))
        return read_hand(folder / "hand.toml")

    return functools.cache(make)


@pytest.mark.parametrize(
    "rates_Hz", [(100,) * 3, (200,) * 3, (250,) * 3, (500,) * 3, (1000,) * 3, (100, 1000, 200), (1000, 250, 500)]
)  # fmt: skip
def test_closed_loops_on_boards_of_any_rate_hold_and_follow(hand_at, rates_Hz):
    """Index finger, a board a joint, each with its own tick: armed, held, moved, then off."""
    clock = Clock()
    joints = [hand_at(rate).members[k].joint for k, rate in enumerate(rates_Hz)]
    plan = job(hand_at(rates_Hz[0]))
    plan.boards = [(round(joint.settings.tick_s * 1e6), [k]) for k, joint in enumerate(joints)]
    plan.boards.append((5000, list(range(3, len(plan.parts)))))
    plan.delays_s[:3] = [joint.delay_s for joint in joints]
    mechanism = Mechanism(plan)
    nodes = [Loop(Adapter(mechanism, [k], clock), NoLink(), Joints(1), plan.boards[k][0], clock=clock)
             for k in range(3)]  # fmt: skip
    for node, joint in zip(nodes, joints, strict=True):
        node.joints.slots[0].settings = joint.settings
        node.begin()

    def run(seconds):
        until = clock.us + round(seconds * 1e6)
        while clock.us < until:
            node = min(nodes, key=lambda one: one.edge)
            clock.us = node.edge
            node.renew(clock.us, 100)
            node.begin_tick(clock.us, 0)
        return mechanism.plants["joint_rad"][:3].copy()

    def told():
        return [
            (node.joints.slots[0].report.mode, node.joints.slots[0].report.fault) for node in nodes
        ]

    for node in nodes:
        node.joints.slots[0].command.request = ARM
    start = run(1.5)
    assert told() == [(POWERED, 0)] * 3
    assert np.abs(run(0.5) - start).max() < np.radians(2.0), "they hold"
    goals = [start[0] + 0.5, start[1] + 0.4, start[2] + 0.3]
    for node, goal in zip(nodes, goals, strict=True):
        command = node.joints.slots[0].command
        command.kind, command.target_rad = TO_TARGET, goal
    assert run(2.0) == pytest.approx(goals, abs=np.radians(2.0))
    assert told() == [(POWERED, 0)] * 3
    for node in nodes:
        node.joints.slots[0].command.request = DRIVE_OFF
    held = run(0.1)
    assert np.abs(run(1.0) - held).max() < np.radians(5.0), "with the drives off nothing feeds it"


def test_the_job_of_a_hand_keeps_the_computing_delay_of_its_joints(hand):
    joints = [member.joint for member in hand.members[:2]]
    made = job_of(joints)
    assert made.delays_s == [joint.delay_s for joint in joints]
    assert made.tick_us_of(1) == round(joints[1].settings.tick_s * 1e6)
