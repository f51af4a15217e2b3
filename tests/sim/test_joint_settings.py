"""Formulas from the joint file to the settings: the chain of force, watches, sensing."""

from math import pi

import numpy as np
import pytest

from controller import heat
from controller.records import out_of_range
from controller.state import Allowed
from sim import joint_settings as rules
from sim.errors import InputError

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


@pytest.mark.parametrize("changes", KINDS[:4])
def test_more_force_needs_more_current_and_the_chain_runs_backwards(made, changes):
    part = made(changes).part
    amps = [rules.current_for_tip_force(part, force) for force in FORCES]
    assert (np.diff(amps) > 0.0).all()
    back = [rules.tip_force_of_current(part, one) for one in amps]
    assert back == pytest.approx(FORCES)
    friction = part.motor.coulomb_Nm / part.motor.emf_V_s
    assert amps[0] > friction
    assert rules.tip_force_of_current(part, 0.99 * friction) == 0.0


def test_the_chain_in_numbers(joint):
    """2 N at 40 mm over 6 mm pulleys: torque, cable, drum, gear, motor."""
    part = joint.part
    torque = 2.0 * 0.04
    drum = torque / 0.006 / (1.0 - part.cable.wrap_loss) * 0.006
    motor = drum / (1.0 - part.motor.load_loss) + part.motor.coulomb_Nm
    assert rules.current_for_tip_force(part, 2.0) == pytest.approx(motor / part.motor.emf_V_s)


@pytest.mark.parametrize(
    ("changes", "factor"),
    [({"joint.tip_distance": "80 mm"}, 2.0), ({"cable.joint_radius": "12 mm"}, 0.5)],
)
def test_lever_arms_scale_the_torque_asked_of_the_motor(made, joint, changes, factor):
    def torque(part):
        amps = rules.current_for_tip_force(part, 2.0)
        return amps * part.motor.emf_V_s - part.motor.coulomb_Nm

    assert torque(made(changes).part) == pytest.approx(factor * torque(joint.part))


def test_cable_tension_grows_from_the_preload_and_is_none_without_a_cable(made, joint):
    pulls = [rules.cable_of_tip_force(joint.part, force) for force in (0.0, *FORCES, 50.0)]
    assert pulls[0] == pytest.approx(5.0)
    assert (np.diff(pulls) > 0.0).all()
    gain = 0.04 / 0.006 / rules.wrap_gain(joint.part)
    assert pulls[-1] == pytest.approx(50.0 * gain)  # the partner is slack
    assert pulls[2] == pytest.approx(5.0 + 0.5 * 0.5 * gain)  # both live
    assert rules.cable_of_tip_force(made({"cable.kind": "direct"}).part, 3.0) == 0.0


@pytest.mark.parametrize("strength", [30.0, 90.0, 180.0])
def test_the_current_limit_spares_a_weak_cable(made, strength):
    joint = made({"cable.breaking_strength": f"{strength} N", "limits.tip_force": "9 N"})
    part = joint.part
    asked = rules.current_for_tip_force(part, 9.0)
    amps = joint.settings.limits.current_A
    assert amps <= asked
    if amps < asked:
        motor = (amps * part.motor.emf_V_s - part.motor.coulomb_Nm) * (1.0 - part.motor.load_loss)
        assert motor / part.cable.drum_m == pytest.approx(strength / 3.0)


def test_the_hold_current_keeps_the_winding_just_warm(joint):
    h, st = joint.part.heat, Allowed()
    st.winding_C = st.case_C = h.air_C
    amps = rules.hold_current(joint.part)
    for _ in range(60_000):
        ohm = heat.resistance(h.resistance_25_ohm, st.winding_C)
        heat.warm_up(h, st, ohm * amps**2, 0.1)
    assert st.winding_C == pytest.approx(h.warm_C, abs=0.05)


@pytest.mark.parametrize("changes", KINDS[:4])
def test_at_the_free_speed_torque_and_losses_balance(made, changes):
    part = made(changes).part
    m = part.motor
    w = rules.no_load_speed(part, 5.0) * rules.drum_per_joint(part)
    amps = (5.0 - m.emf_V_s * w) / (m.resistance_25_ohm + m.driver_ohm)
    assert m.emf_V_s * amps == pytest.approx(m.coulomb_Nm + m.viscous_Nms * w)


def test_a_supply_below_friction_moves_nothing(joint):
    assert rules.no_load_speed(joint.part, 0.1) == 0.0


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
    assert rules.breakaway_V(harder.part) > rules.breakaway_V(joint.part)
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
        ({"limits.link_silence": "250 ms"}, ("watch", "link_silence_s"), 0.25),
        ({"control.rate": "200 Hz"}, ("limits", "supply_ticks"), 2),
        ({"drive.kind": "pulse"}, ("drive", "kind"), 1),
        ({"joint.travel": "continuous", "joint.range": None}, ("sensing", "travel"), 1),
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
        assert amps <= rules.hold_current(one.part) + 1e-12
    assert made({"limits.grip_force": "0.2 N"}).settings.limits.grip_current_A == pytest.approx(
        rules.current_for_tip_force(joint.part, 0.2)
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
        {"limits.link_silence": "100 s"},
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
