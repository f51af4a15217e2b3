from itertools import pairwise

import pytest

from controller.joint.modes import ARM
from sim.model import schedule
from sim.run import scenarios
from sim.run.closed_loop import simulate
from sim.run.scenarios import DEG, LEAD_S, Scenario

TICK_S = 0.002


def test_events_are_sorted_and_begin_with_placing_and_arming():
    scene = (
        Scenario("x", 0.4, 1.0).at(0.7, schedule.LOAD, 0.1).at(0.3, schedule.TARGET, 1.0, 2.0, 3.0)
    )
    events = scene.events(TICK_S)
    assert [(e.tick, e.kind, e.a, e.b, e.c) for e in events] == [
        (0, schedule.PLACE, 0.4, 0.0, 0.0),
        (5, schedule.REQUEST, float(ARM), 0.0, 0.0),
        (150, schedule.TARGET, 1.0, 2.0, 3.0),
        (350, schedule.LOAD, 0.1, 0.0, 0.0),
    ]
    assert scene.ticks(TICK_S) == 500


def rows_of(scene, kind):
    return [row for row in scene.rows if row[1] == kind]


@pytest.mark.parametrize(("start", "target"), [(0.2, 1.2), (1.2, 0.2)])
def test_a_step_is_measured_from_its_command_to_a_share_of_its_size(start, target):
    scene = scenarios.step(start, target, 0.003, settle_s=0.5, tail_s=4.0, share=0.02)
    assert scene.start_rad == start
    assert scene.duration_s == pytest.approx(LEAD_S + 4.5)
    assert rows_of(scene, schedule.MEASURE) == [
        (LEAD_S, schedule.MEASURE, target, pytest.approx(0.02), 0.003)
    ]
    assert rows_of(scene, schedule.TARGET) == [(LEAD_S, schedule.TARGET, target, 0.0, 0.0)]
    assert rows_of(scene, schedule.TAIL)[0][0] == pytest.approx(LEAD_S + 0.5)


def test_a_slow_ramp_goes_there_and_back_at_its_speed():
    scene = scenarios.slow_ramp(0.2, 0.6, 2.0, 0.003)
    samples = rows_of(scene, schedule.STREAM)
    places = [row[2] for row in samples]
    assert (places[0], places[100], places[-1]) == pytest.approx((0.2, 0.6, 0.2))
    assert max(places) == pytest.approx(0.6)
    for row, after in pairwise(samples[1:]):
        if row[3] != 0.0 and after[3] == row[3]:
            assert (after[2] - row[2]) / row[4] == pytest.approx(row[3])
    assert {round(row[3], 9) for row in samples} == {0.0, 0.2, -0.2}


def test_the_band_of_the_sensor_is_four_sigma_and_at_least_a_count(joint):
    count = abs(joint.settings.sensor.rad_per_count)
    assert scenarios.fine_band(joint.settings, 6.5) == pytest.approx(26.0 * count)
    assert scenarios.fine_band(joint.settings, 0.1) == pytest.approx(count)


@pytest.mark.parametrize("travel", ["limited", "continuous"])
def test_scenarios_move_within_the_range_and_away_from_the_gap(made, travel):
    changes = {} if travel == "limited" else {"joint.travel": travel, "joint.range": None}
    joint = made(changes)
    low, high = scenarios.span_of(joint.settings)
    assert low < high
    if travel == "limited":
        assert (low, high) == pytest.approx((20 * DEG, 80 * DEG))
    for angle in (low, 0.5 * (low + high), high):
        share = joint.part.sensor.zero_fraction + angle / joint.part.sensor.electrical_rad
        share %= 2.0 * 3.141592653589793 / joint.part.sensor.electrical_rad
        assert 0.02 < share < 0.98


NAMES = {
    "step",
    "step_back",
    "small_step",
    "slow_ramp",
    "soft_object",
    "hard_object",
    "grip",
    "load",
    "wiper_open",
    "sensor_held",
    "flexor_cut",
    "extensor_cut",
    "motor_open",
    "supply_dip",
    "link_silent",
    "wires_swapped",
    "arming",
    "arming_swapped",
}


def test_every_named_scenario_says_what_it_is(joint):
    known = joint.scenarios()
    assert set(known) == NAMES
    for name, scene in known.items():
        assert scene.name == name
        assert len(scene.meaning.split()) >= 2


def test_a_step_size_is_centred_in_the_span(joint):
    scene = joint.scenarios(0.5)["step"]
    target = rows_of(scene, schedule.TARGET)[0][2]
    assert target - scene.start_rad == pytest.approx(0.5)
    assert 0.5 * (target + scene.start_rad) == pytest.approx(50 * DEG)


@pytest.mark.parametrize(
    "kind",
    [
        "bridge",
        "pulse",
        "builtin",
    ],
)
@pytest.mark.parametrize("name", ["step", "step_back", "slow_ramp"])
def test_every_kind_of_drive_can_be_shown_moving(made, kind, name):
    joint = made({"drive.kind": kind})
    scene = joint.scenarios()[name]
    trace = simulate(joint, scene)
    assert trace.metrics.fault == "none"
    # the motor's original loop has no integral: it stands where friction holds it
    near = 4.0 * DEG if kind == "builtin" else 2.0 * DEG
    assert abs(trace["joint_rad"][-1] - rows_of(scene, schedule.MEASURE)[0][2]) < near


@pytest.mark.parametrize(
    ("name", "faults"),
    [
        ("step", {"none"}),
        ("step_back", {"none"}),
        ("small_step", {"none"}),
        ("slow_ramp", {"none"}),
        ("grip", {"none"}),
        ("load", {"none"}),
        ("arming", {"none"}),
        ("soft_object", {"blocked"}),
        ("hard_object", {"blocked"}),
        ("wiper_open", {"wiper at a rail", "impossible jump of the angle"}),
        ("sensor_held", {"reading stuck"}),
        ("flexor_cut", {"blocked", "driven but no motion", "moves against the drive"}),
        ("extensor_cut", {"blocked", "driven but no motion", "moves against the drive"}),
        ("motor_open", {"blocked", "driven but no motion"}),
        ("supply_dip", {"supply too low"}),
        ("link_silent", {"link silent"}),
        ("wires_swapped", {"moves against the drive"}),
        ("arming_swapped", {"moves against the drive"}),
    ],
)
def test_each_scenario_ends_as_its_name_promises(joint, name, faults):
    found = simulate(joint, joint.scenarios()[name]).metrics
    assert found.fault in faults
    assert found.mode == ("powered" if faults == {"none"} else "tripped")
