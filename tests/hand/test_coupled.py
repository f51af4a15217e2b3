"""All joints in step: against MuJoCo, against single joints, and what the feed-forward is worth."""

from pathlib import Path

import numpy as np
import pytest

from controller.records import copy
from sim.hand.budget import (
    HandBudget,
    board_budget,
    budget,
    drawn_hands,
    heat_findings,
    nearest_to_warm,
    repeated_heat,
    sequence_budget,
)
from sim.hand.coupled import across_rows, mean_shares, scenarios, simulate_hand
from sim.hand.file import read_hand
from sim.joint.part import Part
from sim.model.start import start_plant
from sim.run import kernels
from sim.run.closed_loop import simulate

DEMO = Path(__file__).resolve().parents[2] / "host" / "demo" / "hand.toml"


@pytest.fixture(scope="module")
def hand():
    return read_hand(DEMO)


@pytest.fixture(scope="module")
def run(hand):
    return simulate_hand(hand, scenarios(hand, hand.sequences[0]))


def away(run):
    """Largest distance of each joint from its setpoint (rad), once armed."""
    return np.abs(run.column("setpoint_rad") - run.column("joint_rad"))[:, 20:].max(axis=1)


def test_nothing_trips_and_postures_are_reached(hand, run):
    assert (run.scores["fault"] == 0).all()
    end = run.column("joint_rad")[:, -1]
    for k, angle in hand.postures["rest"].items():
        assert abs(end[k] - angle) < np.radians(2.0), hand.members[k].name


def test_alone_on_its_supply_a_joint_moves_as_in_the_single_simulation(hand):
    """No coupling, no links, others at rest: the same bits would need the same substeps; within 0.1 deg."""
    scenes = scenarios(hand, hand.sequences[0])
    none = np.zeros((8, 8, 3))
    k = hand.number("thumb_base")  # has no link
    for other, scene in enumerate(scenes):
        if other != k:
            scene.rows = []
    together = simulate_hand(hand, scenes, arms=none, feed=False, seed=1)
    alone = simulate(hand.members[k].joint, scenes[k], seed=1 + k)
    rows = min(len(alone.rows), together.traces.shape[1])
    apart = np.abs(together.column("joint_rad")[k, :rows] - alone["joint_rad"][:rows])
    assert apart.max() < np.radians(1.0)
    assert apart[-1] < np.radians(0.3)


def test_feed_forward_takes_most_of_the_disturbance_away(hand, run):
    """Cables that cross moving joints: with the rows in the controllers, and without."""
    scenes = scenarios(hand, hand.sequences[0])
    blind = away(simulate_hand(hand, scenes, feed=False))
    told = away(run)
    k = hand.number("index_end")  # two joints crossed
    assert told[k] < 0.8 * blind[k]
    assert told.sum() < blind.sum()


def test_a_board_knows_only_its_own_joints(hand):
    rows = across_rows(hand, {0: 0, 1: 1})
    assert rows[2].across.joint_1 in (0, 1)
    assert rows[2].across.share_1 != 0.0
    assert across_rows(hand, {5: 0})[2].across.joint_1 == -1
    shares = mean_shares(hand)
    assert shares[1, 0] == pytest.approx(2.0 / 6.0)


def test_supply_sags_with_all_motors(hand, run):
    """E - R I by Ohm's law, I the sum of duty times winding current over all joints."""
    duty = run.column("allowed_V") / run.column("bus_V")
    whole = np.clip((duty * run.column("current_A")).sum(axis=0), -9.0, 9.0)
    later = slice(40, -1)
    # the trace holds a tick's drive beside the current before it: compare means over the run
    assert run.supply_A[later].mean() == pytest.approx(whole[later].mean(), rel=0.15)
    assert run.bus_V == pytest.approx(hand.supply_V - hand.supply_ohm * run.supply_A)


def test_budgets_agree_with_the_simulation(hand, run):
    made, again = sequence_budget(hand, hand.sequences[0])
    assert made.peak_A == pytest.approx(run.supply_A.max())
    assert made.lowest_bus_V == pytest.approx(run.bus_V.min())
    assert made.margin_V == pytest.approx(min(run.bus_V.min(), made.lowest_bus_V_range[0]) - 4.2)
    # heat: the closed form against the two-node model run for two hours at that rms current
    from controller.joint import heat as model
    from sim.joint.part import Plant

    k = int(np.argmax(repeated_heat(hand, again)))
    part = hand.members[k].joint.part
    square = float(np.mean(again.column("current_A")[k] ** 2))
    x = Plant()
    x.winding_C = x.case_C = part.heat.air_C
    for _ in range(72_000):
        ohm = model.resistance(part.motor.resistance_25_ohm, x.winding_C)
        model.warm_up(part.heat, x, ohm * square, 0.1)
    assert made.hottest_C[k] == pytest.approx(x.winding_C, abs=0.3)


def test_fresh_hands_lie_within_the_ranges_told(hand):
    """Of n equally likely hands one more lies between the ends with probability (n - 1)/(n + 1)."""
    sequence = hand.sequences[0]
    made, _ = sequence_budget(hand, sequence, seed=1)
    scenes = scenarios(hand, sequence)
    inside = []
    for number, parts in enumerate(drawn_hands(hand, 40, 777)):
        run = simulate_hand(hand, scenes, parts, 777 + number)
        hottest = max(repeated_heat(hand, run, parts))
        inside.append((within(run.supply_A.max(), made.peak_A_range),
                       within(run.bus_V.min(), made.lowest_bus_V_range),
                       within(hottest, made.hottest_C_range)))  # fmt: skip
    assert made.drawn == 24
    assert (np.mean(inside, axis=0) >= 0.8).all(), np.mean(inside, axis=0)  # 0.92 expected
    assert made.peak_A_range[0] < made.peak_A_range[1]


