"""Each finding appears when its figure is beyond the bound, and not just within."""

from dataclasses import replace

import pytest

from sim.size import figures
from sim.size.findings import findings
from sim.size.force import ModeForces


@pytest.fixture(scope="module")
def sound(made):
    """Figures of a joint with nothing to complain of but the spread of force."""
    joint = made({"sensor.linearity": 0.001})
    mine = replace(
        figures.size(joint),
        stall_force_N=6.0,
        tip_impact_N=6.0,
        force_current_A=0.3,
        hold_for_ever_A=0.31,
        cable_strength_N=180.0,
        cable_impact_N=20.0,
        cable_at_stall_N=30.0,
        cable_contact_N=30.0,
        contact_N=(4.0, 6.0),
        modes=ModeForces(5.0, 5.0, 20.0),
        bend_suggested=10.0,
        bend_least=5.0,
        noise_rad=0.001,
        breakaway_V=2.4,
    )
    return joint, mine


def texts(joint, mine):
    return [(one.weight, one.text) for one in findings(joint, mine)]


def test_a_sound_joint_has_three_findings(sound):
    weights = [weight for weight, _ in texts(*sound)]
    assert sorted(weights) == ["good", "note", "note"]


@pytest.mark.parametrize(
    ("changes", "weight", "says"),
    [
        ({"stall_force_N": 4.99}, "warning", "cannot reach the force limit"),
        ({"tip_impact_N": 6.01}, "warning", "Closing on something hard"),
        ({"contact_N": (4.0, 6.01)}, "warning", "holds up to 6.0 N afterwards"),
        ({"cable_contact_N": 61.0}, "warning", "safety factor of 3"),
        (
            {"modes": ModeForces(5.01, 5.0, 20.0)},
            "warning",
            "Arming tests the joint with up to 5.0 N",
        ),
        ({"hold_for_ever_A": 0.29}, "note", "in full, until the winding has 85 degC"),
        ({"cable_strength_N": None}, "warning", "breaking strength is not given"),
        ({"cable_impact_N": 61.0}, "warning", "safety factor of 3"),
        ({"cable_at_stall_N": 61.0}, "warning", "should break only at 183 N, not 180 N"),
        (
            {"bend_ratio_drum": 9.9},
            "note",
            "At the motor's drum the cable bends over 10 times its own",
        ),
        (
            {"bend_ratio_joint": 4.9},
            "warning",
            "At the joint's pulley the cable bends over 5 times its own",
        ),
        ({"resonance_Hz": 44.9}, "warning", "swing at 45 Hz, below 45 Hz"),
        ({"resonance_Hz": 22.5}, "warning", "4.0 times as stiff"),
        ({"linearity_error_rad": 0.01746}, "note", "linearity alone is worth"),
        ({"noise_rad": 0.00612}, "note", "Sensor noise is 0.35 deg"),
        ({"breakaway_V": 2.51}, "warning", "needs 2.5 V to move at all, 50 % of the supply"),
        ({"bus_at_stall_V": 3.49}, "warning", "pulls the supply down by 1.5 V"),
    ],
)
def test_a_figure_beyond_its_bound_is_said_and_weighed(sound, changes, weight, says):
    joint, mine = sound
    before = texts(joint, mine)
    new = [one for one in texts(joint, replace(mine, **changes)) if one not in before]
    assert len(new) == 1
    assert new[0][0] == weight
    assert says in new[0][1]


@pytest.mark.parametrize(
    "changes",
    [
        {"stall_force_N": 5.0},
        {"tip_impact_N": 5.99},
        {"hold_for_ever_A": 0.3},
        {"cable_impact_N": 59.9},
        {"bend_ratio_drum": 10.0},
        {"resonance_Hz": 45.0},
        {"linearity_error_rad": 0.01745},
        {"noise_rad": 0.0061},
        {"breakaway_V": 2.5},
        {"bus_at_stall_V": 3.5},
    ],
)
def test_a_figure_within_its_bound_is_not(sound, changes):
    joint, mine = sound
    assert len(texts(joint, replace(mine, **changes))) == 3


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"sensor.pull_down": None}, "No pull-down at the wiper"),
        ({"sensor.pull_down": "4.7 Mohm"}, "needs 47 ms to empty"),
        ({"drive.kind": "builtin"}, "cannot be limited or stopped from here"),
    ],
)
def test_what_the_file_says_of_wiring_and_drive_is_warned_of(made, sound, changes, says):
    joint = made({"sensor.linearity": 0.001, **changes})
    new = [one for one in texts(joint, sound[1]) if one not in texts(*sound)]
    assert [weight for weight, _ in new] == ["warning"]
    assert says in new[0][1]


def test_a_force_that_lasts_is_told_with_its_time(sound):
    joint, mine = sound
    rows = [(0.3, 2.0, 41.7)]
    for hold, says in ((rows, "held for 42 s from cold"), ([], "held for more than an hour")):
        changed = replace(mine, hold_for_ever_A=0.29, hold_s=hold)
        assert any(says in text for _, text in texts(joint, changed))


def test_a_direct_joint_has_no_cable_to_speak_of(made, sound):
    joint = made({"cable.kind": "direct", "sensor.linearity": 0.001})
    changed = replace(sound[1], cable_strength_N=None, resonance_Hz=1.0)
    assert not any("able" in text for _, text in texts(joint, changed))


def test_figures_for_people_near_it_are_told_and_warned_of(sound):
    """ISO/TS 15066:2016, Table A.2: 140 N on hands and fingers, 300 N/cm^2 on a forefinger's pad."""
    joint, mine = sound
    force = joint.file.limits.tip_force
    told = [text for _, text in texts(joint, mine)]
    assert any(f"less than {force / 3.0:.1f} mm^2" in text for text in told)
    hard = [
        text
        for weight, text in texts(joint, replace(mine, tip_impact_N=300.0))
        if weight == "warning"
    ]
    assert any("150 N" in text and "140 N for hands" in text for text in hard)


def test_a_hot_case_is_warned_of(made):
    """Two thermal resistances in a row: winding at 85 degC, air at 25, 25 and 45 K/W: case at 63.6."""
    from sim.size.reference_limits import hottest_case_C

    assert hottest_case_C(made({}).part) == pytest.approx(25.0 + 60.0 * 45.0 / 70.0)
    hot = made({"limits.warm": "105 degC"})
    assert hottest_case_C(hot.part) > 71.0
    assert any("must not be touched" in text for _, text in texts(hot, figures.size(hot)))
