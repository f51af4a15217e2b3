"""No program, on no part, breaks a rule: drawn by chance and pushed towards the limits.

Five thousand programs in all, each run compiled on the nominal part, corners of the spread and
random parts; the rules stand in sim/challenge/rules.py.
"""

import numpy as np
import pytest

from sim.challenge import Attack, Rules, attack, crew
from sim.challenge.attack import Outcome
from sim.challenge.crew import crew_fleet
from sim.challenge.strategies import KINDS, NORMAL
from sim.model import schedule
from sim.run import scenario_file
from sim.run.scenarios import Scenario

EACH = 500


def told(search):
    """What broke, as a scenario file that can be replayed."""
    found = search.outcome
    if found.broken is None:
        return ""
    tables = scenario_file.to_tables(found.breach, search.joint.settings.tick_s,
                                     (search.seed, found.part))  # fmt: skip
    return f"{found.broken}: {tables}"


def test_no_program_breaks_a_rule(joint):
    search = attack(joint, seed=20261125, examples=EACH, parts=6)
    assert search.outcome.broken is None, told(search)
    assert search.outcome.scenarios >= EACH
    assert set(KINDS) - {"object"} <= set(search.outcome.kinds) | {"object"}
    assert sum(search.outcome.faults.values()) > 50, "the programs do bring faults about"


def test_normal_use_of_a_sound_joint_never_trips(joint):
    """Moves, holds and easing with nothing in the way, on random parts of the spread."""
    search = Attack(joint, seed=7, parts=8, kinds=NORMAL)
    for number in range(3):
        search.outcome = search.round(number, 60, lambda _: None)
        assert search.outcome.broken is None, told(search)


def test_the_crew_is_the_same_whatever_its_size(nominal):
    few, many = (crew(nominal, 3, count)[0] for count in (9, 20))
    for one, other in zip(few, many, strict=False):
        assert one.motor.emf_V_s == other.motor.emf_V_s
        assert one.cable.flexor_N_m == other.cable.flexor_N_m


def test_a_seed_draws_the_same_search_on_any_number_of_threads(nominal):
    first, again, other = (attack(nominal, seed=seed, examples=200, parts=3, workers=threads).outcome
                           for seed, threads in ((1, 1), (1, 3), (2, 2)))  # fmt: skip
    assert first.scenarios == again.scenarios
    assert first.kinds == again.kinds
    assert {k: w.share for k, w in first.worst.items()} == {
        k: w.share for k, w in again.worst.items()
    }
    assert first.kinds != other.kinds


@pytest.mark.parametrize(
    ("rule", "scores"),
    [("window", "outside_window"), ("off", "driven_off"), ("number", "not_finite"),
     ("relit", "relit"), ("kick", "kicks")],
)  # fmt: skip
def test_each_exact_rule_is_looked_at(nominal, rule, scores):
    fleet = crew_fleet(nominal, 1, 3)
    run = fleet.run(nominal.settings, nominal.scenarios()["small_step"])
    rules = Rules(nominal, fleet)
    assert rules.judge(nominal.scenarios()["small_step"], run).broken == ()
    run.scores[scores][1] = 1
    assert rules.judge(nominal.scenarios()["small_step"], run).broken == (rule,)


def test_each_margin_is_looked_at(nominal):
    fleet = crew_fleet(nominal, 1, 3)
    scene = nominal.scenarios()["small_step"]
    rules = Rules(nominal, fleet)
    for rule, where, key, value in (
        ("tension", "plants", "peak_cable_N", 67.0), ("travel", "scores", "high_rad", 2.4),
        ("force", "plants", "peak_held_N", 30.0), ("heat", "scores", "hottest_C", 126.0),
    ):  # fmt: skip
        run = fleet.run(nominal.settings, scene)
        getattr(run, where)[key][2] = value
        found = rules.judge(scene, run)
        assert found.broken == (rule,)
        assert found.parts[rule] == 2


def test_a_load_from_outside_excuses_only_the_stop_that_it_pushes_to(nominal):
    """Closing is positive, and a positive load opposes it: it may drive a joint into the low stop."""
    fleet = crew_fleet(nominal, 1, 3)
    rules = Rules(nominal, fleet)
    limits = nominal.settings.limits
    scene = Scenario("pushed", 0.5, 0.5).at(0.1, schedule.LOAD, 0.05)
    deep = np.sqrt(2.0 * 0.05 * rules.way_rad / nominal.part.hinge.stop_Nm_rad)
    for key, end, sign, broken in (
        ("low_rad", limits.travel_low_rad, -1.0, ()),
        ("high_rad", limits.travel_high_rad, 1.0, ("travel",)),
    ):
        run = fleet.run(nominal.settings, scene)
        run.scores[key][1] = end + sign * (rules.room_rad + 0.9 * deep)
        assert rules.judge(scene, run).broken == broken


def test_a_weak_cable_is_found_and_shrunk(nominal):
    """A joint whose cable cannot bear its own motor: the search must say so, with a small program."""
    from tests.properties.conftest import joint_with

    weak = joint_with({"cable": {"breaking_strength": "60 N"}})
    search = attack(weak, seed=1, examples=400, parts=6)
    found: Outcome = search.outcome
    assert found.broken == "tension"
    assert len(found.breach.rows) <= 3
    again = search.fleet.run(weak.settings, found.breach)
    assert again.plants["peak_cable_N"][found.part] > search.rules.pull_N
    assert np.isfinite(again.scores["high_rad"]).all()
