from itertools import pairwise

import numpy as np
import pytest

from controller.joint.motion import profile
from controller.joint.motion.segments import SEGMENTS, advance, duration
from controller.joint.settings.settings import Profile
from controller.joint.state import Motion, Plan

RNG = np.random.default_rng(23)
RANDOM = [
    tuple(float(x) for x in one)
    for one in RNG.uniform((-2.0, -6.0, -90.0, -2.0), (2.0, 6.0, 90.0, 2.0), (80, 4))
]
MOVES = [
    (0.0, 0.0, 0.0, 1.0),
    (0.0, 0.0, 0.0, -1.0),
    (0.0, 0.0, 0.0, 1e-4),
    (0.3, 0.0, 0.0, 0.3),
    (0.0, 0.0, 0.0, 40.0),
    (0.0, 6.9, 0.0, -1.0),
    (0.0, 6.9, 0.0, 0.05),
    (0.0, 20.0, 0.0, 5.0),  # beyond the speed limit
    (0.0, 3.0, 300.0, 2.0),  # beyond the acceleration limit
]


def limits():
    return Profile()  # 7 rad/s, 100 rad/s^2, 3500 rad/s^3


def planned(p, v, a, target, most_rad_s=1e9):
    plan, motion = Plan(), Motion()
    profile.set_limits(plan, limits(), most_rad_s)
    profile.begin(plan, p, v, a, target)
    for part in range(profile.PARTS):
        profile.work(plan, part)
    profile.finish(plan, motion, p, v, a)
    return motion


def path(motion, h=2e-4):
    rows = [(motion.setpoint_rad, motion.setpoint_rad_s, motion.setpoint_rad_s2)]
    while motion.segment < SEGMENTS:
        advance(motion, h)
        rows.append((motion.setpoint_rad, motion.setpoint_rad_s, motion.setpoint_rad_s2))
    return np.array(rows)


@pytest.mark.parametrize(("p", "v", "a", "target"), MOVES + RANDOM)
def test_a_plan_ends_at_rest_on_its_target(p, v, a, target):
    motion = planned(p, v, a, target)
    assert min(motion.duration_s) >= -1e-12
    end = path(motion)[-1]
    assert end == pytest.approx((target, 0.0, 0.0), abs=1e-8)


@pytest.mark.parametrize(("p", "v", "a", "target"), MOVES + RANDOM)
def test_limits_hold_all_the_way(p, v, a, target):
    s = limits()
    motion = planned(p, v, a, target)
    assert max(abs(j) for j in motion.jerk_rad_s3) <= s.jerk_rad_s3 * (1 + 1e-12)
    rows = path(motion)
    assert np.abs(rows[:, 2]).max() <= max(s.acceleration_rad_s2, abs(a)) + 1e-6
    # The acceleration it starts with carries the speed on before jerk can end it.
    carried = abs(v + a * abs(a) / (2.0 * s.jerk_rad_s3))
    assert np.abs(rows[:, 1]).max() <= max(s.speed_rad_s, abs(v), carried) + 1e-6


def test_a_long_move_takes_the_time_of_the_trapezoid_with_rounded_corners():
    s = limits()
    for distance in (3.0, 10.0):
        found = duration(planned(0.0, 0.0, 0.0, distance))
        expected = (
            distance / s.speed_rad_s
            + s.speed_rad_s / s.acceleration_rad_s2
            + s.acceleration_rad_s2 / s.jerk_rad_s3
        )
        assert found == pytest.approx(expected, rel=1e-6)


def test_a_short_move_is_four_pieces_of_full_jerk():
    distance = 0.02  # 2 j t^3, without reaching any other limit
    t = (distance / (2.0 * limits().jerk_rad_s3)) ** (1.0 / 3.0)
    assert t * limits().jerk_rad_s3 < limits().acceleration_rad_s2
    assert duration(planned(0.0, 0.0, 0.0, distance)) == pytest.approx(4.0 * t, rel=1e-4)


@pytest.mark.parametrize(("p", "v", "a", "target"), RANDOM[:20])
def test_mirrored_moves_are_mirrored(p, v, a, target):
    one, other = planned(p, v, a, target), planned(-p, -v, -a, -target)
    assert list(one.duration_s) == list(other.duration_s)
    assert list(one.jerk_rad_s3) == [-j for j in other.jerk_rad_s3]


@pytest.mark.parametrize("most", [0.5, 2.0, 100.0])
def test_the_speed_cap_holds(most):
    rows = path(planned(0.0, 0.0, 0.0, 4.0, most))
    assert rows[:, 1].max() == pytest.approx(min(most, limits().speed_rad_s), rel=1e-6)


@pytest.mark.parametrize(("p", "v", "a", "target"), RANDOM[:10])
def test_more_bracket_steps_come_no_further_from_the_target(p, v, a, target):
    plan = Plan()
    profile.set_limits(plan, limits(), 1e9)
    profile.begin(plan, p, v, a, target)
    gaps = []
    for part in range(profile.PARTS):
        profile.work(plan, part)
        gaps.append(plan.best_gap)
    assert all(now <= before for before, now in pairwise(gaps))
    assert gaps[-1] < 1e-9 or plan.phase == 4


@pytest.mark.parametrize(("v", "a"), [(5.0, 0.0), (-5.0, 40.0), (1.0, -90.0)])
def test_a_stop_is_the_last_three_segments_and_ends_at_rest(v, a):
    plan, motion = Plan(), Motion()
    profile.set_limits(plan, limits(), 1e9)
    motion.setpoint_rad, motion.setpoint_rad_s, motion.setpoint_rad_s2 = 1.0, v, a
    profile.stop(plan, motion)
    assert motion.segment == 4
    assert motion.duration_s[:4] == [0.0] * 4
    rows = path(motion)
    assert rows[-1, 1:] == pytest.approx((0.0, 0.0), abs=1e-9)
    assert np.abs(rows[:, 2]).max() <= 100.0 + 1e-6
