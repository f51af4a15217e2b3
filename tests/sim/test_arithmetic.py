import numpy as np
import pytest

from sim.model.arithmetic import bell, cosine, fold, scramble

WORD = 2**32


@pytest.mark.parametrize("reach", [20.0, 7.0, 1000.0])
def test_cosine_errs_by_less_than_a_billionth(reach):
    angles = np.concatenate([np.linspace(-reach, reach, 20001), np.arange(-12, 13) * np.pi / 4])
    angles = angles[np.abs(angles) <= reach]
    found = np.array([cosine(float(x)) for x in angles])
    assert np.abs(found - np.cos(angles)).max() < 1e-9


@pytest.mark.parametrize("x", [0.0, 0.3, 1.5, 3.0, 6.0])
def test_cosine_is_even(x):
    assert cosine(-x) == cosine(x)


def words(count, word=1):
    rows = []
    for _ in range(count):
        word = scramble(word)
        rows.append(word)
    return rows


def test_bell_has_mean_zero_and_variance_one():
    rows = np.array([bell(word) for word in words(300_000)])
    error = 1.0 / np.sqrt(len(rows))
    assert abs(rows.mean()) < 4.0 * error
    assert rows.var() == pytest.approx(1.0, abs=4.0 * error * np.sqrt(2.0))
    # Sum of eight uniform numbers: excess kurtosis -6/5/8, no skew, ends at 4.9 sigma.
    assert (rows**4).mean() == pytest.approx(3.0 - 0.15, abs=0.12)
    assert abs((rows**3).mean()) < 0.05
    assert np.abs(rows).max() < 4.9


def test_bell_is_scaled_by_the_deviation_of_its_eight_parts():
    deviation = np.sqrt(8.0 * (2.0**32 - 1.0) / 12.0)
    for word in words(50):
        total, now = 0, word
        for _ in range(4):
            now = scramble(now)
            total += (fold(now) & 0xFFFF) + (fold(now) >> 16)
        assert bell(word) == pytest.approx((total - 8 * 32767.5) / deviation, rel=1e-6)


def test_successive_bells_are_not_correlated():
    rows = np.array([bell(word) for word in words(50_000)[::5]])
    for lag in (1, 2, 3):
        assert abs(np.corrcoef(rows[:-lag], rows[lag:])[0, 1]) < 0.04


def test_scramble_fills_its_whole_range_evenly():
    rows = np.array(words(200_000))
    assert rows.min() >= 0
    assert rows.max() < WORD
    counts, _ = np.histogram(rows, bins=64, range=(0, WORD))
    assert np.abs(counts - 200_000 / 64).max() < 6.0 * np.sqrt(200_000 / 64)
    assert len(np.unique(rows)) == len(rows)


def test_scramble_has_the_full_period():
    """Hull and Dobell 1962 (SIAM Review 4:230): from memory, c odd and a - 1 divisible by 4."""
    start = scramble(0)
    step = (scramble(1) - start) % WORD
    assert start % 2 == 1
    assert (step - 1) % 4 == 0
    for word in (2, 12345, WORD - 1):
        assert scramble(word) == (step * word + start) % WORD


def test_fold_loses_no_word():
    """One to one on a sample, and within 32 bits."""
    rows = [fold(word) for word in words(20_000)]
    assert len(set(rows)) == len(rows)
    assert all(0 <= one < WORD for one in rows)
    low = np.array(rows) & 0xFF
    counts = np.bincount(low, minlength=256)
    assert counts.min() > 30
