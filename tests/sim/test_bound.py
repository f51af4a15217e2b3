from math import isnan, sqrt

import pytest

from controller.records import copy
from sim.joint import physics
from sim.joint.part import Part
from sim.run.closed_loop import simulate
from sim.run.scenarios import DEG, step
from sim.size.step_bound import step_bound

START, TARGET = 20 * DEG, 80 * DEG


def bound_of(joint, part=None, start=START, target=TARGET, amps=None):
    band = 0.02 * abs(target - start)
    amps = joint.settings.limits.current_A if amps is None else amps
    return step_bound(part or joint.part, start, target, band, amps)


def changed(joint, **motor):
    part = Part()
    copy(joint.part, part)
    for name, value in motor.items():
        setattr(part.motor, name, value)
    return part


def by_hand(part, distance, amps):
    """No quicker: full current without any friction up to the no-load speed, then brakes of any force."""
    m = part.motor
    acceleration = m.emf_V_s * amps / m.inertia
    speed = part.supply_V / m.emf_V_s
    if speed**2 / (2.0 * acceleration) > distance:
        return sqrt(2.0 * distance / acceleration)
    return distance / speed + speed / (2.0 * acceleration)


@pytest.mark.parametrize("target", [50 * DEG, 80 * DEG, 95 * DEG])
def test_it_lies_between_a_bound_by_hand_and_what_the_loop_reaches(joint, target):
    found = bound_of(joint, target=target)
    distance = 0.98 * (target - START)
    assert by_hand(joint.part, distance, joint.settings.limits.current_A) < found
    reached = simulate(joint, step(START, target, 0.004, 1.0, 0.5)).metrics.settling_2pct_s
    assert found < reached < 4.0 * found


def test_both_directions_are_alike_and_further_takes_longer(joint):
    up, down = bound_of(joint), bound_of(joint, start=TARGET, target=START)
    assert down == pytest.approx(up, rel=0.05)
    assert bound_of(joint, target=50 * DEG) < up < bound_of(joint, target=95 * DEG)


def test_what_helps_the_motor_shortens_it(joint):
    base = bound_of(joint)
    assert bound_of(joint, amps=0.3) > base
    assert bound_of(joint, changed(joint, inertia=2.0 * joint.part.motor.inertia)) > base
    assert bound_of(joint, changed(joint, inertia=0.5 * joint.part.motor.inertia)) < base


def test_a_motor_that_cannot_move_the_joint_has_none(joint):
    least = joint.part.motor.coulomb_Nm / joint.part.motor.emf_V_s
    assert isnan(bound_of(joint, amps=0.9 * least))
    assert physics.tip_force_of_current(joint.part, 0.9 * least) == 0.0


def test_it_is_the_same_every_time(joint):
    assert bound_of(joint) == bound_of(joint)
