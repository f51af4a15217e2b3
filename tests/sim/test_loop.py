"""Clock, delay and guard of the loop: late ticks, the silent link, what must never happen."""

import numpy as np
import pytest

from controller.joint.modes import POWERED, TRIPPED
from controller.joint.state import Allowed, Output, Report
from sim.joint.part import Plant
from sim.model import schedule, scoring
from sim.model.schedule import Score
from sim.run.closed_loop import Fleet, simulate
from sim.run.scenarios import Scenario, step


def test_missed_ticks_hold_the_old_drive_and_are_made_up_for(joint):
    scene = Scenario("late", 0.4, 0.5).at(0.12, schedule.TARGET, 1.2).at(0.16, schedule.LATE, 6.0)
    trace = simulate(joint, scene)
    missed = slice(80, 86)
    for column in ("setpoint_rad", "angle_rad", "allowed_V"):
        assert len(set(trace[column][missed])) == 1
    assert np.ptp(trace["joint_rad"][missed]) > 1e-3  # the plant went on
    plain = Scenario("plain", 0.4, 0.5).at(0.12, schedule.TARGET, 1.2)
    wanted = simulate(joint, plain)["setpoint_rad"]
    np.testing.assert_allclose(trace["setpoint_rad"][87:], wanted[87:], atol=1e-12)


@pytest.mark.parametrize(("until", "trips"), [(0.17, False), (0.19, True)])
def test_the_link_ages_while_the_host_is_silent(joint, until, trips):
    scene = (
        Scenario("silent", 0.4, 0.4).at(0.1, schedule.SILENT, 1.0).at(until, schedule.SILENT, 0.0)
    )
    assert simulate(joint, scene).metrics.fault == ("link silent" if trips else "none")


def test_the_drive_acts_after_the_computing_delay(made):
    """A whole tick later with a whole tick of delay; half a tick lies between."""
    starts, places = [], []
    for delay in ("0 s", "1 ms", "2 ms"):
        joint = made({"control.compute_delay": delay})
        trace = simulate(joint, step(0.4, 1.2, 0.004, 0.2, 0.1))
        starts.append(np.nonzero(np.abs(trace["current_A"]) > 0.1)[0][0])
        places.append(trace["joint_rad"][starts[0] + 8])
    assert starts[2] - starts[0] == 1
    assert places[0] > places[1] > places[2] > 0.4


def guard(score=None, **changes):
    allowed, report, output = Allowed(), Report(), Output()
    report.mode = POWERED
    allowed.low_V, allowed.high_V = -2.0, 2.0
    for name, value in changes.items():
        record = {"output": output, "report": report}[name.split("__")[0]]
        setattr(record, name.split("__")[1], value)
    score = score or Score()
    scoring.score_guard(score, allowed, report, output, Plant(), 7)
    return score.outside_window, score.driven_off, score.not_finite


@pytest.mark.parametrize(
    ("changes", "counts"),
    [
        ({"report__allowed_V": 2.0}, (0, 0, 0)),
        ({"report__allowed_V": 2.1}, (1, 0, 0)),
        ({"report__allowed_V": -2.1}, (1, 0, 0)),
        ({"report__allowed_V": float("nan")}, (0, 0, 1)),
        ({"report__allowed_V": float("inf")}, (1, 0, 1)),
        ({"report__mode": TRIPPED}, (0, 0, 0)),
        ({"report__mode": TRIPPED, "report__allowed_V": 1e-9}, (0, 1, 0)),
        ({"report__mode": TRIPPED, "output__value": 1e-9}, (0, 1, 0)),
    ],
)
def test_the_guard_counts_what_must_never_happen(changes, counts):
    assert guard(**changes) == counts


def test_the_first_fault_and_its_tick_stay():
    score = Score()
    guard(score, report__fault=7)
    guard(score, report__fault=9)
    assert (score.fault, score.fault_tick) == (7, 7)


def test_nothing_of_it_happens_in_the_named_scenarios(joint):
    fleet = Fleet([joint.part], [25.0], joint.settings.tick_s, joint.delay_s, 1)
    for scene in joint.scenarios().values():
        score = fleet.run(joint.settings, scene).scores[0]
        assert (score["outside_window"], score["driven_off"], score["not_finite"]) == (0, 0, 0)
