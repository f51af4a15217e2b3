"""A whole tuning, as small as it can be: better, repeatable, robust, and it tells how far it is."""

from dataclasses import replace
from itertools import groupby, pairwise

import numpy as np
import pytest

from controller.joint.settings.settings import Gains
from controller.records import fields
from sim.errors import InputError
from sim.translate import library
from sim.tune.search import SEARCH, SMALL, Search, with_gains
from sim.tune.tuning import REPORTED, bootstrap_p95, single_table, summarise, tune

TINY = replace(
    SMALL,
    race_parts=3,
    side_parts=2,
    parts=4,
    outside_parts=2,
    population=6,
    generations=1,
    finalists=2,
    refine=4,
    held_out=4,
    single=1,
)
STEP_RAD = 1.0


@pytest.fixture(scope="module")
def news():
    return []


@pytest.fixture(scope="module")
def tuned(joint, news):
    return tune(joint, 1, STEP_RAD, TINY, news.append)


@pytest.fixture(scope="module")
def start(joint):
    """The search before its first step."""
    return Search(joint, STEP_RAD, 1, TINY)


def test_it_ends_better_than_its_first_candidate(tuned, start):
    first = start.cost(np.zeros(len(SEARCH)), True)
    assert tuned.cost < first
    assert tuned.cost < 0.9 * first


def test_constraints_hold_where_the_start_holds_them(tuned, start):
    assert start.robustness.penalty(tuned.first_gains) == 0.0
    assert tuned.margins["stable"]
    assert tuned.margins["ms"] <= 1.7
    assert tuned.margins["resonance_gain_margin"] >= 2.0


def test_a_seed_gives_the_same_gains_and_another_one_others(joint, tuned):
    again, other = (tune(joint, seed, STEP_RAD, replace(TINY, refine=4)) for seed in (1, 2))
    for name, _ in fields(Gains):
        assert getattr(again.gains, name) == getattr(tuned.gains, name), name
    assert again.cost == tuned.cost
    assert again.evaluations == tuned.evaluations
    for name, table in tuned.tables.items():
        for key in table:
            np.testing.assert_array_equal(again.tables[name][key], table[key])
    assert other.gains.kp != tuned.gains.kp


def test_without_a_compiler_single_precision_is_told_of_few_parts(joint, tuned, monkeypatch):
    whole = tuned.tables["single_precision"]["settling_2pct_s"]
    monkeypatch.setattr(library, "compiler", lambda: None)
    gains, profile = tuned.gains, tuned.profile
    settings = with_gains(joint.settings, gains, profile)
    few = single_table(joint, tuned.fleets["held_out"], settings, tuned.step_rad, 1)
    np.testing.assert_array_equal(few["settling_2pct_s"], whole[[0, len(whole) // 2]])


def test_every_table_has_both_directions_of_every_part(tuned):
    counts = {"tuned": 8, "held_out": 8, "outside": 8, "before": 8, "first_guess": 8}
    for name, count in counts.items():
        assert {len(values) for values in tuned.tables[name].values()} == {count}
    single = tuned.tables["single_precision"]
    assert set(single) == set(REPORTED)
    assert {len(values) for values in single.values()} == {8 if library.compiler() else 2}
    np.testing.assert_array_equal(
        tuned.tables["before"]["overshoot_rad"], tuned.tables["first_guess"]["overshoot_rad"]
    )
    assert tuned.summary("held_out")["overshoot_rad"]["p95"] >= 0.0
    assert tuned.summary("no such table") == {}


def test_progress_is_told_stage_by_stage(tuned, news):
    stages = [stage for stage, _ in groupby(news, lambda one: one.stage)]
    assert len(stages) == len(set(stages)) >= 4
    assert stages[0] == "race on few parts"
    for stage in set(stages):
        told = [one for one in news if one.stage == stage]
        done = [one.done for one in told]
        assert all(a < b for a, b in pairwise(done))
        assert done[-1] <= told[-1].total
        assert all(a.best >= b.best for a, b in pairwise(told))
    race = [one for one in news if one.stage == "race on few parts"]
    assert len(race) == race[-1].total == TINY.population * (TINY.generations + 1)
    assert news[-1].best == tuned.cost


def test_every_stage_is_told_to_its_end(tuned, news):
    last = {one.stage: one for one in news}
    short = [one.stage for one in last.values() if one.stage != "refining" and one.done < one.total]
    assert short == []


def test_a_joint_with_no_part_inside_the_rule_is_tuned_or_refused(made):
    joint = made({"motor.backlash": "8 deg"})
    try:
        found = tune(joint, 1, STEP_RAD, TINY)
    except InputError:
        return
    assert found.gains.kp > 0.0


def test_a_summary_says_never_where_a_part_never_settled():
    found = summarise({"a": np.arange(101.0), "b": np.array([0.1] * 9 + [np.nan])})
    assert found["a"] == {"median": 50.0, "p95": 95.0}
    assert found["b"] == {"median": 0.1, "p95": None}


def test_the_bootstrap_interval_holds_the_percentile_and_is_seeded():
    values = np.random.default_rng(1).gamma(4.0, 0.05, 200)
    low, high = bootstrap_p95(values, 3)
    assert (low, high) == bootstrap_p95(values, 3)
    assert low < np.percentile(values, 95) < high


def test_the_bootstrap_interval_ends_at_never_where_some_parts_never_settled():
    values = np.array([0.1] * 17 + [np.nan] * 3)
    assert bootstrap_p95(values, 1)[1] == np.inf
