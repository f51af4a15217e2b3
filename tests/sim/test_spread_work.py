"""Searches, challenges and figures on workers elsewhere: the same as here."""

import pickle
from dataclasses import replace

import numpy as np
import pytest

from sim.challenge import attack
from sim.challenge.steady import Steady, steady_draws
from sim.errors import InputError
from sim.run.executors import open_executor
from sim.size.figures import size, size_of
from sim.tune.tuning import APART, Work, judge_of, search_of, tune
from tests.sim.test_tuning import STEP_RAD, TINY


@pytest.fixture(scope="module", params=["processes", "cluster"])
def runner(request):
    if request.param == "processes":
        with open_executor(workers=2) as made:
            yield made
        return
    distributed = pytest.importorskip("distributed")
    with (
        distributed.LocalCluster(
            n_workers=1, threads_per_worker=2, dashboard_address=None
        ) as cluster,
        open_executor(cluster.scheduler_address) as made,
    ):
        yield made


def test_a_challenge_finds_the_same(joint, runner):
    here = attack(joint, seed=4, examples=170, parts=3).outcome
    there = attack(joint, seed=4, examples=170, parts=3, runner=runner).outcome
    assert here.scenarios == there.scenarios > 160
    assert here.kinds == there.kinds
    assert here.faults == there.faults
    for name, worst in here.worst.items():
        assert there.worst[name].share == worst.share, name
        assert there.worst[name].part == worst.part


def test_a_search_ends_at_the_same_gains(joint, runner):
    here = tune(joint, 2, STEP_RAD, TINY)
    work = Work(joint.tables, joint.path, 2, STEP_RAD, TINY)
    (found,) = runner.map(search_of, [work])
    (there,) = runner.map(judge_of, [replace(work, found=(found,))])
    assert there.gains.kp == here.gains.kp
    assert there.gains.kd == here.gains.kd
    assert there.cost == here.cost
    for name, table in here.tables.items():
        for key, values in table.items():
            np.testing.assert_array_equal(values, there.tables[name][key])


def test_the_better_of_two_starts_is_kept(joint):
    work = Work(joint.tables, joint.path, 2, STEP_RAD, TINY)
    good = search_of(work)
    limp = replace(good, x=tuple(-1.5 for _ in good.x))  # soft gains: never settles
    for found, seed in (((good, limp), 2), ((limp, good), 2 + APART)):
        made = judge_of(replace(work, found=found))
        assert made.seed == seed
        assert made.evaluations == 2 * good.evaluations


def test_figures_are_the_same(joint, runner):
    (there,) = runner.map(size_of, [(joint.tables, joint.path)])
    assert there.as_dict() == size(joint).as_dict()


def test_draws_stay_steady_while_any_search_is_under_way():
    from hypothesis.internal.conjecture.providers import AVAILABLE_PROVIDERS

    own = AVAILABLE_PROVIDERS["hypothesis"]
    one, other = steady_draws(), steady_draws()
    one.__enter__()
    other.__enter__()
    one.__exit__(None, None, None)
    assert AVAILABLE_PROVIDERS["hypothesis"] is Steady
    other.__exit__(None, None, None)
    assert AVAILABLE_PROVIDERS["hypothesis"] is own


def test_what_is_wrong_with_a_joint_comes_back_from_a_worker_in_words(joint, runner):
    tables = {**joint.tables, "limits": {**joint.tables["limits"], "tip_force": "much"}}
    with pytest.raises(InputError) as wrong:
        list(runner.map(size_of, [(tables, "finger.toml")]))
    assert "finger.toml: limits.tip_force" in str(wrong.value)
    assert str(pickle.loads(pickle.dumps(InputError("f", "k", {1: 2}, "must not")))) == (
        "f: k: '{1: 2}': must not"
    )
