"""Planned moves; streams and refusals stand in test_trajectory_commands.py."""

import numpy as np
import pytest

from controller.joint.angles import TURN_RAD
from controller.joint.motion import setpoint, trajectory
from controller.joint.settings.settings import CONTINUOUS, Settings
from controller.joint.state import Command, Motion, Plan, Sensed
from controller.records import copy

TICK_S = 0.002


class Mover:
    """Stage 4 alone: commands in, setpoints out."""

    def __init__(self, plan_ticks=1, angle=0.0):
        self.settings = Settings()
        self.settings.profile.plan_ticks = plan_ticks
        self.plan, self.motion, self.sensed = Plan(), Motion(), Sensed()
        trajectory.reset(self.motion, angle)

    def send(self, target, **more):
        command = Command()
        command.kind = more.pop("kind", setpoint.TO_TARGET)
        command.target_rad = target
        for name, value in more.items():
            setattr(command, name, value)
        trajectory.take(self.settings, self.motion, self.sensed, command)
        return command.refused

    def run(self, ticks, steps=1, most=1e9):
        """Return position, speed and acceleration after each of ``ticks`` ticks."""
        rows = []
        m = self.motion
        for _ in range(ticks):
            turn = self.sensed.base_turn
            trajectory.follow(self.settings, most, 1, self.plan, m, turn, steps)
            rows.append((m.setpoint_rad, m.setpoint_rad_s, m.setpoint_rad_s2))
        return np.array(rows)


def assert_continuous(rows, s):
    """No jump of position or speed between ticks, within the limits of the profile."""
    p, v, a = rows.T
    most = s.acceleration_rad_s2 * (1 + 1e-9)
    drift = np.abs(np.diff(p) - 0.5 * TICK_S * (v[1:] + v[:-1]))
    assert drift.max() <= s.jerk_rad_s3 * TICK_S**3 + 1e-9
    assert np.abs(np.diff(v)).max() <= most * TICK_S + 1e-9
    assert np.abs(a).max() <= most
    assert np.abs(v).max() <= s.speed_rad_s + 1e-6


@pytest.mark.parametrize("plan_ticks", [1, 4, 11, 50])
@pytest.mark.parametrize("target", [0.1 + 0.2, -3.3333, 1e-7, 0.7])
def test_a_move_ends_exactly_on_its_target_and_stands(target, plan_ticks):
    mover = Mover(plan_ticks)
    mover.send(target)
    rows = mover.run(1200)
    assert tuple(rows[-1]) == (target, 0.0, 0.0)
    assert mover.motion.source == trajectory.HOLD
    assert (rows[-100:] == rows[-1]).all()
    assert_continuous(rows, mover.settings.profile)


@pytest.mark.parametrize("plan_ticks", [2, 3, 7, 20, 50])
def test_planning_spread_over_ticks_gives_the_same_path_later(plan_ticks):
    paths = []
    for ticks in (1, plan_ticks):
        mover = Mover(ticks)
        mover.send(1.7)
        paths.append(mover.run(600))
    late = plan_ticks - 1
    assert (paths[1][:late] == 0.0).all()
    np.testing.assert_array_equal(paths[1][late:], paths[0][: 600 - late])


@pytest.mark.parametrize("plan_ticks", [1, 6])
@pytest.mark.parametrize("seed", range(6))
def test_new_targets_in_mid_move_never_make_the_setpoint_jump(seed, plan_ticks):
    rng = np.random.default_rng(seed)
    mover = Mover(plan_ticks)
    rows = [np.zeros((1, 3))]
    for _ in range(25):
        target = float(rng.uniform(-3.0, 3.0))
        mover.send(target)
        rows.append(mover.run(int(rng.integers(1, 250))))
    rows.append(mover.run(1500))
    whole = np.vstack(rows)
    assert_continuous(whole, mover.settings.profile)
    assert tuple(whole[-1]) == (target, 0.0, 0.0)


def test_a_target_during_planning_waits_for_its_end_and_wins():
    mover = Mover(plan_ticks=20)
    mover.send(2.0)
    mover.run(5)
    mover.send(-1.0)
    assert mover.motion.waiting == 1
    rows = mover.run(1500)
    assert rows[-1, 0] == -1.0
    assert_continuous(rows, mover.settings.profile)


