from math import pi

import numpy as np
import pytest

from sim.joint.part import Potentiometer, Sense
from sim.model import sensor

H = 0.002


def probe_of(**changes):
    p = Potentiometer()
    p.noise_counts, p.load_ratio = 0.0, 0.0
    for name, value in changes.items():
        setattr(p, name, value)
    return p


def sense_of(fault=sensor.SOUND, word=99):
    s = Sense()
    s.fault, s.word = fault, word
    return s


def readings(p, s, angles):
    return np.array([sensor.read(p, s, float(angle), H) for angle in angles])


@pytest.mark.parametrize("sign", [1, -1])
def test_counts_grow_in_a_line_from_one_end_of_the_track_to_the_other(sign):
    p = probe_of(sign=sign, zero_fraction=0.1 if sign > 0 else 0.9)
    angles = np.linspace(0.0, 0.89 * p.electrical_rad, 200)
    share = angles / p.electrical_rad
    expected = (0.1 + share if sign > 0 else 0.9 - share) * p.top_counts
    assert np.abs(readings(p, sense_of(), angles) - expected).max() <= 0.5 + 1e-9


def test_beyond_the_track_a_limited_sensor_stands_at_its_end():
    p = probe_of()
    assert sensor.read(p, sense_of(), -2.0, H) == 0
    assert sensor.read(p, sense_of(), 7.0, H) == p.top_counts


@pytest.mark.parametrize("sigma", [0.5, 6.5, 20.0])
def test_noise_has_the_rms_it_is_given(sigma):
    found = readings(probe_of(noise_counts=sigma), sense_of(), np.full(20_000, 1.0))
    assert found.mean() == pytest.approx(0.1 * 16380 + 16380 / 5.934, abs=0.05 * sigma + 0.02)
    assert found.std() == pytest.approx(np.sqrt(sigma**2 + 1.0 / 12.0), rel=0.03)


def test_noise_is_the_same_for_the_same_word_and_another_for_another():
    p = probe_of(noise_counts=6.5)
    angles = np.full(50, 1.0)
    one, again, other = (readings(p, sense_of(word=w), angles) for w in (5, 5, 6))
    assert (one == again).all()
    assert (one != other).any()


@pytest.mark.parametrize("ratio", [2.0, 10.0, 47.0])
def test_a_pull_down_loads_the_track_like_a_divider(ratio):
    """Second way: track resistances R x and R (1 - x), the pull-down parallel to the lower."""
    p = probe_of(load_ratio=ratio, zero_fraction=0.0)
    for x in np.linspace(0.01, 0.99, 33):
        lower = x * ratio / (x + ratio)
        expected = lower / (lower + 1.0 - x)
        assert sensor.bent(p, float(x)) == pytest.approx(expected, rel=1e-12)


def test_linearity_errors_have_the_size_they_are_given():
    x = np.linspace(0.0, 1.0, 2001)
    for name in ("odd_error", "even_error"):
        p = probe_of(**{name: 0.01})
        error = np.array([sensor.bent(p, float(one)) for one in x]) - x
        assert np.abs(error).max() == pytest.approx(0.01, rel=1e-3)
        assert error[0] == error[-1] == 0.0
        mirrored = error[::-1] * (-1.0 if name == "odd_error" else 1.0)
        np.testing.assert_allclose(error, mirrored, atol=1e-12)


def test_the_converter_s_major_codes_jump_by_their_step():
    p = probe_of(step_counts=12.0, zero_fraction=0.0)
    x = np.linspace(0.1, 0.9, 4001)
    error = readings(p, sense_of(), x * p.electrical_rad) - x * p.top_counts
    assert error.max() == pytest.approx(6.0, abs=0.6)
    assert error.min() == pytest.approx(-6.0, abs=0.6)
    jumps = x[1:][np.abs(np.diff(error)) > 6.0]
    np.testing.assert_allclose(jumps, [0.125, 0.375, 0.625, 0.875], atol=1e-3)


def test_an_open_wiper_with_a_pull_down_falls_to_zero_in_its_time_constant():
    p = probe_of(fall_s=0.02)
    s = sense_of()
    start = sensor.read(p, s, 2.0, H)
    s.fault = sensor.OPEN
    found = readings(p, s, np.full(50, 2.0))
    assert (np.diff(found) <= 0).all()
    assert found[9] == pytest.approx(start * (1.0 - H / 0.02) ** 10, rel=0.01)
    assert found[-1] < 0.01 * start


def test_a_pull_down_quicker_than_a_tick_is_seen_at_once():
    p = probe_of(fall_s=1e-4)
    s = sense_of()
    sensor.read(p, s, 2.0, H)
    s.fault = sensor.OPEN
    assert sensor.read(p, s, 2.0, H) == 0


@pytest.mark.parametrize(("fault", "fall"), [(sensor.OPEN, 0.0), (sensor.FLOATING, 0.002)])
def test_a_floating_wiper_wanders_from_where_it_was(fault, fall):
    p = probe_of(fall_s=fall)
    s = sense_of()
    start = sensor.read(p, s, 2.0, H)
    s.fault = fault
    found = readings(p, s, np.full(400, 2.0))
    assert abs(found[0] - start) < 0.02 * p.top_counts
    assert len(set(found)) > 50
    assert found.min() >= 0
    assert found.max() <= p.top_counts


def test_a_shorted_wiper_reads_the_supply():
    assert sensor.read(probe_of(), sense_of(sensor.SHORTED), 1.0, H) == 16380


def test_a_held_sensor_repeats_its_last_reading_whatever_moves():
    p = probe_of(noise_counts=6.5)
    s = sense_of()
    last = sensor.read(p, s, 1.0, H)
    s.fault = sensor.HELD
    assert set(readings(p, s, np.linspace(1.0, 2.0, 50))) == {last}


def turning(fall_s=1e-4):
    return probe_of(turning=1, zero_fraction=0.0, fall_s=fall_s)


@pytest.mark.parametrize("turn", [-3, -1, 0, 1, 5])
def test_a_turning_sensor_repeats_every_turn_with_a_dead_gap(turn):
    p = turning()
    shift = turn * 2.0 * pi
    for angle in (0.1, 2.0, 5.8):
        assert sensor.track_fraction(p, angle + shift) == pytest.approx(angle / 5.934)
        assert abs(sensor.read(p, sense_of(), angle + shift, H) - angle / 5.934 * 16380) <= 1
    for angle in (5.94, 6.1, 6.28):
        assert sensor.track_fraction(p, angle + shift) == -1.0
        assert sensor.read(p, sense_of(), angle + shift, H) == 0


def test_the_gap_without_a_pull_down_floats():
    p = turning(fall_s=0.0)
    s = sense_of()
    sensor.read(p, s, 5.9, H)
    found = readings(p, s, np.full(100, 6.1))
    assert len(set(found)) > 10
    assert abs(found[0] - 5.9 / 5.934 * 16380) < 0.02 * 16380


def test_the_second_wiper_leads_by_its_offset_and_has_a_gap_of_its_own():
    p = turning()
    p.second_offset_rad = 2.0
    for angle in (0.1, 3.0, 3.9):
        expected = (angle + 2.0) / 5.934 * 16380
        assert abs(sensor.read_second(p, sense_of(), angle) - expected) <= 1
    assert sensor.read_second(p, sense_of(), 4.1) == 0  # 6.1 rad on its own track
    assert sensor.read(p, sense_of(), 4.1, H) > 0
