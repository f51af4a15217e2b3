"""Generated moves against textbook formulas and reference libraries."""

from math import pi, sqrt

import numpy as np
import pytest
from scipy.signal import chirp as reference_chirp
from scipy.signal import square

from host.commands.shared.loading import load
from host.commands.stream import Wish, moves_of, rate_of
from host.link.moves import SHAPES, chirp, minimum_jerk, sine, staircase, step
from sim.errors import InputError

DEG = pi / 180.0


def sampled(move, times):
    rows = np.array([move.at(float(t)) for t in times])
    return rows[:, 0], rows[:, 1]


def quintic(rise, seconds):
    """Coefficients of the fifth-order polynomial with rest at both ends, from its conditions.

    T. Flash and N. Hogan (1985): least integral of squared jerk between states of rest makes the
    path a polynomial of fifth order; its six coefficients follow from angle, speed and acceleration
    at both ends.
    """
    ends = []
    for t in (0.0, seconds):
        powers = np.arange(6)
        ends.append(t**powers)
        ends.append(np.array([k * t ** (k - 1) if k else 0.0 for k in powers]))
        ends.append(np.array([k * (k - 1) * t ** (k - 2) if k > 1 else 0.0 for k in powers]))
    return np.linalg.solve(np.array(ends), [0.0, 0.0, 0.0, rise, 0.0, 0.0])


def test_minimum_jerk_is_the_polynomial_that_its_end_conditions_ask_for():
    move = minimum_jerk([0.2, 1.4], 0.8, 0.3)
    c = quintic(1.2, 0.8)
    times = np.linspace(0.0, 0.8, 161)
    angle, speed = sampled(move, times)
    np.testing.assert_allclose(angle, 0.2 + np.polyval(c[::-1], times), atol=1e-9)
    np.testing.assert_allclose(speed, np.polyval(np.polyder(c[::-1]), times), atol=1e-8)


def test_minimum_jerk_peaks_at_fifteen_eighths_of_the_mean_speed():
    """x' of 10 s^3 - 15 s^4 + 6 s^5 at s = 1/2 is 15/8; x'' is greatest with 10/sqrt(3)."""
    rise, seconds = -0.9, 0.6
    move = minimum_jerk([1.0, 1.0 + rise], seconds)
    times = np.linspace(0.0, seconds, 6001)
    _, speed = sampled(move, times)
    assert np.abs(speed).max() == pytest.approx(1.875 * abs(rise) / seconds, rel=1e-6)
    assert times[np.abs(speed).argmax()] == pytest.approx(0.5 * seconds, abs=1e-3)
    acceleration = np.abs(np.gradient(speed, times)).max()
    assert acceleration == pytest.approx(10.0 / sqrt(3.0) * abs(rise) / seconds**2, rel=1e-3)


def test_minimum_jerk_rests_at_every_angle_and_after_the_end():
    angles = [0.3, 0.9, 0.5]
    move = minimum_jerk(angles, 0.5, 0.2)
    assert move.seconds == pytest.approx(2 * 0.7)
    for t in (0.5, 0.6, 0.699):
        assert move.at(t) == (pytest.approx(0.9), 0.0)
    for t in (1.2, 1.3, move.seconds, move.seconds + 5.0):
        assert move.at(t) == (pytest.approx(0.5), 0.0)
    assert move.at(0.0) == (0.3, 0.0)


def test_sine_is_a_sine_once_it_has_begun():
    """centre + A sin(2 pi f t), speed its derivative (definition of simple harmonic motion)."""
    centre, amplitude, frequency = 0.8, 0.4, 0.7
    move = sine(centre, amplitude, frequency, 10.0)
    times = np.linspace(1.0 / frequency, 10.0, 500)
    angle, speed = sampled(move, times)
    w = 2.0 * pi * frequency
    np.testing.assert_allclose(angle, centre + amplitude * np.sin(w * times), atol=1e-12)
    np.testing.assert_allclose(speed, amplitude * w * np.cos(w * times), atol=1e-12)
    assert np.abs(speed).max() <= amplitude * w * (1.0 + 1e-12)


