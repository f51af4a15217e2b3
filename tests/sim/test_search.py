import numpy as np
import pytest

from controller.joint.settings.settings import Gains, Settings
from controller.records import fields, out_of_range
from sim.tune.search import SEARCH, SMALL, Effort, Search, from_gains, to_candidate, with_gains

ZERO = np.zeros(len(SEARCH))
LOW = np.log([low for _, low, _ in SEARCH])
HIGH = np.log([high for _, _, high in SEARCH])


def test_the_middle_of_the_search_is_the_first_guess(joint):
    gains, profile = to_candidate(joint, ZERO)
    for name, _ in fields(Gains):
        assert getattr(gains, name) == pytest.approx(getattr(joint.settings.gains, name)), name
    assert profile.speed_rad_s == pytest.approx(joint.settings.profile.speed_rad_s)


@pytest.mark.parametrize("seed", range(20))
def test_any_point_of_the_search_is_a_set_of_settings_in_range(joint, seed):
    x = np.random.default_rng(seed).uniform(LOW, HIGH)
    settings = with_gains(joint.settings, *to_candidate(joint, x))
    assert out_of_range(settings) is None
    assert settings.gains.rest_in_rad < settings.gains.rest_out_rad


@pytest.mark.parametrize("k", range(len(SEARCH)), ids=[name for name, _, _ in SEARCH])
def test_every_direction_of_the_search_changes_something(joint, k):
    x = ZERO.copy()
    x[k] = HIGH[k]

    def numbers(point):
        gains, profile = to_candidate(joint, point)
        return [*vars(gains).values(), *vars(profile).values()]

    assert numbers(x) != numbers(ZERO)


def test_the_profile_stays_within_the_file_s_limits(made):
    joint = made({"limits.speed": "4 rad/s", "limits.acceleration": "50 rad/s^2"})
    _, profile = to_candidate(joint, HIGH)
    assert (profile.speed_rad_s, profile.acceleration_rad_s2) == (4.0, 50.0)


def test_other_gains_leave_the_settings_they_came_from_alone(joint):
    before = joint.settings.gains
    other = with_gains(joint.settings, Gains(), joint.settings.profile)
    assert joint.settings.gains is before
    assert other.gains is not before
    assert other.limits is not joint.settings.limits
    assert other.limits.current_A == joint.settings.limits.current_A
    assert isinstance(other, Settings)


@pytest.fixture(scope="module")
def search(joint):
    from dataclasses import replace

    effort = replace(SMALL, race_parts=3, side_parts=2, parts=4, outside_parts=2)
    return Search(joint, 1.0, 1, effort)


def test_the_cost_of_a_point_is_the_same_every_time_and_counted(search):
    before = search.evaluations
    assert search.cost(ZERO, True) == search.cost(ZERO, True)
    assert search.cost(ZERO, False) == search.cost(ZERO, False)
    assert search.evaluations == before + 4


def test_a_point_beyond_the_bounds_is_taken_at_the_bound(search):
    assert search.cost(LOW - 1.0, False) == search.cost(LOW, False)


def test_a_point_without_margin_is_walled_off_without_a_run(joint, search, monkeypatch):
    wild = ZERO.copy()
    wild[:3] = HIGH[:3]
    usual = search.cost(ZERO, False)
    monkeypatch.setattr(search, "few", None)  # a run would fail
    assert search.cost(wild, False) > usual + search.robustness.penalty(
        to_candidate(joint, wild)[0]
    )


def test_gains_of_a_search_point_are_that_point_again(joint):
    rng = np.random.default_rng(1)
    low, high = (np.log([row[k] for row in SEARCH]) for k in (1, 2))
    for _ in range(20):
        x = rng.uniform(low, high)
        x[[row[0] for row in SEARCH].index("profile_acceleration")] = (
            0.0  # below what the file caps
        )
        gains, profile = to_candidate(joint, x)
        np.testing.assert_allclose(from_gains(joint, gains, profile), x, atol=1e-9)


def test_what_the_file_has_is_among_the_starts_and_the_finalists_and_not_lost(made):
    """A file tuned before, searched again by next to nothing: the end is not worse on parts nobody was chosen by."""
    from sim.joint.gains import gain_table
    from sim.tune.tuning import CHOICE, searched

    tiny = Effort(6, 4, 8, 4, 6, 0, 1, 2, 8, 2)
    plain = made({})
    good = Search(plain, 1.0, 1, tiny).point({"kd": 0.6, "ki": 0.7, "integral_limit_V": 0.5, "profile_speed": 0.62,
                                              "profile_acceleration": 1.05})  # fmt: skip
    tuned = made({"gains": gain_table(*to_candidate(plain, good))})
    search = Search(tuned, 1.0, 3, tiny)
    present = search.present()
    np.testing.assert_allclose(present, good, atol=1e-6)
    assert any(np.allclose(one, present) for one in search.starts(np.random.default_rng(1)))
    found = searched(search)
    fresh = Search(tuned, search.step_rad, 3 + CHOICE, tiny)
    assert fresh.cost(np.array(found.x), True) <= fresh.cost(present, True) + 1e-9
    assert Search(plain, 1.0, 3, tiny).present() is None
