"""The planned move against closed forms and an independent time-optimal planner.

Reference planner: the ruckig library (L. Berscheid and T. Kroeger, Jerk-limited real-time
trajectory generation with arbitrary target states, Robotics: Science and Systems, 2021).
"""

import numpy as np
import pytest
import ruckig

from controller.joint.motion import profile, segments, setpoint, trajectory
from controller.joint.settings.settings import Settings
from controller.joint.state import Command, Motion, Plan, Sensed

SLACK = 1e-9  # relative, on limits: rounding of the segments


def plan_move(p, v, a, target, limits):
    """Plan as the control tick does; limits are (speed, acceleration, jerk)."""
    settings, plan, motion = Settings().profile, Plan(), Motion()
    settings.speed_rad_s, settings.acceleration_rad_s2, settings.jerk_rad_s3 = limits
    profile.set_limits(plan, settings, 1.0e9)
    profile.begin(plan, p, v, a, target)
    for part in range(profile.PARTS):
        profile.work(plan, part)
    profile.finish(plan, motion, p, v, a)
    return motion


def follow(motion, steps):
    """Follow to the end in equal steps; rows of position, speed, acceleration."""
    rows, h = [], segments.duration(motion) / steps
    for _ in range(steps + 2):  # one more: what rounding left over
        rows.append((motion.setpoint_rad, motion.setpoint_rad_s, motion.setpoint_rad_s2))
        segments.advance(motion, h)
    return np.array(rows)


def reference(p, v, a, target, limits):
    """Trajectory of the reference planner, or None where it gives none."""
    wanted, found = ruckig.InputParameter(1), ruckig.Trajectory(1)
    wanted.current_position = [p]
    wanted.current_velocity = [v]
    wanted.current_acceleration = [a]
    wanted.target_position = [target]
    wanted.max_velocity, wanted.max_acceleration, wanted.max_jerk = ([one] for one in limits)
    try:
        return found if ruckig.Ruckig(1).calculate(wanted, found).value >= 0 else None
    except ruckig.RuckigError:
        return None


def rest_to_rest(d, v, a, j):
    """Duration from rest to rest: closed form of textbooks, its cases from memory."""
    if v * j >= a * a:
        if d >= v * (v / a + a / j):
            return d / v + v / a + a / j
        if d >= 2.0 * a**3 / j**2:
            return a / j + np.sqrt((a / j) ** 2 + 4.0 * d / a)
    elif d >= 2.0 * v * np.sqrt(v / j):
        return d / v + 2.0 * np.sqrt(v / j)
    return 4.0 * (0.5 * d / j) ** (1.0 / 3.0)


@pytest.mark.parametrize(
    ("d", "v", "a", "j", "duration"),
    [
        # closed form, agreed on by the reference planner
        (1.0, 1.0, 2.0, 10.0, 1.7),
        (0.5, 1.0, 2.0, 10.0, 1.2198039027),
        (0.05, 1.0, 2.0, 10.0, 0.5428835233),
        (1.0, 0.2, 2.0, 10.0, 5.2828427125),
        (45.0, 120.0, 600.0, 6000.0, 0.675),
        (5.0, 120.0, 600.0, 6000.0, 0.2987603164),
        (90.0, 60.0, 600.0, 6000.0, 1.7),
    ],
)
def test_rest_to_rest_examples(d, v, a, j, duration):
    assert rest_to_rest(d, v, a, j) == pytest.approx(duration, abs=1e-9)
    for target in (d, -d):
        motion = plan_move(0.0, 0.0, 0.0, target, (v, a, j))
        assert segments.duration(motion) == pytest.approx(duration, abs=1e-9)
        assert follow(motion, 50)[-1] == pytest.approx([target, 0.0, 0.0], abs=1e-7)


def test_random_rest_to_rest_moves_take_the_closed_form_time():
    rng = np.random.default_rng(45)
    for _ in range(400):
        v, a, j = np.exp(rng.uniform(np.log([0.2, 1.0, 5.0]), np.log([10.0, 200.0, 5000.0])))
        d = np.exp(rng.uniform(np.log(1e-3), np.log(3.0)))
        motion = plan_move(0.3, 0.0, 0.0, 0.3 - d, (v, a, j))
        # ten bracket steps leave the cut uncertain by less than a millionth
        assert segments.duration(motion) == pytest.approx(rest_to_rest(d, v, a, j), rel=1e-6)


