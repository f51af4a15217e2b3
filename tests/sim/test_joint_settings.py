"""Formulas from the joint file to the settings: the chain of force, watches, sensing."""

from math import pi

import pytest

from controller.joint import heat
from controller.joint.state import Allowed
from controller.records import out_of_range
from sim.errors import InputError
from sim.joint import physics

DEG = pi / 180.0
FORCES = (0.1, 0.5, 1.0, 3.0, 5.0, 9.0)
KINDS = [
    {},
    {"cable.kind": "direct"},
    {"cable.kind": "spring_return", "cable.spring_stiffness": "200 N/m"},
    {"cable.joint_radius": "9 mm"},
    {"joint.travel": "continuous", "joint.range": None},
    {"joint.travel": "continuous", "joint.range": None, "sensor.wipers": 2},
    {"sensor.reversed": True},
    {"drive.kind": "pulse"},
    {"drive.kind": "builtin", "control.rate": "100 Hz"},
    {"control.rate": "10 Hz"},
    {"control.rate": "10000 Hz"},
]


@pytest.mark.parametrize("strength", [30.0, 90.0, 180.0])
def test_the_current_limit_spares_a_weak_cable(made, strength):
    joint = made({"cable.breaking_strength": f"{strength} N", "limits.tip_force": "9 N"})
    part = joint.part
    asked = physics.current_for_tip_force(part, 9.0)
    amps = joint.settings.limits.current_A
    assert amps <= asked
    if amps < asked:
        pull = physics.drum_of_current(part, amps) / part.cable.drum_m
        tension = max(5.0 + 0.5 * pull, pull)  # of the preload 5 N, and where the other is slack
        assert tension == pytest.approx(strength / 3.0)


def test_the_hold_current_keeps_the_winding_just_warm(joint):
    h, st = joint.part.heat, Allowed()
    st.winding_C = st.case_C = h.air_C
    amps = physics.hold_current(joint.part)
    for _ in range(60_000):
        ohm = heat.resistance(h.resistance_25_ohm, st.winding_C)
        heat.warm_up(h, st, ohm * amps**2, 0.1)
    assert st.winding_C == pytest.approx(h.warm_C, abs=0.05)


@pytest.mark.parametrize(
    "changes",
    [
        {"cable.pretension": "8 N"},
        {"cable.guide_friction": 0.2},
        {"joint.friction": "3 mN*m"},
        {"joint.gravity_torque": "5 mN*m"},
        {"motor.stiction_ratio": 2.0},
    ],
)
def test_whatever_holds_the_joint_raises_the_breakaway_voltage(made, joint, changes):
    harder = made(changes)
    assert physics.breakaway_V(harder.part) > physics.breakaway_V(joint.part)
    assert harder.settings.watch.friction_V > joint.settings.watch.friction_V
    assert harder.settings.stopping.check_V == pytest.approx(
        1.25 * harder.settings.watch.friction_V
    )


def test_leaning_on_a_hard_stop_is_no_over_travel(made, joint):
    for one in (joint, made({"joint.stops": ["-9 deg", "101 deg"]})):
        limits, hinge = one.settings.limits, one.part.hinge
        reach = one.settings.watch.over_travel_rad
        assert limits.travel_high_rad + reach > hinge.stop_high_rad
        assert limits.travel_low_rad - reach < hinge.stop_low_rad
        assert limits.travel_low_rad < limits.command_low_rad < limits.command_high_rad


@pytest.mark.parametrize(
    ("changes", "where", "expected"),
    [
        ({}, ("limits", "supply_low_V"), 3.5),
        ({"limits.supply_low": "4 V"}, ("limits", "supply_low_V"), 4.0),
        ({"limits.self_test": False}, ("stopping", "check_V"), 0.0),
        ({"drive.current_sensor": True}, ("limits", "current_fitted"), 1),
        ({"limits.speed": "3 rad/s"}, ("limits", "speed_rad_s"), 3.0),
        ({"limits.grip_speed": "0.5 rad/s"}, ("limits", "grip_speed_rad_s"), 0.5),
        ({"limits.speed": "0.4 rad/s"}, ("limits", "grip_speed_rad_s"), 0.4),
        ({"limits.link_silence": "90 ms"}, ("watch", "link_silence_s"), 0.09),
        ({"control.rate": "200 Hz"}, ("limits", "supply_ticks"), 2),
        ({"drive.kind": "pulse"}, ("drive", "kind"), 1),
        ({"joint.travel": "continuous", "joint.range": None}, ("sensor", "travel"), 1),
        ({"joint.travel": "continuous", "joint.range": None}, ("watch", "over_travel_rad"), 0.0),
    ],
)
def test_a_key_of_the_file_reaches_its_setting(made, changes, where, expected):
    settings = made(changes).settings
    assert getattr(getattr(settings, where[0]), where[1]) == pytest.approx(expected)


def test_a_grip_is_never_stronger_than_the_limit_or_what_can_be_held(made, joint):
    for changes in ({}, {"limits.grip_force": "0.2 N"}, {"limits.grip_force": "4 N"}):
        one = made(changes)
        amps = one.settings.limits.grip_current_A
        assert amps <= one.settings.limits.current_A
        assert amps <= physics.hold_current(one.part) + 1e-12
    assert made({"limits.grip_force": "0.2 N"}).settings.limits.grip_current_A == pytest.approx(
        physics.current_for_tip_force(joint.part, 0.2)
    )


def test_two_wipers_whose_gaps_meet_are_refused(made):
    with pytest.raises(InputError, match="set them further apart") as caught:
        made({**KINDS[5], "sensor.second_wiper_at": "20 deg"})
    assert caught.value.key == "sensor.second_wiper_at"


@pytest.mark.parametrize("changes", KINDS)
def test_settings_of_usual_joints_are_in_their_declared_range(made, changes):
    assert out_of_range(made(changes).settings) is None


@pytest.mark.parametrize(
    "changes",
    [
        {"drive.supply": "0.3 V"},
        {"motor.winding_heat": "1e-9 J/K"},
        {"limits.tip_force": "2000 N", "cable.breaking_strength": "90 kN"},
        {"limits.link_silence": "101 ms"},
        {"limits.link_silence": "0 s"},
        {"joint.gravity_torque": "1 N*m"},
        {"sensor.pull_down": "1 ohm"},
    ],
    ids=lambda changes: next(iter(changes)),
)
def test_a_file_is_refused_or_gives_settings_in_their_declared_range(made, changes):
    try:
        settings = made(changes).settings
    except InputError:
        return
    assert out_of_range(settings) is None


def test_a_force_calibration_of_the_same_winding_leaves_the_window_as_it_was(made):
    """The window's resistance is that of the coldest winding, whoever measured it."""
    joint = made({})
    r25 = joint.part.motor.resistance_25_ohm
    again = made({"calibration.resistance_25": f"{r25!r} ohm"})
    assert again.settings.limits.resistance_ohm == pytest.approx(
        joint.settings.limits.resistance_ohm, rel=1e-12
    )
    assert again.settings.limits.resistance_ohm < r25 + again.part.motor.driver_ohm
