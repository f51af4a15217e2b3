"""Limited travel; endless turning stands in test_sensing_turning.py."""

from itertools import pairwise

import numpy as np
import pytest

from controller.joint.angles import TURN_RAD, wrapped
from controller.joint.reading import straight_angle
from controller.joint.sensor import count_held, fold_turns, sense
from controller.joint.settings.settings import Sensor
from controller.joint.state import Sensed

TICK_S = 0.002


def plain(**changes):
    s = Sensor()
    s.rail_low_counts, s.rail_high_counts = 20, 4075
    for name, value in changes.items():
        setattr(s, name, value)
    return s


def take(s, st, counts, steps=1):
    sense(s, st, counts, 0, steps, TICK_S)


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize("zero", [-500.0, 0.0, 1234.5, 5000.0])
def test_two_points_give_a_straight_line_with_its_sign(sign, zero):
    s = plain(zero_counts=zero, rad_per_count=sign * 1.25e-3)
    for counts in (20, 21, 1000, 4075):
        st = Sensed()
        take(s, st, counts)
        assert st.angle_rad == pytest.approx(sign * 1.25e-3 * (counts - zero), abs=1e-12)


def test_correction_is_piecewise_linear_between_its_points():
    points = 9
    s = plain(correction_points=points)
    s.correction_rad[:points] = list(np.random.default_rng(3).uniform(-0.2, 0.2, points))
    counts = np.arange(4096)
    knots = np.linspace(0, s.counts_top, points)
    expected = counts * s.rad_per_count + np.interp(counts, knots, s.correction_rad[:points])
    found = [straight_angle(s, int(one)) for one in counts]
    np.testing.assert_allclose(found, expected, atol=1e-12)


@pytest.mark.parametrize("points", [0, 1])
def test_fewer_than_two_points_are_no_correction(points):
    s = plain(correction_points=points)
    s.correction_rad[0] = 0.7
    assert straight_angle(s, 1000) == pytest.approx(1.0)


def test_correction_of_the_pull_down_is_monotone(nominal):
    s = nominal.settings.sensor
    assert s.correction_points > 1
    angles = np.array([straight_angle(s, k) for k in range(0, s.counts_top + 1, 7)])
    assert (np.sign(np.diff(angles)) == np.sign(s.rad_per_count)).all()


@pytest.mark.parametrize(("counts", "rail"), [(19, 1), (0, 1), (4076, 1), (20, 0), (4075, 0)])
def test_a_reading_outside_the_window_is_a_rail(counts, rail):
    s = plain(jump_rad=10.0)
    st = Sensed()
    take(s, st, 2000)
    take(s, st, counts)
    assert (st.rail, st.odd_ticks) == (rail, rail)
    assert st.angle_rad == pytest.approx(2.0 if rail else counts * 1e-3)


def test_a_rail_at_the_start_gives_no_angle_and_is_counted():
    s = plain()
    st = Sensed()
    for k in range(3):
        take(s, st, 0)
        assert (st.started, st.odd_ticks, st.angle_rad) == (0, k + 1, 0.0)


def test_a_jump_is_rejected_and_the_angle_stands_until_it_is_back():
    s = plain(jump_rad=0.1)
    st = Sensed()
    take(s, st, 2000)
    take(s, st, 2010)
    speed = st.speed_rad_s
    take(s, st, 3500)
    assert (st.angle_rad, st.odd_ticks, st.rail) == (pytest.approx(2.01), 1, 0)
    assert (st.moved_rad, st.speed_rad_s) == (0.0, speed)
    take(s, st, 2020)
    assert (st.angle_rad, st.odd_ticks) == (pytest.approx(2.02), 0)


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize(("move", "odd"), [(0.0995, 0), (0.1005, 1)])
def test_the_largest_believable_change_is_the_setting(move, odd, sign):
    s = plain(jump_rad=0.1, rad_per_count=1e-4 * sign)
    st = Sensed()
    take(s, st, 2000)
    take(s, st, 2000 + round(move / 1e-4))
    assert st.odd_ticks == odd


