import numpy as np
import pytest

from controller.joint.motion.speed_change import change_speed, stop_distance
from controller.joint.state import Plan

RNG = np.random.default_rng(11)
STARTS = [
    (0.0, 0.0),
    (5.0, 0.0),
    (-5.0, 0.0),
    (0.01, 0.0),
    (0.0, 90.0),
    (0.0, -90.0),
    (3.0, 250.0),  # beyond the acceleration limit
    (-3.0, -250.0),
    (-3.0, 250.0),
    *[tuple(one) for one in RNG.uniform((-20.0, -150.0), (20.0, 150.0), (60, 2))],
]


def limits(acceleration=100.0, jerk=3500.0):
    plan = Plan()
    plan.acceleration, plan.jerk = acceleration, jerk
    return plan


def follow(plan, v, a):
    """Follow the planned segments; return distance, speed and acceleration at the end."""
    p = 0.0
    for t, j in ((plan.t1, plan.j1), (plan.t2, 0.0), (plan.t3, plan.j3)):
        assert t >= -1e-12
        p += v * t + a * t**2 / 2.0 + j * t**3 / 6.0
        v += a * t + j * t**2 / 2.0
        a += j * t
    return p, v, a


@pytest.mark.parametrize(("v", "a"), STARTS)
@pytest.mark.parametrize("aim", [0.0, 7.0, -7.0])
def test_a_change_of_speed_arrives_without_acceleration(v, a, aim):
    plan = limits()
    change_speed(plan, v, a, aim)
    _, speed, acceleration = follow(plan, v, a)
    assert speed == pytest.approx(aim, abs=1e-9)
    assert acceleration == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize(("v", "a"), STARTS)
def test_stop_distance_is_that_of_the_planned_stop(v, a):
    plan = limits()
    change_speed(plan, v, a, 0.0)
    assert stop_distance(plan, v, a) == pytest.approx(follow(plan, v, a)[0], abs=1e-9)


@pytest.mark.parametrize(("v", "a"), STARTS)
def test_limits_hold_and_acceleration_beyond_them_only_falls(v, a):
    plan = limits()
    change_speed(plan, v, a, 0.0)
    most = max(abs(a), plan.acceleration) + 1e-9
    now = a
    for t, j in ((plan.t1, plan.j1), (plan.t2, 0.0), (plan.t3, plan.j3)):
        assert abs(j) in (0.0, plan.jerk)
        now += j * t
        assert abs(now) <= most


@pytest.mark.parametrize(("v", "a"), STARTS)
def test_a_stop_takes_the_time_of_its_closed_form(v, a):
    """Second way: jerk to the peak, hold, jerk back, from the speed still missing."""
    plan = limits()
    change_speed(plan, v, a, 0.0)
    jerk, most = plan.jerk, plan.acceleration
    sign = -1.0 if v + a * abs(a) / (2.0 * jerk) >= 0.0 else 1.0
    v, a = v * sign, a * sign  # now the peak is positive and v falls short
    if a > most:
        v += (a * a - most * most) / (2.0 * jerk)
        expected = (a - most) / jerk + (-v - most * most / (2.0 * jerk)) / most + most / jerk
    else:
        peak = np.sqrt(max(a * a / 2.0 - jerk * v, 0.0))
        expected = (2.0 * peak - a) / jerk
        if peak > most:
            rest = -v - (2.0 * most**2 - a**2) / (2.0 * jerk)
            expected = (2.0 * most - a) / jerk + rest / most
    assert plan.t1 + plan.t2 + plan.t3 == pytest.approx(expected, abs=1e-9)


def test_a_joint_at_rest_needs_no_stop():
    plan = limits()
    change_speed(plan, 0.0, 0.0, 0.0)
    assert (plan.t1, plan.t2, plan.t3) == (0.0, 0.0, 0.0)
    assert stop_distance(plan, 0.0, 0.0) == 0.0