def test_sine_begins_at_rest_in_its_middle():
    move = sine(0.8, 0.4, 2.0, 3.0)
    assert move.at(0.0) == (0.8, 0.0)
    angle, _ = sampled(move, np.linspace(0.0, 3.0, 3001))
    assert np.abs(angle - 0.8).max() <= 0.4 + 1e-12


def test_chirp_is_the_linear_chirp_of_the_reference_library():
    """SciPy, scipy.signal.chirp, method "linear", -90 deg of phase to begin with a sine."""
    centre, amplitude, low, high, seconds = 0.9, 0.2, 0.5, 4.0, 6.0
    move = chirp(centre, amplitude, low, high, seconds)
    times = np.linspace(0.5, seconds, 2000)
    angle, _ = sampled(move, times)
    wanted = reference_chirp(times, low, seconds, high, method="linear", phi=-90.0)
    np.testing.assert_allclose(angle, centre + amplitude * wanted, atol=1e-9)
    assert move.at(0.0)[0] == centre


@pytest.mark.parametrize(
    "move",
    [
        sine(0.8, 0.4, 0.7, 4.0),
        chirp(0.9, 0.2, 0.5, 4.0, 4.0),
        minimum_jerk([0.2, 1.1, 0.6], 0.7),
    ],
    ids=["sine", "chirp", "minimum_jerk"],
)
def test_speed_is_the_derivative_of_the_angle(move):
    """Everywhere but within the difference's width of a kink of the soft beginning."""
    d = 1e-5
    times = np.linspace(3 * d, move.seconds - 3 * d, 1501)
    _, speed = sampled(move, times)
    ahead, _ = sampled(move, times + d)
    behind, _ = sampled(move, times - d)
    slope = (ahead - behind) / (2.0 * d)
    near_kink = np.abs(times - 0.5) < 2 * d
    assert np.abs(speed - slope)[~near_kink].max() < 1e-3


def test_step_is_the_square_wave_of_the_reference_library():
    """SciPy, scipy.signal.square: high in the first half of each period."""
    move = step(0.3, 1.1, 0.8, 4.0)
    times = np.linspace(0.0, 4.0, 777) + 1e-4
    angle, speed = sampled(move, times)
    wanted = 0.7 + 0.4 * square(2.0 * pi * times / 0.8)
    np.testing.assert_allclose(angle, wanted, atol=1e-12)
    assert not speed.any()
    assert move.jumps


def test_staircase_goes_up_and_down_by_equal_steps():
    move = staircase(0.2, 1.0, 4, 0.5)
    angle, speed = sampled(move, np.arange(9) * 0.5 + 0.25)
    np.testing.assert_allclose(angle, [0.2, 0.4, 0.6, 0.8, 1.0, 0.8, 0.6, 0.4, 0.2], atol=1e-12)
    assert not speed.any()
    assert move.seconds == pytest.approx(4.5)
    assert move.at(99.0)[0] == pytest.approx(0.2)
    assert move.jumps


def wish(**changed):
    given = {"shape": "sine", "csv": None, "centre": None, "amplitude": "20 deg",
             "frequency": "0.5 Hz", "high_frequency": "4 Hz", "seconds": 6.0}  # fmt: skip
    return Wish(**{**given, **changed})


@pytest.fixture
def joint(joint_file):
    return load(joint_file)


@pytest.mark.parametrize("shape", SHAPES)
def test_every_shape_stays_within_its_amplitude_about_its_centre(shape, joint):
    (move,) = moves_of(wish(shape=shape, centre="50 deg"), [joint]).values()
    assert move.name == shape
    angle, _ = sampled(move, np.linspace(0.0, move.seconds, 4001))
    assert angle.max() == pytest.approx(70.0 * DEG, abs=0.5 * DEG)
    assert angle.min() == pytest.approx(30.0 * DEG, abs=0.5 * DEG)