SLOW, QUICK = (1.0, 2.0, 10.0), (120.0, 600.0, 6000.0)
CASES = [
    # p, v, a, target, limits (speed, acceleration, jerk), duration by ruckig 0.19.4
    (0.0, 0.0, 0.0, 1.0, SLOW, 1.7),
    (0.0, 0.0, 0.0, -1.0, SLOW, 1.7),
    (0.0, 0.0, 0.0, 0.001, SLOW, 0.14736125994561547),
    (0.0, 0.5, 0.0, 1.0, SLOW, 1.4625),
    (0.0, -0.5, 0.0, 1.0, SLOW, 2.0625),
    (0.0, 0.5, 1.0, 1.0, SLOW, 1.4272916666666666),
    (0.0, 0.5, -1.0, 1.0, SLOW, 1.5339583333333333),
    (0.0, 1.0, 0.0, 0.1, SLOW, 1.4348469228349532),
    (0.0, -0.5, -1.5, -1.0, SLOW, 1.4187890625),
    (0.0, 0.0, 1.5, 1.0, SLOW, 1.6094140625),
    (0.0, 0.0, -2.0, 1.0, SLOW, 2.0566666666666666),
    (0.3, 0.2, 0.5, 0.3, SLOW, 0.6900864720827854),
    (0.0, 0.9, 0.0, 0.0, SLOW, 1.4405694150420947),
    (10.0, 30.0, 0.0, 80.0, QUICK, 0.8270833333333333),
    (10.0, -60.0, 300.0, 80.0, QUICK, 0.978515625),
    (80.0, 100.0, -500.0, 20.0, QUICK, 0.9907069830246912),
    (45.0, 0.0, 0.0, 45.5, QUICK, 0.13867225487012694),
    (0.0, 119.0, 0.0, 90.0, QUICK, 0.9001075828707279),
    (0.0, 50.0, 600.0, 90.0, QUICK, 0.936111111111111),
    (90.0, -120.0, 0.0, 0.0, QUICK, 0.9),
    (0.0, 0.5, 3.0, 1.0, SLOW, 1.405625),  # starts above the acceleration limit
    (0.25, 0.1, -0.7, 0.26, (0.6, 1.1, 3.3), 0.2762818528240588),
]


@pytest.mark.parametrize(("p", "v", "a", "target", "limits", "duration"), CASES)
def test_moves_from_any_state(p, v, a, target, limits, duration):
    best = reference(p, v, a, target, limits)
    motion = plan_move(p, v, a, target, limits)
    found = segments.duration(motion)
    assert found == pytest.approx(best.duration, rel=1e-6)
    assert found == pytest.approx(duration, rel=1e-6)
    rows = follow(motion, 40)
    states = [best.at_time(t) for t in np.linspace(0.0, best.duration, 41)]
    # the whole course, not only its end: a time-optimal move is unique
    assert rows[:-1, 0] == pytest.approx([s[0][0] for s in states], rel=1e-6, abs=1e-6)
    assert rows[:-1, 1] == pytest.approx([s[1][0] for s in states], rel=1e-5, abs=1e-5)


def test_a_move_to_where_the_joint_stands_takes_no_time():
    assert segments.duration(plan_move(0.0, 0.0, 0.0, 0.0, SLOW)) == 0.0  # as ruckig 0.19.4


def test_a_state_that_is_slow_to_bracket():
    state = (0.0, -0.0495552, -1.094764, -0.0140665, (0.215778, 43.0416, 13.63767))
    found = segments.duration(plan_move(*state))
    assert found == pytest.approx(reference(*state).duration, rel=1e-6)


@pytest.mark.parametrize(
    ("v", "a", "duration"), [(1.5, 0.0, 2.2957842712474092), (1.5, 1.0, 2.224325937914073)]
)
def test_start_above_the_speed_limit(v, a, duration):
    # ruckig 0.19.4 brakes to the limit at full deceleration and dives below it;
    # coming back to the limit without a dive is quicker, so at most as long
    motion = plan_move(0.0, v, a, 2.0, SLOW)
    assert reference(0.0, v, a, 2.0, SLOW).duration == pytest.approx(duration, rel=1e-9)
    assert segments.duration(motion) < duration
    rows = follow(motion, 1000)
    assert rows[-1] == pytest.approx([2.0, 0.0, 0.0], abs=1e-6)
    assert rows[:, 1].max() == pytest.approx(v + a * a / 20.0, rel=1e-6)  # at full jerk
    slow_from = np.argmax(rows[:, 1] <= 1.0 + 1e-9)
    assert slow_from * segments.duration(motion) / 1000 < 0.7  # 0.5/2 + 2/10 + a/10 + a^2/40
    assert rows[slow_from:, 1].max() <= 1.0 + 1e-9


