"""Another gear ratio gives another torque and speed: datasheet values are those of their own ratio."""

import tomllib
from pathlib import Path

import pytest

from sim.errors import InputError
from sim.joint.physics import no_load_speed, tip_force_of_current
from sim.run.closed_loop import joint_of
from sim.size.figures import stall_current
from sim.size.sweep import Axis, variant

NOMINAL = Path(__file__).parents[1] / "data" / "nominal.toml"


def joint_at(ratio):
    tables = tomllib.loads(NOMINAL.read_text(encoding="utf-8"))
    return joint_of(variant(tables, [Axis("motor.gear_ratio", (ratio,))], (ratio,)), "varied")


def test_speed_falls_and_force_grows_with_the_ratio():
    parts = [joint_at(ratio).part for ratio in ("125", "250", "500")]  # the file states 250
    speeds = [no_load_speed(part, 5.0) for part in parts]
    forces = [tip_force_of_current(part, stall_current(part)) for part in parts]
    assert speeds == sorted(speeds, reverse=True)
    assert forces == sorted(forces)
    # the motor by itself: exactly by the ratio (any textbook on gears), friction of the joint apart
    assert parts[0].motor.emf_V_s == pytest.approx(0.25 * parts[2].motor.emf_V_s, rel=1e-9)
    assert parts[2].motor.inertia == pytest.approx(16.0 * parts[0].motor.inertia, rel=1e-9)


def test_the_stated_ratio_changes_nothing():
    plain = joint_of(tomllib.loads(NOMINAL.read_text(encoding="utf-8")), "plain").part
    same = joint_at("250").part
    assert same.motor.emf_V_s == pytest.approx(plain.motor.emf_V_s, rel=1e-12)
    assert same.motor.load_loss == pytest.approx(plain.motor.load_loss, rel=1e-9)


def test_a_motor_by_constants_has_no_ratio_to_vary():
    with pytest.raises(InputError, match=r"motor\.gear_ratio"):
        variant({"motor": {"resistance": "6 ohm"}}, [Axis("motor.gear_ratio", ("90",))], ("90",))
