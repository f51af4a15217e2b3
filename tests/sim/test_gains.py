import tomllib
from math import pi, sqrt

import numpy as np
import pytest

from controller.joint.settings.settings import Gains, Profile, Settings
from controller.records import copy, fields, out_of_range
from sim.errors import InputError
from sim.joint import gains as rules
from sim.joint import physics
from sim.joint.result_tables import PROFILE_KEYS, GainsTable
from sim.run.closed_loop import joint_of
from sim.schema import read
from sim.tune import margins


def as_file(table):
    """The table as it stands in a TOML file, read again."""
    text = "\n".join(f'{key} = "{value}"' for key, value in table.items())
    return tomllib.loads(text)


@pytest.mark.parametrize("seed", range(8))
def test_a_table_of_gains_comes_back_bit_equal(seed):
    rng = np.random.default_rng(seed)
    gains, profile = Gains(), Profile()
    for record in (gains, profile):
        for name, field in fields(type(record)):
            if name not in ("plan_ticks", "stream_hold_s"):
                low = max(field.low, field.high * 1e-9)
                setattr(record, name, float(np.exp(rng.uniform(np.log(low), np.log(field.high)))))
    table = as_file(rules.gain_table(gains, profile))
    found, found_profile = Gains(), Profile()
    rules.put_gains(read(GainsTable, table, "f.toml"), found, found_profile)
    for name, _ in fields(Gains):
        assert getattr(found, name) == getattr(gains, name), name
    for name in PROFILE_KEYS:
        assert getattr(found_profile, name) == getattr(profile, name), name


def test_the_first_guess_written_and_read_is_the_first_guess(made, joint):
    s = joint.settings
    again = made({"gains": as_file(rules.gain_table(s.gains, s.profile))})
    for name, _ in fields(Gains):
        assert getattr(again.settings.gains, name) == getattr(s.gains, name)


@pytest.mark.parametrize(
    ("key", "value", "allowed"),
    [
        ("kq", "5 V/rad", "allowed: digest, provenance, kp, ki, kd"),
        ("kp", "5", "the unit is missing"),
        ("kp", 5.0, "needs a number with a unit"),
        ("kp", "5 mm", "is not a unit of V/rad"),
        ("kp", "1001 V/rad", "at least 0 V/rad and at most 1000 V/rad"),
        ("kp", "-1 V/rad", "at least 0 V/rad and at most 1000 V/rad"),
        ("tracking_s", "0 s", "at least 0.0001 s and at most 100 s"),
        ("setpoint_weight", "2.5", "at least 0 and at most 2"),
        ("setpoint_weight", "nan", "at least 0 and at most 2"),
        ("near_factor", "inf", "at least 0.1 and at most 4"),
        ("setpoint_weight", "one", "needs a number in quotes"),
        ("profile_speed_rad_s", "0 rad/s", "deg/s and at most 1.146e+04 deg/s"),
        ("profile_plan_ticks", "3", "unknown key"),
    ],
)
def test_a_bad_gain_is_refused_by_name(made, key, value, allowed):
    with pytest.raises(InputError) as caught:
        made({f"gains.{key}": value})
    assert (caught.value.key, caught.value.value) == (f"gains.{key}", value)
    assert allowed in caught.value.allowed


def test_what_the_refusal_of_a_weight_gives_as_an_example_is_accepted(made):
    with pytest.raises(InputError) as caught:
        made({"gains.setpoint_weight": 0.5})
    example = caught.value.allowed.split('"')[1]
    assert made({"gains.setpoint_weight": example}).settings.gains.setpoint_weight == 1.0


def test_gains_above_the_file_s_own_limits_are_refused(made):
    with pytest.raises(InputError) as caught:
        made({"limits.speed": "300 deg/s", "gains.profile_speed_rad_s": "6 rad/s"})
    assert caught.value.key == "gains.profile_speed_rad_s"
    assert "tune again" in caught.value.allowed


def test_gains_of_another_joint_are_refused(made, tables):
    with pytest.raises(InputError) as caught:
        made({"gains.digest": "0" * 12, "gains.kp": "5 V/rad"})
    assert caught.value.key == "gains.digest"
    assert "tune again" in caught.value.allowed