def test_the_winding_nearest_to_its_own_limit_is_told_and_what_never_settles_is_no_number(hand):
    import json

    sequence = hand.sequences[0]
    made, run = sequence_budget(hand, sequence, drawn=0)
    made.hottest_C = [40.0] * len(hand.members)
    made.hottest_C[1], made.hottest_C[2] = 70.0, 60.0
    limits = [member.joint.settings.heat.warm_C for member in hand.members]
    hand.members[2].joint.settings.heat.warm_C = 55.0
    try:
        assert nearest_to_warm(hand, made.hottest_C) == 2
        (told,) = heat_findings(hand, HandBudget([made], [], None, None))
    finally:
        hand.members[2].joint.settings.heat.warm_C = limits[2]
    assert told.weight == "warning"
    assert "index_end" in told.text
    made.hottest_C[0] = float("inf")
    json.dumps(HandBudget([made], [], None, None, runs=[run]).as_dict(), allow_nan=False)


def within(value, ends):
    return ends[0] <= value <= ends[1]


def test_boards_are_reckoned_from_the_cost_given(hand):
    rows = {one.name: one for one in board_budget(hand)}
    assert rows["palm A"].tick_share == pytest.approx(3 * 400e-6 / 5e-3)
    assert 0.0 < rows["palm A"].link_share < 1.0
    hand.boards[0].tick_cost_s = 2e-3
    try:
        told = " ".join(one.text for one in budget(hand).findings if one.weight == "warning")
    finally:
        hand.boards[0].tick_cost_s = 400e-6
    assert "palm A" in told
    assert "move joints to another board" in told


def quiet(part):
    """A part without friction, backlash and load loss: what MuJoCo can say too."""
    made = Part()
    copy(part, made)
    m, c, j = made.motor, made.cable, made.hinge
    m.coulomb_Nm = m.stiction_Nm = m.load_loss = m.half_gap_rad = 0.0
    m.inertia = 1.0e3  # the drum stands still
    c.wrap_loss = 0.0
    c.flexor_N_m = c.extensor_N_m = 400.0
    c.flexor_stretch_m = c.extensor_stretch_m = 0.05  # never slack
    c.damping_Ns_m = 0.0
    j.coulomb_Nm = j.stiction_Nm = j.gravity_Nm = 0.0
    j.inertia = 2.0e-5
    j.viscous_Nms = 4.0e-3
    j.stops = 0
    return made


def test_a_finger_hangs_in_its_cables_as_in_mujoco(hand):
    """Two links, two cables over pulleys, drums held: both come to rest at the same angles.

    MuJoCo's fixed tendons (spring length and stiffness, coefficients the moment arms) against
    ``sim/model/hand_loop.py``; gravity along the chain. At rest inertia has no say.
    """
    mujoco = pytest.importorskip("mujoco")
    parts = [quiet(hand.members[0].joint.part) for _ in range(2)]
    r2, cross, stiff = parts[0].cable.joint_m, 2.0e-3, 800.0
    mass, length = (0.009, 0.006), (0.042, 0.026)
    model = mujoco.MjModel.from_xml_string(f"""
    <mujoco><option gravity="0 0 -9.81" timestep="0.0005"/>
      <worldbody><body><joint name="a" axis="0 -1 0" damping="0.004" armature="2e-5"/>
        <geom type="sphere" size="0.001" pos="{length[0] / 2} 0 0" mass="{mass[0]}"/>
        <body pos="{length[0]} 0 0"><joint name="b" axis="0 -1 0" damping="0.004" armature="2e-5"/>
          <geom type="sphere" size="0.001" pos="{length[1] / 2} 0 0" mass="{mass[1]}"/></body></body></worldbody>
      <tendon><fixed stiffness="{stiff}" springlength="0"><joint joint="a" coef="{r2}"/></fixed>
        <fixed stiffness="{stiff}" springlength="0"><joint joint="a" coef="{cross}"/><joint joint="b" coef="{r2}"/></fixed></tendon>
    </mujoco>""")  # fmt: skip
    data = mujoco.MjData(model)
    for _ in range(20_000):
        mujoco.mj_step(model, data)
    pairs = np.array([[1.0, 0.0, cross, 0.0, 0.0]])
    links = np.array([[mass[k], length[k], length[k] / 2, 0.0, 0.0] for k in range(2)])
    plants = kernels.as_array([start_plant(part, 0.0, 25.0) for part in parts])
    records = kernels.as_array(parts)
    run_plants = kernels.twin().hand_loop.run_plants
    for _ in range(400):
        run_plants(records, plants, np.zeros(2), pairs, links, np.zeros(2), 100, 1e-4)
    assert np.abs(plants["joint_rad_s"]).max() < 1e-3, "at rest"
    assert data.qpos[0] < -0.02, "gravity bends it"
    assert plants["joint_rad"] == pytest.approx(data.qpos, abs=2e-4)
