"""Continuous travel: the seam, the dead gap, two wipers, whole turns."""

from math import pi

import numpy as np
import pytest

from controller.joint.angles import TURN_RAD
from controller.joint.reading import straight_angle
from controller.joint.sensor import fold_turns, sense
from controller.joint.settings.settings import CONTINUOUS, Sensor
from controller.joint.state import Sensed
from controller.joint.turning import blended_change, track_weight

TICK_S = 0.002
TOP = 4095
RAIL = 20
ELECTRICAL_RAD = 340.0 * pi / 180.0
RAD_PER_COUNT = ELECTRICAL_RAD / TOP
MARGIN_RAD = RAIL * RAD_PER_COUNT
GAP_RAD = TURN_RAD - ELECTRICAL_RAD + 2.0 * MARGIN_RAD
LEAD_RAD = pi  # by which the second wiper leads


def turning(wipers=1):
    s = Sensor()
    s.travel = CONTINUOUS
    s.counts_top, s.rail_low_counts, s.rail_high_counts = TOP, RAIL, TOP - RAIL
    s.rad_per_count = RAD_PER_COUNT
    s.gap_rad, s.gap_from_rad = GAP_RAD, ELECTRICAL_RAD - MARGIN_RAD
    s.wipers = wipers
    s.second_zero_counts = LEAD_RAD / RAD_PER_COUNT
    s.jump_rad = 0.1
    return s


def reading(angle):
    """Counts of a wiper with a pull-down: 0 in the dead gap."""
    share = (angle % TURN_RAD) / ELECTRICAL_RAD
    return round(share * TOP) if share <= 1.0 else 0


def run(s, angles, fold=True):
    """Sense a path of angles; return the state and, per tick, the total angle (rad)."""
    st = Sensed()
    totals = []
    for angle in angles:
        sense(s, st, reading(angle), reading(angle + LEAD_RAD), 1, TICK_S)
        if fold:
            fold_turns(s, st)
        totals.append(st.angle_rad + TURN_RAD * st.base_turn)
    return st, np.array(totals)


def in_gap(angles):
    away = np.mod(angles, TURN_RAD)
    return (away > ELECTRICAL_RAD - MARGIN_RAD) | (away < MARGIN_RAD)


def believed(angles):
    """Outside the gap in this tick and the one before: one reading alone is not believed."""
    inside = in_gap(angles)
    return ~inside & ~np.concatenate([[False], inside[:-1]])


@pytest.mark.parametrize("speed", [3.0, 8.0, -3.0, -8.0])
def test_many_turns_over_the_seam_keep_the_whole_angle(speed):
    angles = 1.0 + speed * TICK_S * np.arange(round(30 * TURN_RAD / abs(speed) / TICK_S))
    st, totals = run(turning(), angles)
    away = np.abs(totals - angles)
    assert away[believed(angles)].max() < 1.5 * RAD_PER_COUNT
    assert away.max() < 0.02
    assert abs(st.base_turn) >= 24
    assert abs(st.angle_rad) <= 4.0 * TURN_RAD


def test_turning_back_inside_many_turns_comes_home():
    path = 1.0 + 20.0 * TURN_RAD * np.sin(np.linspace(0.0, 2.0 * pi, 60000))
    _, totals = run(turning(), path)
    assert abs(totals[-1] - path[-1]) < 1.5 * RAD_PER_COUNT
    assert np.abs(totals - path)[believed(path)].max() < 1.5 * RAD_PER_COUNT


@pytest.mark.parametrize("speed", [2.0, -2.0, 10.0])
def test_the_gap_is_carried_on_at_the_last_speed_and_left_again(speed):
    start = 5.0 if speed > 0.0 else TURN_RAD + 1.2
    angles = start + speed * TICK_S * np.arange(round(2.4 / abs(speed) / TICK_S))
    s = turning()
    st = Sensed()
    sense(s, st, reading(start), 0, 1, TICK_S)
    first = st.angle_rad
    blind = []
    for angle in angles[1:]:
        sense(s, st, reading(angle), 0, 1, TICK_S)
        if st.blind_s > 0.0:
            assert st.moved_rad == pytest.approx(st.speed_rad_s * TICK_S)
        blind.append(st.blind_s)
        assert st.odd_ticks == 0
    assert max(blind) == pytest.approx(GAP_RAD / abs(speed), abs=4 * TICK_S)
    assert blind[-1] == 0.0
    assert st.angle_rad - first == pytest.approx(angles[-1] - start, abs=2.0 * RAD_PER_COUNT)


def test_a_joint_that_stops_in_the_gap_is_blind_for_as_long_as_it_stays():
    s = turning()
    st = Sensed()
    slow = 4.0 * TICK_S
    for angle in np.arange(ELECTRICAL_RAD - 0.3, ELECTRICAL_RAD + 0.1, slow):
        sense(s, st, reading(angle), 0, 1, TICK_S)
    before = st.blind_s
    assert before > 0.0
    for _ in range(30):
        sense(s, st, 0, 0, 2, TICK_S)
    assert st.blind_s == pytest.approx(before + 30 * 2 * TICK_S)