def random_state(rng):
    """Limits, and a state inside those of speed and acceleration.

    Its acceleration may carry it beyond the speed limit, at most to ten times
    (a joint that has just been told to grip has a speed limit ten times lower).
    """
    limits = np.exp(rng.uniform(np.log([0.2, 1.0, 5.0]), np.log([10.0, 200.0, 5000.0])))
    p = rng.uniform(-2.0, 2.0)
    v, a = rng.uniform(-1.0, 1.0, 2) * limits[:2]
    a = np.clip(a, -np.sqrt(18.0 * limits[2] * limits[0]), np.sqrt(18.0 * limits[2] * limits[0]))
    target = p + rng.uniform(-3.0, 3.0) * rng.choice([1.0, 0.1, 0.01])
    return p, v, a, target, tuple(limits)


def test_random_states_are_planned_in_the_shortest_time():
    rng = np.random.default_rng(2026)
    kept = beyond = 0
    for _ in range(2500):
        p, v, a, target, limits = random_state(rng)
        motion = plan_move(p, v, a, target, limits)
        best = reference(p, v, a, target, limits)
        found = segments.duration(motion)
        if abs(v + a * abs(a) / (2.0 * limits[2])) <= limits[0]:
            kept += 1
            assert best is not None
            assert found == pytest.approx(best.duration, rel=1e-6), (p, v, a, target, limits)
        elif best is not None:  # the speed limit must be crossed: plans differ in how
            beyond += 1
            assert found <= best.duration * (1.0 + 1e-6), (p, v, a, target, limits)
        segments.advance(motion, found * (1.0 + 1e-12) + 1e-9)
        assert motion.segment == segments.SEGMENTS
        assert motion.setpoint_rad == pytest.approx(target, abs=1e-6)
        assert motion.setpoint_rad_s == pytest.approx(0.0, abs=1e-6 * limits[0])
    assert kept >= 1500
    assert beyond >= 200


def test_limits_are_kept_along_the_way():
    rng = np.random.default_rng(77)
    for _ in range(300):
        p, v, a, target, (speed, acceleration, jerk) = random_state(rng)
        motion = plan_move(p, v, a, target, (speed, acceleration, jerk))
        assert min(motion.duration_s) >= 0.0
        assert max(np.abs(motion.jerk_rad_s3)) <= jerk * (1.0 + SLACK)
        rows = follow(motion, 150)
        assert np.abs(rows[:, 2]).max() <= acceleration * (1.0 + SLACK)
        # what the state carries beyond the speed limit, at full jerk, is unavoidable
        peak = max(speed, abs(v + a * abs(a) / (2.0 * jerk)), abs(v))
        assert np.abs(rows[:, 1]).max() <= peak * (1.0 + SLACK)


@pytest.mark.parametrize("plan_ticks", [1, 5])
def test_a_new_target_in_mid_move(plan_ticks):
    # 100 ms into a move, a target behind the joint: planned from where the running move will
    # be when planning ends, without a jump, and as quick as the reference planner
    settings = Settings()
    s, h = settings.profile, settings.tick_s
    s.speed_rad_s, s.acceleration_rad_s2, s.jerk_rad_s3 = limits = (5.0, 60.0, 1500.0)
    s.plan_ticks = plan_ticks
    plan, motion, command = Plan(), Motion(), Command()
    trajectory.reset(motion, 0.0)
    rows, asked, begun = [], {0: 1.5, 50: -0.4}, 50 + plan_ticks - 1
    for tick in range(600):
        if tick in asked:
            command.kind, command.target_rad = setpoint.TO_TARGET, asked[tick]
            trajectory.take(settings, motion, Sensed(), command)
            assert command.refused == 0
        trajectory.follow(settings, 1.0e9, 1, plan, motion, 0, 1)
        rows.append((motion.setpoint_rad, motion.setpoint_rad_s, motion.setpoint_rad_s2))
        if tick == begun:
            best = reference(*rows[-1], -0.4, limits)
            assert segments.duration(motion) == pytest.approx(best.duration, rel=1e-6)
    p, v, a = np.array(rows).T
    assert v[begun] > 2.0  # in mid-move
    assert (p[-1], v[-1], a[-1]) == (-0.4, 0.0, 0.0)
    ended = np.nonzero(p != -0.4)[0][-1] + 1
    assert (ended - begun) * h == pytest.approx(best.duration, abs=1.01 * h)
    # no jump anywhere: position and speed belong together, and the jerk limit holds
    assert np.diff(p) == pytest.approx(h * 0.5 * (v[1:] + v[:-1]), abs=limits[2] * h**3)
    assert np.abs(np.diff(a)).max() <= limits[2] * h * (1.0 + 1e-6)
    assert np.abs(v).max() <= limits[0] * (1.0 + SLACK)
    assert np.abs(a).max() <= limits[1] * (1.0 + SLACK)
