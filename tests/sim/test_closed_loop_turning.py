"""A joint that turns without end, over the dead gap of its sensor (240 to 260 deg), on the plant."""

from math import pi

import hypothesis
import numpy as np
import pytest

from controller.joint.reading import straight_angle
from host.commands.stream import Wish, moves_of
from host.link.session import scaled
from sim.challenge.steady import steady_draws
from sim.challenge.strategies import scenarios
from sim.errors import InputError
from sim.joint.spread import draw_parts, spread_of
from sim.model import schedule
from sim.run.closed_loop import Fleet, simulate
from sim.run.scenarios import DEG, Scenario

TURNING = {"joint.travel": "continuous", "joint.range": None, "joint.gravity_torque": "0 N*m"}
QUICK_WIRE = {"sensor.capacitance": "0.1 nF"}
TWO = {"sensor.wipers": 2}
SEEDS = range(1, 9)


def ends(made, changes, start_deg, target_deg=None):
    """Faults of several runs, and how far (rad) they end from the target."""
    joint = made({**TURNING, **changes})
    found = []
    for seed in SEEDS:
        scene = Scenario("turning", start_deg * DEG, 2.0)
        if target_deg is not None:
            scene.at(0.12, schedule.TARGET, target_deg * DEG - 2.0 * pi)
        trace = simulate(joint, scene, seed=seed)
        away = trace["joint_rad"][-1] - (start_deg if target_deg is None else target_deg) * DEG
        found.append((trace.metrics.fault, abs(away)))
    return found


@pytest.mark.parametrize(
    ("changes", "start", "target"),
    [
        ({}, 200.0, 300.0),
        (TWO, 200.0, 300.0),
        ({}, 300.0, 200.0),
        (TWO, 300.0, 200.0),
        (QUICK_WIRE, 200.0, 300.0),
        ({**QUICK_WIRE, **TWO}, 200.0, 300.0),
        ({**QUICK_WIRE, **TWO, "limits.speed": "2 rad/s"}, 300.0, 200.0),
    ],
)
def test_a_move_crosses_the_dead_gap(made, changes, start, target):
    for fault, away in ends(made, changes, start, target):
        assert fault == "none"
        assert away < 1.5 * DEG


def test_a_slow_crossing_ends_well_or_as_too_long_in_the_gap(made):
    slow = {**QUICK_WIRE, "limits.speed": "2 rad/s"}
    for fault, _ in ends(made, slow, 200.0, 300.0) + ends(made, slow, 300.0, 200.0):
        assert fault in ("none", "too long in the dead gap")


def test_a_joint_with_two_wipers_may_rest_in_the_gap_of_one(made):
    for fault, away in ends(made, TWO, 250.0):
        assert fault == "none"
        assert away < 1.5 * DEG


def test_a_joint_with_two_wipers_may_rest_in_the_gap_of_the_other(made):
    for fault, away in ends(made, TWO, 70.0):
        assert fault == "none"
        assert away < 1.5 * DEG


def test_several_turns_end_at_the_turn_asked_for(made):
    joint = made({**TURNING, **QUICK_WIRE, **TWO, "limits.speed": "5 rad/s"})
    scene = Scenario("turns", 0.5, 8.0).at(0.12, schedule.TURN_TARGET, 1.0, 5.0)
    trace = simulate(joint, scene)
    assert trace.metrics.fault == "none"
    assert trace["joint_rad"][-1] == pytest.approx(1.0 + 10.0 * pi, abs=1.5 * DEG)


def test_the_pull_downs_loading_is_undone(made):
    """100 kohm on 10 kohm bends by up to 1 deg: what is left is the rest band."""
    joint = made({**TURNING, "sensor.pull_down": "100 kohm"})
    for target_deg in (40.0, 100.0, 170.0):
        scene = Scenario("loaded", 10.0 * DEG, 2.0).at(0.12, schedule.TARGET, target_deg * DEG)
        trace = simulate(joint, scene)
        assert abs(trace["joint_rad"][-1] - target_deg * DEG) < 0.4 * DEG


@pytest.mark.parametrize("start", [-30.0, 0.0, 30.0])
def test_a_plain_move_of_155_degrees_on_any_part(made, start):
    joint = made(TURNING)
    low = (start - 50.0) * DEG
    scene = Scenario("long", low, 2.0).at(0.12, schedule.TARGET, low + 155.0 * DEG)
    parts, warmth = draw_parts(joint.part, spread_of(joint.file), 60, 4, "inside")
    fleet = Fleet(parts, warmth, joint.settings.tick_s, joint.delay_s, 4)
    assert (fleet.run(joint.settings, scene).scores["fault"] == 0).all()


