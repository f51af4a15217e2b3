import numpy as np
import pytest

from host.commands.size import rows_of
from sim.joint import spread
from sim.model import schedule
from sim.run.closed_loop import Fleet
from sim.size.figures import size
from sim.tune import cost, margins
from sim.tune.cost import Goals, Robustness, over, p95, step_cost, worst_mean
from sim.tune.search import Effort, Search, with_gains


def test_the_percentile_puts_the_missing_in_its_place():
    values = np.array([0.1] * 19 + [np.nan])
    assert p95(values, 2.0) == pytest.approx(np.percentile([0.1] * 19 + [2.0], 95))
    assert p95(np.full(5, 0.2), 9.0) == pytest.approx(0.2)


@pytest.mark.parametrize(("value", "expected"), [(0.5, 0.0), (1.0, 0.0), (1.5, 0.5), (3.0, 2.0)])
def test_only_what_exceeds_its_bound_costs(value, expected):
    assert over(value, 1.0) == pytest.approx(expected)


def test_the_worst_mean_is_that_of_the_largest_share():
    values = np.arange(100.0)
    assert worst_mean(values) == pytest.approx(97.0)
    assert worst_mean(np.array([1.0, 3.0])) == 3.0


def row(**changes):
    """Metrics of ten parts that keep all bounds."""
    usual = {
        "settling_2pct_s": 0.2,
        "overshoot_rad": 0.001,
        "steady_error_rad": 0.001,
        "hunting_rad": 0.0001,
        "drive_noise_V": 0.01,
    }
    return {key: np.full(10, value) for key, value in {**usual, **changes}.items()}


@pytest.mark.parametrize(("settling", "times"), [(0.1, 0.5), (0.4, 2.0), (np.nan, 10.0)])
def test_within_all_bounds_the_cost_is_in_proportion_to_the_settling_time(settling, times):
    """Never settled counts as 2 s."""
    usual = step_cost([row(), row()], Goals())
    assert step_cost([row(settling_2pct_s=settling)], Goals()) == pytest.approx(times * usual)


@pytest.mark.parametrize(
    "key", ["overshoot_rad", "steady_error_rad", "hunting_rad", "drive_noise_V"]
)
def test_every_broken_bound_costs(key):
    costs = [step_cost([row(**changes)], Goals()) for changes in ({}, {key: 1.0}, {key: 2.0})]
    assert costs[0] < costs[1] < costs[2]


def test_the_worse_direction_of_the_step_decides():
    both = step_cost([row(), row(settling_2pct_s=0.6)], Goals())
    assert both > step_cost([row(settling_2pct_s=0.4)], Goals())


@pytest.fixture(scope="module")
def robustness(joint):
    entries = spread.spread_of(joint.file)
    parts = spread.draw_parts(joint.part, entries, 4, 1, "inside")[0]
    soft = spread.draw_parts(joint.part, entries, 2, 1, "outside")[0]
    return Robustness(joint, parts, soft)


def scaled(joint, factor):
    settings = with_gains(joint.settings, joint.settings.gains, joint.settings.profile)
    gains = type(settings.gains)()
    for name in ("kp", "ki", "kd"):
        setattr(gains, name, factor * getattr(joint.settings.gains, name))
    gains.derivative_filter_s = joint.settings.gains.derivative_filter_s
    return gains


def test_peak_sensitivity_is_that_of_the_linear_loop(joint, robustness):
    found = margins.margins(joint.part, joint.settings.gains, 0.002, joint.delay_s)
    assert robustness.ms(joint.settings.gains) == pytest.approx(found.ms, rel=1e-3)


def test_robust_gains_cost_nothing_and_others_steeply(joint, robustness):
    walls = [robustness.penalty(scaled(joint, factor)) for factor in (0.5, 1.0, 2.0, 3.0)]
    assert walls[0] == 0.0
    assert walls == sorted(walls)
    assert walls[-1] > 5.0
    wild = scaled(joint, 6.0)
    assert robustness.ms(wild) > cost.MS_MOST or robustness.resonance_margin(wild) < 2.0


def test_the_situations_of_the_search_have_their_names(joint):
    known = cost.search_scenarios(joint, 1.0, 2.0)
    assert set(known) == {"step", "step_back", "small", "slow_ramp", "soft", "hard", "grip", "load"}
    up, down = known["step"], known["step_back"]
    assert down.start_rad - up.start_rad == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("range_", "asked", "made_deg"),
    [
        (["0 deg", "100 deg"], 60.0, 60.0),
        (["-10 deg", "60 deg"], 60.0, 60.0),
        (["0 deg", "40 deg"], 60.0, 40.0),
        (["0 deg", "100 deg"], 500.0, 100.0),
    ],
)
def test_the_step_made_is_the_step_told(made, range_, asked, made_deg):
    """One function decides it: scenario, search, bound and table of a short range say the same."""
    joint = made({"joint.range": range_})
    up = cost.search_scenarios(joint, np.radians(asked), 2.0)["step"]
    target = next(row[2] for row in up.rows if row[1] == schedule.MEASURE)
    assert np.degrees(target - up.start_rad) == pytest.approx(made_deg)
    few = Effort(parts=2, race_parts=1, side_parts=1, outside_parts=1)
    assert np.degrees(Search(joint, np.radians(asked), 1, few, None).step_rad) == pytest.approx(
        made_deg
    )
    if asked == 60.0:
        found = size(joint)
        assert np.degrees(found.step_rad) == pytest.approx(made_deg)
        name, shown, _ = rows_of(found)[1]
        assert name == f"quickest {made_deg:.0f} deg step"
        assert shown == f"{found.step_bound_s * 1e3:.0f} ms"


@pytest.mark.parametrize(
    "range_",
    [
        ["0 deg", "100 deg"],
        ["-80 deg", "-10 deg"],
    ],
)
def test_closing_on_something_within_travel_costs_nothing(made, range_):
    joint = made({"joint.range": range_, "limits.tip_force": "2 N"})
    fleet = Fleet([joint.part], [25.0], joint.settings.tick_s, joint.delay_s, 1)
    known = cost.search_scenarios(joint, 0.6, 1.0)
    assert cost.contact_cost(joint, fleet, joint.settings, known) == 0.0