@pytest.mark.parametrize(
    ("changes", "same"),
    [
        ({"gains.kp": "6 V/rad"}, True),
        ({"calibration.method": "by hand"}, True),
        ({"joint.inertia": "6e-6 kg*m^2"}, False),
        ({"limits.tip_force": "4 N"}, False),
        ({"spread.backlash": ["1 deg", "2 deg"]}, False),
        ({"sensor.reversed": True}, False),
    ],
)
def test_the_digest_is_that_of_what_gains_depend_on(tables, changes, same):
    digest = rules.joint_digest(tables({}))
    changed = tables(changes)
    changed.setdefault("gains", {})["digest"] = digest
    assert len(digest) == 12
    if same:
        assert joint_of(changed, "f.toml").digest == digest
    else:
        with pytest.raises(InputError, match="earlier state of this file"):
            joint_of(changed, "f.toml")


def test_gains_replace_the_first_guess_where_given(made, joint):
    s = made({"gains.kp": "7.5 V/rad", "gains.profile_jerk_rad_s3": "1234 rad/s^3"}).settings
    assert (s.gains.kp, s.profile.jerk_rad_s3) == (7.5, 1234.0)
    assert s.gains.kd == joint.settings.gains.kd


def test_the_first_guess_is_in_range_and_stable(joint):
    settings = Settings()
    copy(joint.settings, settings)
    assert out_of_range(settings) is None
    found = margins.margins(joint.part, settings.gains, settings.tick_s, joint.delay_s)
    assert found.stable
    assert found.ms < 2.0


def test_a_cable_below_the_resonance_rule_scales_the_gains_down(made, joint):
    soft = made({"cable.stiffness": "1.5 kN/m"})
    ratio = physics.resonance_Hz(soft.part) / physics.RULE_HZ
    assert ratio < 1.0 < physics.resonance_Hz(joint.part) / physics.RULE_HZ
    for name in ("kp", "ki", "kd"):
        firm = getattr(joint.settings.gains, name)
        assert getattr(soft.settings.gains, name) == pytest.approx(firm * ratio**2)


def test_simc_of_its_own_worked_numbers():
    """gain 2, tau 0.05, theta 0.01: Kc = 25, tau_I = 0.08, tau_D = 0.05 in series form."""
    kp, ki, kd = rules.simc_pid(2.0, 0.05, 0.01)
    assert (kp, ki, kd) == pytest.approx((25.0 * (1.0 + 0.05 / 0.08), 25.0 / 0.08, 25.0 * 0.05))


@pytest.mark.parametrize("kind", ["pair", "spring_return"])
def test_resonance_is_that_of_the_linear_plant_with_the_drum_held(made, kind):
    changes = {"cable.kind": kind, "cable.spring_stiffness": "300 N/m"}
    part = made(changes).part
    part.motor.inertia = 1e6
    part.cable.damping_Ns_m = 0.0
    if kind == "spring_return":
        part.cable.extensor_N_m = 0.0  # the rule leaves the soft spring out
    a, _, _ = margins.state_space(part)
    fastest = np.abs(np.linalg.eigvals(a).imag).max() / (2.0 * pi)
    assert physics.resonance_Hz(part) == pytest.approx(fastest, rel=1e-6)
    k = part.cable.flexor_N_m * (2.0 if kind == "pair" else 1.0)
    assert fastest == pytest.approx(0.006 * sqrt(k / 5e-6) / (2.0 * pi), rel=1e-6)


@pytest.mark.parametrize(
    ("given", "expected"), [(None, 0.002), ("0.5 ms", 0.0005), ("0 s", 0.0), ("9 ms", 0.002)]
)
def test_the_computing_delay_is_at_most_a_tick(made, given, expected):
    assert made({"control.compute_delay": given}).delay_s == pytest.approx(expected)


@pytest.mark.parametrize("key", ["speed", "acceleration", "jerk"])
def test_the_profile_keeps_the_file_s_limits(made, key):
    unit = {"speed": "rad/s", "acceleration": "rad/s^2", "jerk": "rad/s^3"}[key]
    p = made({f"limits.{key}": f"1.5 {unit}"}).settings.profile
    name = {"speed": "speed_rad_s", "acceleration": "acceleration_rad_s2", "jerk": "jerk_rad_s3"}
    assert getattr(p, name[key]) == 1.5