def test_a_jump_is_believed_once_it_could_have_been_run_through():
    s = plain(jump_rad=0.1)
    st = Sensed()
    take(s, st, 2000)
    for _ in range(3):
        take(s, st, 2350)
        assert st.angle_rad == pytest.approx(2.0)
    take(s, st, 2350)
    assert (st.angle_rad, st.odd_ticks) == (pytest.approx(2.35), 0)


@pytest.mark.parametrize("lag", [0.0, 0.005, 0.1])
@pytest.mark.parametrize("counts", [20, 2000, 4075])
def test_the_first_tick_has_no_speed_wherever_the_joint_stands(counts, lag):
    s = plain(speed_filter_s=lag)
    st = Sensed()
    take(s, st, counts)
    assert (st.speed_rad_s, st.moved_rad, st.started) == (0.0, 0.0, 1)


@pytest.mark.parametrize("lag", [0.0, 0.005, 0.08])
@pytest.mark.parametrize("steps", [1, 3])
def test_speed_follows_the_stated_filter(lag, steps):
    s = plain(speed_filter_s=lag)
    st = Sensed()
    counts = 2000 + np.cumsum(np.random.default_rng(5).integers(-40, 41, 200))
    h = TICK_S * steps
    speed = 0.0
    take(s, st, int(counts[0]))
    for before, now in pairwise(counts):
        take(s, st, int(now), steps)
        speed = (lag * speed + (now - before) * s.rad_per_count) / (lag + h)
        assert st.speed_rad_s == pytest.approx(speed, rel=1e-9, abs=1e-9)


def test_a_steady_turn_settles_to_its_speed_with_late_ticks_too():
    s = plain()
    st = Sensed()
    counts = 100
    for k in range(400):
        steps = 1 + k % 3
        counts += 4 * steps
        take(s, st, counts, steps)
    assert st.speed_rad_s == pytest.approx(4 * s.rad_per_count / TICK_S, rel=1e-6)


@pytest.mark.parametrize(("steps", "odd"), [(1, 1), (2, 2), (3, 0)])
def test_a_late_tick_may_have_moved_further(steps, odd):
    s = plain(jump_rad=0.1)
    st = Sensed()
    take(s, st, 2000)
    take(s, st, 2250, steps)
    assert st.odd_ticks == odd


def test_identical_readings_are_counted_not_the_ticks_missed_between_them():
    """A late tick has read once: chance must not be taken for many readings alike."""
    s = plain()
    st = Sensed()
    seen = []
    for counts, steps in ((2000, 1), (2000, 1), (2000, 3), (2001, 1), (2001, 2), (2000, 1)):
        take(s, st, counts, steps)
        seen.append(st.same_ticks)
    assert seen == [0, 1, 2, 0, 1, 0]


@pytest.mark.parametrize("turns", [-7, -1, 0, 1, 12])
@pytest.mark.parametrize("angle", [-3.14159, -1.0, 0.0, 2.5, 3.14159])
def test_wrapped_takes_whole_turns_away(angle, turns):
    assert wrapped(angle + turns * TURN_RAD) == pytest.approx(angle, abs=1e-9)


@pytest.mark.parametrize("angle", np.linspace(-50.0, 50.0, 41))
def test_wrapped_lies_within_half_a_turn(angle):
    found = wrapped(float(angle))
    assert -0.5 * TURN_RAD <= found < 0.5 * TURN_RAD
    turns = (angle - found) / TURN_RAD
    assert turns == pytest.approx(round(turns), abs=1e-9)


def test_limited_travel_has_no_turns_to_fold():
    st = Sensed()
    st.angle_rad = 100.0
    assert fold_turns(plain(), st) == 0
    assert (st.angle_rad, st.base_turn) == (100.0, 0)


@pytest.mark.parametrize(
    ("wipers", "second", "counted"), [(1, 900, 0), (2, 900, 5), (2, 0, 0), (2, 4095, 0)]
)
def test_at_a_rail_the_second_wiper_stands_in_where_it_reads(wipers, second, counted):
    """Held readings: an open wiper is pulled to the same zero again and again, which tells nothing."""
    s, st = plain(wipers=wipers), Sensed()
    for _ in range(6):
        count_held(s, st, 0, second)
    assert st.same_ticks == counted
