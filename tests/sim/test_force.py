"""Force at the fingertip in every powered mode: what is told, against simulated parts."""

import numpy as np
import pytest

from controller.joint.modes import RELEASE
from sim.joint import spread
from sim.model import schedule
from sim.run.closed_loop import Fleet, simulate
from sim.run.scenarios import LEAD_S, Scenario, span_of
from sim.size import force

LIMITS = ("0.5 N", "3 N")
MODES = {
    "contact": force.contact_scenes,
    "self-test": force.self_test_scene,
    "release": force.release_scene,
}
PARTS = 200
"""Parts that no figure was made from; 2,000 in ``tests/bench/limits.py``."""


@pytest.fixture(scope="module", params=LIMITS)
def limited(request, made):
    return made({"limits.tip_force": request.param})


@pytest.fixture(scope="module")
def fresh(limited):
    entries = spread.spread_of(limited.file)
    parts, warmth = spread.draw_parts(limited.part, entries, PARTS, 77)
    return Fleet(parts, warmth, limited.settings.tick_s, limited.delay_s, 78)


def test_what_lasts_in_contact_is_within_what_is_told(limited, fresh):
    middle, most, pull = force.contact_spread(limited)
    held, tension = force.contact_forces(limited, fresh)
    assert np.median(held) == pytest.approx(middle, rel=0.1)  # of 200 and of 250 parts
    assert held.max() <= most
    assert held.max() > 0.55 * most, "the figure is no empty promise"
    assert 0.7 * pull < tension.max() <= pull


def test_the_self_test_presses_within_what_is_told(limited, fresh):
    told = force.mode_forces(limited).self_test_N
    run = fresh.run(limited.settings, force.self_test_scene(limited))
    held = run.plants["peak_held_N"]
    assert held.max() <= told
    assert held.max() > 0.6 * told


def test_release_and_the_controlled_stop_press_no_harder_than_the_move(limited, fresh):
    most = force.contact_spread(limited)[1]
    run = fresh.run(limited.settings, force.release_scene(limited))
    assert run.plants["peak_held_N"].max() <= most
    assert run.plants["held_N"].max() < 0.05 * most, "a release lets go"


def blocked_release(joint):
    """Pressed open against a load, then a release the other way, where something hard now lies."""
    low, high = span_of(joint.settings)
    scene = Scenario("behind", 0.5 * (low + high), LEAD_S + 2.0, object_Nm_rad=force.HARD_Nm_rad)
    scene.at(0.0, schedule.LOAD, 0.1).at(LEAD_S, schedule.GRIP, low)
    begin = LEAD_S + 1.0
    scene.at(begin, schedule.LOAD, 0.0)
    scene.at(begin, schedule.OBJECT, low + 0.02, force.HARD_Nm_rad, 0.0)
    return scene.at(begin, schedule.REQUEST, float(RELEASE))


def test_a_release_into_something_presses_within_what_is_told(made):
    """Told is what its voltage holds continuously without friction; it lasts a tenth of a second."""
    joint = made({})
    parts, warmth = spread.draw_parts(joint.part, spread.spread_of(joint.file), PARTS, 77)
    fleet = Fleet(parts, warmth, joint.settings.tick_s, joint.delay_s, 78)
    held = fleet.run(joint.settings, blocked_release(joint)).plants["peak_held_N"]
    told = force.mode_forces(joint).release_N
    assert held.max() <= told
    assert held.max() > 0.25 * told


def test_the_opening_cable_of_a_release_is_within_what_is_told(limited):
    """A release from the closed stop: nothing presses but the cable that opens."""
    told = force.mode_forces(limited).release_cable_N
    trace = simulate(limited, force.release_scene(limited))
    assert trace["extensor_N"].max() < told
    assert trace["extensor_N"].max() > limited.file.cable.pretension


def test_the_self_test_above_the_limit_is_a_finding(made):
    from sim.size.figures import size

    for limit, warned in (("0.5 N", True), ("9 N", False)):
        found = size(made({"limits.tip_force": limit}))
        said = [one.text for one in found.findings if one.text.startswith("Arming tests the joint")]
        assert bool(said) == warned == found.modes.above(float(limit.split()[0]))
        if warned:
            assert f"up to {found.modes.self_test_N:.1f} N" in said[0]
