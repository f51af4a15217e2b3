"""The electric side of the plant: supply, current, an open or swapped motor, heat."""

import pytest

from sim.joint.part import Part, Plant
from sim.model import plant
from sim.model.events import place

H = 5e-5


def put_at(part, angle):
    x = Plant()
    place(part, x, angle)
    return x


def run(part, x, seconds, duty):
    for _ in range(round(seconds / (20 * H))):
        plant.run_substeps(part, x, duty, 20, H)
    return x


@pytest.mark.parametrize("duty", [0.2, 1.0, -1.0])
def test_the_supply_sags_by_what_the_motor_and_the_others_draw(duty):
    part = Part()
    x = put_at(part, 0.8)
    x.others_A, x.supply_drop_V = 1.5, 0.3
    plant.supply_tick(part, x, duty)
    source = 5.0 - 0.3 - 0.2 * 1.5
    current = duty * source / (6.257 + 0.6 + duty**2 * 0.2)
    assert x.volt_V == pytest.approx(duty * source)
    assert x.volt_V * x.siemens == pytest.approx(current)
    assert x.bus_V == pytest.approx(source - 0.2 * duty * current)


def test_a_supply_torn_down_is_never_negative():
    x = put_at(Part(), 0.8)
    x.supply_drop_V = 9.0
    plant.supply_tick(Part(), x, 1.0)
    assert (x.volt_V, x.bus_V) == (0.0, 0.0)


def test_an_open_motor_has_neither_current_nor_torque():
    part = Part()
    part.hinge.gravity_Nm = 0.0
    x = put_at(part, 0.8)
    x.motor_open = 1
    run(part, x, 0.5, duty=1.0)
    assert (x.current_A, x.energy_J, x.joint_rad) == (0.0, 0.0, 0.8)


@pytest.mark.parametrize("duty", [0.6, -0.6])
@pytest.mark.parametrize("wrong", [0, 1])
def test_current_has_the_sign_of_the_drive_and_moves_the_joint_that_way(duty, wrong):
    part = Part()
    x = put_at(part, 0.8)
    x.wired_wrong = wrong
    run(part, x, 0.05, duty)
    way = (1.0 if duty > 0.0 else -1.0) * (-1.0 if wrong else 1.0)
    assert x.current_A * way > 0.0
    assert (x.joint_rad - 0.8) * way > 0.05
    assert x.energy_J > 0.0


def test_heat_of_a_stalled_motor_is_that_of_its_current():
    part = Part()
    part.heat.winding_K_W = 1e4  # nothing leaves in this time
    x = put_at(part, 1.885)
    run(part, x, 0.5, duty=1.0)
    warm, before = x.winding_C, x.energy_J
    run(part, x, 0.2, duty=1.0)
    elsewhere = (0.6 + 0.2) * x.current_A**2 * 0.2  # driver and supply
    copper = x.energy_J - before - elsewhere
    assert (x.winding_C - warm) * part.heat.winding_J_K == pytest.approx(copper, rel=0.01)