@pytest.mark.parametrize("way", [1.0, -1.0])
@pytest.mark.parametrize("beyond", [16.0, 40.0, 80.0])
def test_the_gap_is_crossed_at_full_speed_on_any_part(made, way, beyond):
    """To just behind the gap, too: there the joint brakes while nothing is read."""
    joint = made(TURNING)
    middle = 250.0 * DEG - 2.0 * pi
    start = middle - way * 70.0 * DEG
    scene = Scenario("across", start, 2.0).at(0.12, schedule.TARGET, middle + way * beyond * DEG)
    parts, warmth = draw_parts(joint.part, spread_of(joint.file), 60, 4, "inside")
    fleet = Fleet(parts, warmth, joint.settings.tick_s, joint.delay_s, 4)
    run = fleet.run(joint.settings, scene)
    assert (run.scores["fault"] == 0).all()
    away = run.plants["joint_rad"] - middle - way * beyond * DEG
    away -= 2.0 * pi * np.round(away / (2.0 * pi))
    assert np.abs(away).max() < 1.5 * DEG


def test_calibration_moves_the_gap_with_the_zero(made):
    """A joint mounted 30 deg off: two known angles, and the gap is where it really is."""
    plain = made({**TURNING, "sensor.pull_down": None})
    s = plain.settings.sensor
    rows = [
        [f"{a!r} rad", f"{s.zero_counts + (a + 0.5) / s.rad_per_count!r} count"] for a in (0.2, 1.4)
    ]
    moved = made({
        **TURNING, "sensor.pull_down": None,
        "calibration": {"zero": f"{s.zero_counts + 0.5 / s.rad_per_count!r} count",
                        "slope": f"{s.rad_per_count!r} rad/count", "points": rows},
    }).settings.sensor  # fmt: skip
    assert moved.gap_rad == pytest.approx(s.gap_rad)
    assert moved.gap_from_rad == pytest.approx(s.gap_from_rad - 0.5)
    assert straight_angle(moved, 2000) == pytest.approx(straight_angle(s, 2000) - 0.5, abs=1e-6)


@pytest.mark.parametrize("travel", [TURNING, {}])
def test_two_points_keep_the_known_bend(made, travel):
    """The pull-down's bend stays undone where two points give the line only."""
    joint = made({**travel, "sensor.pull_down": "100 kohm"})
    s = joint.settings.sensor
    rows = [(straight_angle(s, c) + 0.1, c) for c in (1000, 3000)]
    slope = (rows[1][0] - rows[0][0]) / 2000.0
    again = made({
        **travel, "sensor.pull_down": "100 kohm",
        "calibration": {"zero": f"{1000 - rows[0][0] / slope!r} count", "slope": f"{slope!r} rad/count",
                        "points": [[f"{a!r} rad", f"{c} count"] for a, c in rows]},
    }).settings.sensor  # fmt: skip
    for counts in (600, 1700, 2500, 3400):
        assert straight_angle(again, counts) == pytest.approx(
            straight_angle(s, counts) + 0.1, abs=2e-3
        )


def test_no_program_starts_where_nothing_is_read(made):
    from controller.joint.motion.setpoint import in_gap

    joint = made(TURNING)
    with steady_draws():
        starts = set()

        @hypothesis.given(scenarios(joint))
        @hypothesis.settings(max_examples=200, database=None, deadline=None)
        @hypothesis.seed(1)
        def draw(scene):
            starts.add(scene.start_rad)

        draw()
    assert len(starts) > 20
    assert not any(in_gap(joint.settings.sensor, one) for one in starts)


def test_a_stream_across_the_seam_is_sent_within_the_turn(made):
    joint = made({**TURNING, "sensor.dead_gap_at": "0 deg"})
    position, _ = scaled(joint.settings, pi + 0.2, 0.0)
    assert position / 65535.0 * 2.0 * pi - pi == pytest.approx(-pi + 0.2, abs=1e-4)
    wish = Wish("sine", None, None, "30 deg", "0.5 Hz", "2 Hz", 2.0)
    (move,) = moves_of(wish, [joint]).values()
    assert move.low < -pi < move.high
    with pytest.raises(InputError, match="dead gap"):
        moves_of(Wish("sine", None, "10 deg", "30 deg", "0.5 Hz", "2 Hz", 2.0), [joint])