def test_a_rail_far_from_the_gap_is_a_broken_wire_not_the_gap():
    s = turning()
    st = Sensed()
    sense(s, st, reading(2.5), 0, 1, TICK_S)
    for k in range(3):
        sense(s, st, 0, 0, 1, TICK_S)
        assert (st.odd_ticks, st.rail, st.blind_s) == (k + 1, 1, 0.0)
    assert st.angle_rad == pytest.approx(2.5, abs=RAD_PER_COUNT)


def test_a_jump_on_the_track_is_rejected_and_forgotten_when_back():
    s = turning()
    st = Sensed()
    sense(s, st, reading(2.5), 0, 1, TICK_S)
    sense(s, st, reading(3.2), 0, 1, TICK_S)
    assert (st.odd_ticks, st.rail, st.moved_rad) == (1, 0, 0.0)
    sense(s, st, reading(2.51), 0, 1, TICK_S)
    assert (st.odd_ticks, st.angle_rad) == (0, pytest.approx(2.51, abs=RAD_PER_COUNT))


@pytest.mark.parametrize("speed", [2.0, -2.0, 9.0, -9.0])
def test_two_wipers_never_jump_and_are_never_blind(speed):
    s = turning(wipers=2)
    angles = 1.0 + speed * TICK_S * np.arange(round(12 * TURN_RAD / abs(speed) / TICK_S))
    st = Sensed()
    totals = []
    for k, angle in enumerate(angles):
        sense(s, st, reading(angle), reading(angle + LEAD_RAD), 1, TICK_S)
        fold_turns(s, st)
        totals.append(st.angle_rad + TURN_RAD * st.base_turn)
        assert (st.odd_ticks, st.blind_s) == (0, 0.0)
        if k:
            assert abs(st.moved_rad - speed * TICK_S) < 2.0 * RAD_PER_COUNT
    assert np.abs(np.array(totals) - angles).max() < 1.5 * RAD_PER_COUNT


@pytest.mark.parametrize("speed", [2.0, -2.0])
def test_two_wipers_that_disagree_are_blended_without_a_jump(speed):
    """One track is 30 counts off: the angle slides over, it does not switch."""
    s = turning(wipers=2)
    off = 30
    angles = 1.0 + speed * TICK_S * np.arange(round(3 * TURN_RAD / abs(speed) / TICK_S))
    st = Sensed()
    slide = off * RAD_PER_COUNT * abs(speed) * TICK_S / s.blend_rad
    for k, angle in enumerate(angles):
        second = reading(angle + LEAD_RAD)
        sense(s, st, reading(angle), second + off if second else 0, 1, TICK_S)
        fold_turns(s, st)
        if k:
            assert abs(st.moved_rad - speed * TICK_S) < 2.0 * slide + 2.0 * RAD_PER_COUNT
    apart = st.angle_rad + TURN_RAD * st.base_turn - angles[-1]
    assert abs(apart) <= (off + 2) * RAD_PER_COUNT


def test_two_wipers_have_a_trusted_track_at_every_angle():
    s = turning(wipers=2)
    for angle in np.linspace(0.0, TURN_RAD, 5000):
        one, two = track_weight(s, reading(angle)), track_weight(s, reading(angle + LEAD_RAD))
        assert max(one, two) == 1.0
        assert min(one, two) >= 0.0


def test_trust_fades_to_nothing_at_the_gap_without_a_step():
    s = turning(wipers=2)
    weights = np.array([track_weight(s, k) for k in range(TOP + 1)])
    assert weights[RAIL - 1] == weights[RAIL] == weights[TOP - RAIL] == 0.0
    assert np.abs(np.diff(weights)).max() <= RAD_PER_COUNT / s.blend_rad + 1e-12
    assert weights[TOP // 2] == 1.0


def test_both_wipers_lost_at_once_is_a_fault_of_the_wires():
    s = turning(wipers=2)
    st = Sensed()
    sense(s, st, reading(2.5), reading(2.5 + LEAD_RAD), 1, TICK_S)
    sense(s, st, 0, 0, 1, TICK_S)
    assert (st.rail, st.odd_ticks) == (1, 1)


@pytest.mark.parametrize("angle", [0.0, 4.0 * TURN_RAD, 25.2, -25.2, 47.0, -60.0])
def test_fold_turns_keeps_the_total(angle):
    s = turning()
    st = Sensed()
    st.angle_rad = angle
    folded = 0
    for _ in range(5):
        folded += fold_turns(s, st)
    assert st.base_turn == folded
    assert st.angle_rad + folded * TURN_RAD == pytest.approx(angle, abs=1e-12)
    assert abs(st.angle_rad) <= 4.0 * TURN_RAD
    assert (folded == 0) == (abs(angle) <= 4.0 * TURN_RAD)


def test_a_wiper_in_its_gap_has_no_say_though_it_seems_to_agree():
    """The first is at its rail and by chance near the carried angle; the second, which reads, is not."""
    s, st = turning(2), Sensed()
    st.started = 1
    st.angle_rad = straight_angle(s, 0)
    second = reading(0.5 + LEAD_RAD)
    moved = blended_change(s, st, 0, second, carried=0.0, doubt=0.1)
    assert moved == pytest.approx(0.5, abs=2.0 * RAD_PER_COUNT)
