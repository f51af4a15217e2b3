"""A joint that turns without end, over the dead gap of its sensor (240 to 260 deg), on the plant."""

from math import pi

import pytest

from sim import program
from sim.closed_loop import simulate
from sim.scenarios import DEG, Scenario

TURNING = {"joint.travel": "continuous", "joint.range": None, "joint.gravity_torque": "0 N*m"}
QUICK_WIRE = {"sensor.capacitance": "0.1 nF"}
TWO = {"sensor.wipers": 2}
SEEDS = range(1, 9)


def ends(made, changes, start_deg, target_deg=None):
    """Faults of several runs, and how far (rad) they end from the target."""
    joint = made({**TURNING, **changes})
    found = []
    for seed in SEEDS:
        scene = Scenario("turning", start_deg * DEG, 2.0)
        if target_deg is not None:
            scene.at(0.12, program.TARGET, target_deg * DEG - 2.0 * pi)
        trace = simulate(joint, scene, seed=seed)
        away = trace["joint_rad"][-1] - (start_deg if target_deg is None else target_deg) * DEG
        found.append((trace.metrics.fault, abs(away)))
    return found


@pytest.mark.parametrize(
    ("changes", "start", "target"),
    [
        ({}, 200.0, 300.0),
        (TWO, 200.0, 300.0),
        ({}, 300.0, 200.0),
        (TWO, 300.0, 200.0),
        (QUICK_WIRE, 200.0, 300.0),
        ({**QUICK_WIRE, **TWO}, 200.0, 300.0),
        ({**QUICK_WIRE, **TWO, "limits.speed": "2 rad/s"}, 300.0, 200.0),
    ],
)
def test_a_move_crosses_the_dead_gap(made, changes, start, target):
    for fault, away in ends(made, changes, start, target):
        assert fault == "none"
        assert away < 1.5 * DEG


def test_a_slow_crossing_ends_well_or_as_too_long_in_the_gap(made):
    slow = {**QUICK_WIRE, "limits.speed": "2 rad/s"}
    for fault, _ in ends(made, slow, 200.0, 300.0) + ends(made, slow, 300.0, 200.0):
        assert fault in ("none", "too long in the dead gap")


def test_a_joint_with_two_wipers_may_rest_in_the_gap_of_one(made):
    for fault, away in ends(made, TWO, 250.0):
        assert fault == "none"
        assert away < 1.5 * DEG


def test_a_joint_with_two_wipers_may_rest_in_the_gap_of_the_other(made):
    for fault, away in ends(made, TWO, 70.0):
        assert fault == "none"
        assert away < 1.5 * DEG


def test_several_turns_end_at_the_turn_asked_for(made):
    joint = made({**TURNING, **QUICK_WIRE, **TWO, "limits.speed": "5 rad/s"})
    scene = Scenario("turns", 0.5, 8.0).at(0.12, program.TURN_TARGET, 1.0, 5.0)
    trace = simulate(joint, scene)
    assert trace.metrics.fault == "none"
    assert trace["joint_rad"][-1] == pytest.approx(1.0 + 10.0 * pi, abs=1.5 * DEG)