@pytest.mark.parametrize("most", [0.4, 2.5])
def test_the_speed_limit_in_force_caps_a_move(most):
    mover = Mover()
    mover.send(2.0)
    rows = mover.run(3000, most=most)
    assert rows[:, 1].max() == pytest.approx(most, rel=1e-9)
    assert rows[-1, 0] == 2.0


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("plan_ticks", [1, 5])
def test_late_ticks_follow_the_same_path_and_end_at_the_same_place(seed, plan_ticks):
    whole = Mover(plan_ticks)
    whole.send(1.9)
    path = whole.run(700)
    rng = np.random.default_rng(seed)
    late = Mover(plan_ticks)
    late.send(1.9)
    at = 0
    while at < 650:
        steps = int(rng.integers(1, 12))
        found = late.run(1, steps)[-1]
        at += steps
        np.testing.assert_allclose(found, path[at - 1], rtol=0.0, atol=1e-12)
    assert tuple(found) == (1.9, 0.0, 0.0)


@pytest.mark.parametrize("when", [1, 40, 100, 180])
def test_hold_here_is_the_quickest_stop_and_asking_twice_changes_nothing(when):
    mover = Mover()
    mover.send(3.0)
    rows = [mover.run(when)]
    v = rows[0][-1, 1]
    mover.send(0.0, kind=setpoint.HOLD_HERE)
    twin = Mover()
    for one, other in ((twin.motion, mover.motion), (twin.plan, mover.plan)):
        copy(other, one)
    rows.append(mover.run(300))
    twin.run(3)
    twin.send(0.0, kind=setpoint.HOLD_HERE)
    assert twin.run(297)[-1, 0] == rows[1][-1, 0]
    whole = np.vstack(rows)
    s = mover.settings.profile
    assert_continuous(whole, s)
    assert mover.motion.source == trajectory.HOLD
    assert whole[-1, 1] == 0.0
    quickest = v / s.acceleration_rad_s2 + 2.0 * s.acceleration_rad_s2 / s.jerk_rad_s3
    moving = np.count_nonzero(rows[1][:, 1])
    assert moving * TICK_S <= quickest + TICK_S


def test_hold_here_drops_a_target_that_waits_for_planning():
    mover = Mover(plan_ticks=10)
    mover.send(1.0)
    mover.run(3)
    mover.send(2.0)
    mover.send(0.0, kind=setpoint.HOLD_HERE)
    rows = mover.run(500)
    assert np.abs(rows[:, 0]).max() == 0.0
    assert mover.motion.source == trajectory.HOLD


@pytest.mark.parametrize(
    ("start", "target", "way", "turn", "expected"),
    [
        (0.2, 6.0, 0, 0, 6.0 - TURN_RAD),
        (6.0, 0.2, 0, 0, 0.2 + TURN_RAD),
        (0.2, 3.0, 0, 0, 3.0),
        (3.0, -3.0, 0, 0, TURN_RAD - 3.0),
        (20.0, 1.0, 0, 0, 1.0 + 3 * TURN_RAD),
        (-20.0, 1.0, 0, 0, 1.0 - 3 * TURN_RAD),
        (0.2, 6.0, 1, 0, 6.0),
        (0.2, 1.0, 1, 3, 1.0 + 3 * TURN_RAD),
        (0.2, 1.0, 1, -2, 1.0 - 2 * TURN_RAD),
    ],
)
@pytest.mark.parametrize("base_turn", [0, 8, -40])
def test_the_shortest_way_or_the_turn_asked_for(start, target, way, turn, expected, base_turn):
    """``start`` and ``expected`` are angles from the base turn; ``turn`` is relative to it."""
    mover = Mover(angle=start)
    mover.settings.sensor.travel = CONTINUOUS
    mover.sensed.base_turn = base_turn
    assert mover.send(target, way=way, turn=turn + base_turn) == 0
    rows = mover.run(4000)
    assert rows[-1, 0] == pytest.approx(expected, abs=1e-9)
    if way == 0:
        assert abs(rows[-1, 0] - start) <= 0.5 * TURN_RAD + 1e-9


def test_folding_turns_in_mid_move_changes_nothing_but_the_origin():
    """The move goes on to the same absolute turn when the base turn moves under it."""
    paths = []
    for fold in (0, 4):
        mover = Mover(angle=23.0)
        mover.settings.sensor.travel = CONTINUOUS
        mover.send(1.0, way=1, turn=7)
        rows = [mover.run(400)]
        trajectory.shift(mover.motion, -fold * TURN_RAD)
        mover.sensed.base_turn += fold
        rows.append(mover.run(3000) + np.array([fold * TURN_RAD, 0.0, 0.0]))
        paths.append(np.vstack(rows))
    np.testing.assert_allclose(paths[1], paths[0], rtol=0.0, atol=1e-9)
    assert paths[0][-1, 0] == pytest.approx(1.0 + 7 * TURN_RAD, abs=1e-12)
