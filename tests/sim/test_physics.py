"""What a part gives, by formula, against the plant that does it."""

from math import pi

import numpy as np
import pytest

from controller.records import copy
from sim.joint import physics, spread
from sim.joint.breakaway import breakaway_spread
from sim.joint.part import DIRECT, Part
from sim.model.plant import run_substeps
from sim.model.start import start_plant

FORCES = (0.1, 0.5, 1.0, 3.0, 5.0, 9.0)
KINDS = {
    "pair": {},
    "direct": {"cable.kind": "direct"},
    "spring return": {"cable.kind": "spring_return", "cable.spring_stiffness": "200 N/m"},
    "wide pulley": {"cable.joint_radius": "9 mm"},
    "much friction": {"joint.friction": "4 mN*m", "cable.guide_friction": 0.25},
}
TICK_S = 1e-3


@pytest.fixture(params=KINDS)
def part(request, made):
    """A part of each kind, its winding kept at 25 degC, gravity left out, nothing in its way."""
    mine = Part()
    copy(made(KINDS[request.param]).part, mine)
    mine.hinge.gravity_Nm = 0.0
    mine.hinge.stops = 0
    mine.heat.winding_J_K = 1e15
    return mine


def driven(part, x, duties):
    """Run the plant under a row of duties, one a tick of 1 ms."""
    count = spread.substeps_for(part, TICK_S, 5e-5, x.object_Nm_rad)
    for duty in duties:
        run_substeps(part, x, float(duty), count, TICK_S / count)
    return x


def test_the_chain_of_force_runs_backwards_and_rises(part):
    amps = [physics.current_for_tip_force(part, force) for force in FORCES]
    assert (np.diff(amps) > 0.0).all()
    assert [physics.tip_force_of_current(part, one) for one in amps] == pytest.approx(FORCES)
    assert physics.tip_force_of_current(part, 0.99 * physics.current_of_drum(part, 0.0)) == 0.0


def test_the_free_speed_is_the_plants(part):
    if part.cable.kind == 1:
        part.cable.extensor_N_m = 1e-3  # a spring that grows with the angle would end it
        part.cable.extensor_stretch_m = 5.0 / 1e-3
    x = driven(part, start_plant(part, 0.0, 25.0), np.ones(900))
    told = physics.no_load_speed(part, part.supply_V)
    assert x.joint_rad_s == pytest.approx(told, rel=0.01)
    assert told < physics.motor_speed(part, part.supply_V)


def test_at_standstill_no_speed(part):
    assert physics.no_load_speed(part, 0.05) == 0.0


@pytest.mark.parametrize("share", [0.4, 0.7, 1.0])
def test_the_force_of_a_current_is_the_plants(part, share):
    """Pressed slowly on a stiff object: sliding friction, not that of rest, is what is in the way."""
    part.motor.stiction_Nm = part.motor.coulomb_Nm
    part.hinge.stiction_Nm = part.hinge.coulomb_Nm
    x = start_plant(part, 0.0, 25.0)
    x.object_rad, x.object_Nm_rad, x.object_Nms = 0.0, 20.0, 0.05
    driven(part, x, share * np.minimum(np.arange(4000) / 3600.0, 1.0))
    told = physics.tip_force_of_current(part, x.current_A, x.joint_rad)
    assert told > 0.2
    assert x.tip_N == pytest.approx(told, rel=0.02)
    if part.cable.kind != DIRECT:
        wanted = physics.cable_of_tip_force(part, told, x.joint_rad)
        assert x.flexor_N == pytest.approx(wanted, rel=0.02)


def test_the_breakaway_voltage_is_the_plants(part):
    """Bisected: the least voltage, raised slowly, that moves the joint from rest."""
    spring = physics.spring_load(part) / (1.0 - part.motor.load_loss) / part.motor.emf_V_s
    told = physics.breakaway_V(part) + spring * (
        part.motor.resistance_25_ohm + part.motor.driver_ohm
    )
    low, high = 0.0, 1.0
    for _ in range(11):
        duty = 0.5 * (low + high)
        x = driven(
            part, start_plant(part, 0.0, 25.0), duty * np.minimum(np.arange(1100) / 900.0, 1.0)
        )
        low, high = (low, duty) if x.joint_rad > 0.001 else (duty, high)
    assert high * part.supply_V == pytest.approx(told, rel=0.02)


@pytest.mark.parametrize("kind", KINDS)
def test_the_spread_of_breakaway_is_that_of_drawn_parts(made, kind):
    """Twenty thousand parts by the formula, each by itself: one in a thousand needs more."""
    joint = made(KINDS[kind])
    middle, stiffest = breakaway_spread(joint.file, joint.part)
    parts, warmth = spread.draw_parts(joint.part, spread.spread_of(joint.file), 20_000, 3)
    closed = joint.file.joint.range[1]
    volts = [
        physics.breakaway_V(one, warm, closed) for one, warm in zip(parts, warmth, strict=True)
    ]
    assert np.median(volts) == pytest.approx(middle, rel=0.05)
    assert np.mean(np.array(volts) > stiffest) < 1.5e-3
    assert np.quantile(volts, 0.99) > 0.7 * stiffest


def test_more_spread_of_friction_needs_more_volts(made):
    plain = made({})
    wide = made({"spread": {"motor_friction": ["-40 %", "+900 %"]}})
    assert (
        breakaway_spread(wide.file, wide.part)[1]
        > 1.5 * breakaway_spread(plain.file, plain.part)[1]
    )


def test_lever_arms_scale_the_torque_asked_of_the_motor(made):
    def torque(changes):
        part = made({"joint.friction": "0 N*m", "cable.pretension": "0 N", **changes}).part
        amps = physics.current_for_tip_force(part, 2.0)
        return amps * part.motor.emf_V_s * (1.0 - part.motor.load_loss) - part.motor.coulomb_Nm

    assert torque({"joint.tip_distance": "80 mm"}) == pytest.approx(2.0 * torque({}))
    assert torque({"cable.joint_radius": "12 mm"}) == pytest.approx(0.5 * torque({}))


def test_the_closing_cable_carries_all_where_the_other_is_slack(made):
    part = made({"joint.friction": "0 N*m"}).part
    gain = 0.04 / 0.006 / physics.wrap_gain(part)
    assert physics.cable_of_tip_force(part, 50.0) == pytest.approx(50.0 * gain)
    rest = physics.cable_of_tip_force(part, 0.0)
    assert rest == pytest.approx(5.0 + 0.5 * part.cable.wrap_loss * 10.0)  # both pull 5 N
    assert physics.cable_of_tip_force(made(KINDS["direct"]).part, 3.0) == 0.0


def test_the_resonance_is_the_phalanx_on_both_cables(made):
    part = made({}).part
    k = part.cable.flexor_N_m + part.cable.extensor_N_m
    wanted = part.cable.joint_m * (k / part.hinge.inertia) ** 0.5 / (2.0 * pi)
    assert physics.resonance_Hz(part) == pytest.approx(wanted)
