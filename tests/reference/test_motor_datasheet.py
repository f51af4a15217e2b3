"""Gear motor: datasheet values to constants, power, efficiency, units of datasheets.

Worked motor: 6 V, stall 1.6 A, no load 0.04 A and 320 rpm (own numbers; relations of
any textbook on the permanent-magnet motor).
"""

import numpy as np
import pytest

from sim import units
from sim.joint import datasheet
from sim.joint.part import Plant
from sim.model import plant


@pytest.fixture
def worked_motor(changed):
    """Joint file of the worked motor: all its loss at no load is dry friction."""
    return changed(
        motor={
            "voltage": "6 V",
            "stall_current": "1.6 A",
            "no_load_current": "0.04 A",
            "no_load_speed": "320 rpm",
            "stall_torque": "0.272334 N*m",
            "coulomb_share": 1.0,
            "stiction_ratio": 1.0,
            "amplifier_resistance": "0 ohm",
        },
        drive={"driver_resistance": "0 ohm", "supply_resistance": "0 ohm", "supply": "6 V"},
        cable={"kind": "direct"},
    )


def test_constants_from_a_datasheet(worked_motor):
    # R = V/Is, K = (V - I0 R)/w0, friction K I0, stall torque K (Is - I0): textbook relations
    found = datasheet.motor_constants(worked_motor.motor)
    assert found.resistance_ohm == pytest.approx(3.75, rel=1e-12)
    assert found.emf_V_s == pytest.approx(0.17457308, rel=1e-7)
    assert found.coulomb_Nm == pytest.approx(0.00698292, rel=1e-6)
    assert found.viscous_Nms == pytest.approx(0.0, abs=1e-15)
    # nothing is lost in the gear: the stall torque given is that of the ideal motor
    assert found.load_loss == pytest.approx(0.0, abs=1e-6)


def loaded_motor(file, load_Nm, load_loss=0.0):
    """Speed (rad/s) and current (A) of a motor running against a load."""
    part = datasheet.nominal_part(file)
    part.motor.emf_per_K = 0.0
    part.motor.load_loss = load_loss
    part.heat.winding_J_K = 1e15  # stays at 25 degC
    j = part.hinge
    j.coulomb_Nm = j.stiction_Nm = j.gravity_Nm = 0.0
    j.stops = 0
    x = Plant()
    x.load_Nm = load_Nm
    plant.run_substeps(part, x, 1.0, 4000, 5e-4)  # 2 s, time constant 0.1 s
    return x.joint_rad_s, x.current_A


def test_power_and_efficiency_of_the_running_motor(worked_motor):
    # textbook: most power T_stall w0/4 at w0/2; best efficiency (1 - sqrt(I0/Is))^2 at
    # sqrt(I0 Is)
    speed, _ = loaded_motor(worked_motor, 0.0)
    assert speed == pytest.approx(33.510322, rel=1e-6)
    half, _ = loaded_motor(worked_motor, 0.5 * 0.2723340020)
    assert half == pytest.approx(0.5 * speed, rel=1e-6)
    assert 0.5 * 0.2723340020 * half == pytest.approx(2.2815, rel=1e-6)
    best = np.sqrt(0.04 * 1.6)
    load = 0.17457307820 * (best - 0.04)
    speed, current = loaded_motor(worked_motor, load)
    assert current == pytest.approx(0.2529822, rel=1e-6)
    assert load * speed / (6.0 * current) == pytest.approx(0.7087722, rel=1e-6)
    for more in (0.97, 1.03):
        speed, current = loaded_motor(worked_motor, more * load)
        assert more * load * speed / (6.0 * current) < 0.7087722


GEAR_MOTOR = {
    "voltage": "4.8 V", "stall_current": "0.7 A", "no_load_current": "0.1 A",
    "no_load_speed": "100 rpm", "stall_torque": "1.9 kgf*cm", "stiction_ratio": 1.0,
    "amplifier_resistance": "0.6 ohm",
}  # fmt: skip
"""Own numbers of a small geared motor: half of what the torque constant gives is lost on the way."""


@pytest.mark.parametrize("dry", [0.0, 0.6, 1.0])
def test_a_lossy_gear_motor_makes_its_datasheets_three_points(changed, dry):
    """No load, stall, and the straight line between them (any textbook's torque-speed line).

    Measured on the plant itself with everything of the joint taken away: the driver that the
    datasheet's stall current went through, no supply resistance, the winding at 25 degC.
    """
    file = changed(
        motor={**GEAR_MOTOR, "coulomb_share": dry},
        drive={"driver_resistance": "0.6 ohm", "supply_resistance": "0 ohm", "supply": "4.8 V"},
        cable={"kind": "direct"},
    )
    free, stall = 100.0 * np.pi / 30.0, 1.9 * 0.0980665
    found = datasheet.motor_constants(file.motor)
    assert found.load_loss > 0.1
    speed, current = loaded_motor(file, 0.0, found.load_loss)
    assert speed == pytest.approx(free, rel=0.01)
    assert current == pytest.approx(0.1, rel=0.01)
    speed, current = loaded_motor(file, 0.5 * stall, found.load_loss)
    assert speed == pytest.approx(0.5 * free, rel=0.01)
    assert current == pytest.approx(0.4, rel=0.01)
    assert loaded_motor(file, 0.99 * stall, found.load_loss)[0] > 0.0
    speed, current = loaded_motor(file, 1.01 * stall, found.load_loss)
    assert speed == 0.0
    assert current == pytest.approx(0.7, rel=0.01)


def test_units_of_datasheets():
    # exact by definition: kgf 9.80665 N, ozf 0.278013850953781 N, inch 25.4 mm
    assert units.parse("1 kgf*cm", "N*m", "") == pytest.approx(0.0980665, rel=1e-12)
    assert units.parse("1 ozf*in", "N*m", "") == pytest.approx(0.00706155, rel=1e-6)
    assert units.parse("1 lbf", "N", "") == pytest.approx(4.4482216152605, rel=1e-12)
    assert units.parse("1 rpm", "rad/s", "") == pytest.approx(np.pi / 30.0, rel=1e-12)
    # the product of kv (rpm/V) and kt (N m/A) of one motor is 60/(2 pi)
    assert 9.549297 * units.parse("1 rpm/V", "rad/s/V", "") == pytest.approx(1.0, rel=1e-7)
    assert units.parse("600 deg/s", "rad/s", "") == pytest.approx(np.pi / 3 / 0.10, rel=1e-12)