def test_several_joints_get_a_move_each_within_their_own_range(joint_file, tmp_path):
    other = tmp_path / "other.toml"
    other.write_text(
        joint_file.read_text(encoding="utf-8").replace(
            '["0 deg", "100 deg"]', '["20 deg", "80 deg"]'
        ),
        encoding="utf-8",
    )
    joints = [load(joint_file), load(other)]
    moves = moves_of(wish(amplitude="15 deg"), joints)
    assert sorted(moves) == [0, 1]
    assert moves[0].at(0.0)[0] == pytest.approx(50.0 * DEG)
    assert moves[1].at(0.0)[0] == pytest.approx(50.0 * DEG)
    with pytest.raises(InputError, match=r"other\.toml.*must lie within 20.0 .. 80.0 deg"):
        moves_of(wish(amplitude="35 deg"), joints)


@pytest.mark.parametrize(
    ("changed", "key"),
    [
        ({"shape": "spiral"}, "--shape"),
        ({"frequency": "0.5"}, "--frequency"),
        ({"frequency": "0 Hz"}, "--frequency"),
        ({"frequency": "51 Hz"}, "--frequency"),
        ({"frequency": "1 deg"}, "--frequency"),
        ({"amplitude": "20"}, "--amplitude"),
        ({"amplitude": "nan deg"}, "--amplitude"),
        ({"centre": "middle"}, "--centre"),
        ({"amplitude": "60 deg"}, "setpoint"),
        ({"centre": "95 deg"}, "setpoint"),
        ({"centre": "-30 deg"}, "setpoint"),
        ({"shape": "chirp", "amplitude": "50.1 deg"}, "setpoint"),
        ({"shape": "step", "amplitude": "50.1 deg"}, "setpoint"),
        ({"shape": "staircase", "amplitude": "50.1 deg"}, "setpoint"),
        ({"shape": "minimum_jerk", "amplitude": "50.1 deg"}, "setpoint"),
    ],
)
def test_bad_wishes_are_refused_by_their_option(changed, key, joint):
    with pytest.raises(InputError) as caught:
        moves_of(wish(**changed), [joint])
    assert caught.value.key == key


@pytest.mark.parametrize("text", ["4 kHz", "4", "51 Hz"])
def test_the_highest_frequency_is_refused_by_its_own_name(text, joint):
    with pytest.raises(InputError) as caught:
        moves_of(wish(shape="chirp", high_frequency=text), [joint])
    assert caught.value.key == "--high-frequency"
    assert caught.value.value == text


def test_an_angle_of_zero_may_be_the_centre(joint_file):
    text = joint_file.read_text(encoding="utf-8")
    joint_file.write_text(
        text.replace('["0 deg", "100 deg"]', '["-40 deg", "40 deg"]'), encoding="utf-8"
    )
    (move,) = moves_of(wish(centre="0 deg"), [load(joint_file)]).values()
    assert move.at(0.0)[0] == 0.0


def test_a_fast_sine_beyond_the_range_is_refused_whatever_the_length(joint):
    """40 s at 49.975 Hz: 2000 equidistant looks would all fall on its zeros."""
    with pytest.raises(InputError, match="must lie within"):
        moves_of(wish(amplitude="80 deg", frequency="49.975 Hz", seconds=40.0), [joint])


@pytest.mark.parametrize("text", ["50 Hz", "0.5 kHz", "4 Hz"])
def test_rates_are_taken(text):
    assert 4.0 <= rate_of(text) <= 500.0


@pytest.mark.parametrize("text", ["50", "3.9 Hz", "501 Hz", "50 deg", "nan Hz", "-50 Hz", ""])
def test_bad_rates_are_refused_by_name(text):
    with pytest.raises(InputError) as caught:
        rate_of(text)
    assert caught.value.key == "--rate"
    assert caught.value.value == text
