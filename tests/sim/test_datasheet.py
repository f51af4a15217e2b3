from math import exp, pi

import numpy as np
import pytest

from sim.joint import datasheet, materials
from sim.joint.part import BRIDGE, BUILTIN, DIRECT, PAIR, PROPORTIONAL_AMPLIFIER, SPRING_RETURN
from sim.joint.part import STRETCHED_AMPLIFIER as STRETCHED
from sim.model.sensor import track_fraction

DEG = pi / 180.0


def sheet(volt, ohm, board, k, coulomb, viscous, mu):
    """Datasheet values of a motor with known constants: the gear passes on 1 - mu of K i."""
    total = ohm + board
    passed = (1.0 - mu) * k / total
    free = (volt * passed - coulomb) / (k * passed + viscous)
    return {
        "motor.voltage": f"{volt!r} V",
        "motor.amplifier_resistance": f"{board!r} ohm",
        "motor.stall_current": f"{volt / total!r} A",
        "motor.no_load_speed": f"{free!r} rad/s",
        "motor.no_load_current": f"{(volt - k * free) / total!r} A",
        "motor.stall_torque": f"{k * volt / total * (1.0 - mu) - coulomb!r} N*m",
        "motor.coulomb_share": coulomb / (coulomb + viscous * free),
    }


@pytest.mark.parametrize(
    "constants",
    [
        (4.8, 6.26, 0.6, 0.393, 0.0236, 1.5e-3, 0.22),
        (6.0, 2.0, 0.0, 0.5, 0.01, 0.0, 0.0),
        (12.0, 8.0, 0.5, 1.1, 0.08, 5e-3, 0.6),
    ],
)
def test_constants_come_back_from_the_datasheet_they_give(made, constants):
    volt, ohm, board, k, coulomb, viscous, mu = constants
    part = made(sheet(volt, ohm, board, k, coulomb, viscous, mu)).part
    m = part.motor
    found = (m.resistance_25_ohm, m.emf_V_s, m.coulomb_Nm, m.viscous_Nms, m.load_loss)
    assert found == pytest.approx((ohm, k, coulomb, viscous, mu), rel=1e-6, abs=1e-9)
    assert m.inertia == pytest.approx(1e-8 * 250**2)
    assert m.stiction_Nm == pytest.approx(1.35 * coulomb)
    assert part.heat.resistance_25_ohm == m.resistance_25_ohm


def test_a_motor_by_constants_takes_them_as_they_are(made):
    part = made(
        {
            "motor.resistance": "5 ohm",
            "motor.torque_constant": "0.5 N*m/A",
            "motor.output_inertia": "1e-3 kg*m^2",
            "motor.viscous": "2 mN*m*s/rad",
            "motor.coulomb": "30 mN*m",
            "motor.load_loss": 0.1,
        }
    ).part.motor
    found = (part.resistance_25_ohm, part.emf_V_s, part.inertia, part.viscous_Nms, part.coulomb_Nm)
    assert found == pytest.approx((5.0, 0.5, 1e-3, 2e-3, 30e-3))
    assert (part.load_loss, part.emf_per_K) == (0.1, 0.0)


CABLE = {"cable.material": "steel_strand", "cable.diameter": "0.6 mm", "cable.length": "200 mm"}


def test_cable_from_its_material_or_as_measured(made):
    area = pi * 0.6e-3**2 / 4.0 * materials.MATERIALS["steel_strand"].fill
    from_table = made({**CABLE, "cable.stiffness": None, "cable.breaking_strength": None})
    assert from_table.part.cable.flexor_N_m == pytest.approx(80e9 * area / 0.2)
    assert datasheet.cable_strength(from_table.file) == pytest.approx(1.4e9 * area)
    measured = made(CABLE)
    assert measured.part.cable.flexor_N_m == 25e3
    assert datasheet.cable_strength(measured.file) == 180.0
    unknown = made({"cable.breaking_strength": None})
    assert datasheet.cable_strength(unknown.file) is None


def test_pretension_becomes_stretch_of_each_spring(made):
    pair = made({}).part.cable
    assert pair.kind == PAIR
    assert pair.flexor_stretch_m * pair.flexor_N_m == pytest.approx(5.0)
    assert pair.extensor_stretch_m * pair.extensor_N_m == pytest.approx(5.0)
    spring = made({"cable.kind": "spring_return", "cable.spring_stiffness": "200 N/m"}).part.cable
    assert (spring.kind, spring.extensor_N_m, spring.flexor_N_m) == (SPRING_RETURN, 200.0, 25e3)
    assert spring.extensor_stretch_m * 200.0 == pytest.approx(5.0)
    assert pair.wrap_loss == pytest.approx(1.0 - exp(-0.1 * 115.0 * DEG))


def test_a_direct_joint_has_no_backlash_of_a_drum(made):
    part = made({"cable.kind": "direct"}).part
    assert (part.cable.kind, part.motor.half_gap_rad) == (DIRECT, 0.0)
    assert made({}).part.motor.half_gap_rad == pytest.approx(0.75 * DEG)


@pytest.mark.parametrize(
    ("kind", "board", "expected"),
    [
        ("bridge", "proportional", BRIDGE),
        ("pulse", "proportional", PROPORTIONAL_AMPLIFIER),
        ("pulse", "stretching", STRETCHED),
        ("builtin", "proportional", BUILTIN),
    ],
)
def test_the_kind_of_drive(made, kind, board, expected):
    assert made({"drive.kind": kind, "drive.amplifier": board}).part.amplifier == expected


def test_hard_stops_as_given_or_five_degrees_beyond(made):
    hinge = made({}).part.hinge
    assert (hinge.stop_low_rad, hinge.stop_high_rad) == pytest.approx(
        (-5 * DEG, 105 * DEG), abs=1e-4
    )
    hinge = made({"joint.stops": ["-2 deg", "120 deg"]}).part.hinge
    assert (hinge.stop_low_rad, hinge.stop_high_rad) == pytest.approx((-2 * DEG, 120 * DEG))
    free = made({"joint.travel": "continuous", "joint.range": None}).part
    assert (free.hinge.stops, free.sensor.turning) == (0, 1)


@pytest.mark.parametrize("reversed_", [False, True])
@pytest.mark.parametrize("travel", ["limited", "continuous"])
def test_the_track_ends_on_both_sides_of_the_gap(made, reversed_, travel):
    """Gap of 20 deg with its middle at 250 deg: the track runs from 260 - 360 to 240 deg."""
    changes = {"sensor.reversed": reversed_, "joint.travel": travel}
    if travel == "continuous":
        changes["joint.range"] = None
    probe = made(changes).part.sensor
    ends = [track_fraction(probe, angle * DEG) for angle in (-99.999, 239.999)]
    assert ends == pytest.approx([1.0, 0.0] if reversed_ else [0.0, 1.0], abs=1e-4)
    inside = track_fraction(probe, 250.0 * DEG)
    assert inside == -1.0 or not 0.0 <= inside <= 1.0
    assert track_fraction(probe, 70.0 * DEG) == pytest.approx(0.5)


def test_without_a_known_gap_the_range_sits_in_the_middle_of_the_track(made):
    probe = made({"sensor.dead_gap_at": None}).part.sensor
    assert track_fraction(probe, 50.0 * DEG) == pytest.approx(0.5)


@pytest.mark.parametrize("bits", [8.0, 9.5, 12.0])
def test_noise_and_quantisation_together_have_the_effective_bits(made, bits):
    """A reading with that noise, rounded: rms error is full scale / 2^bits / sqrt(12)."""
    probe = made({"sensor.effective_bits": bits}).part.sensor
    rng = np.random.default_rng(1)
    true = rng.uniform(1000.0, 15000.0, 200_000)
    error = np.round(true + rng.normal(0.0, 1.0, 200_000) * probe.noise_counts) - true
    full = 4096 * 4
    assert error.std() == pytest.approx(full / 2.0**bits / 12.0**0.5, rel=0.01)


def test_a_converter_better_than_its_bits_has_no_noise(made):
    assert made({"sensor.effective_bits": 16.0}).part.sensor.noise_counts == 0.0


def test_the_pull_down_loads_and_empties_the_wiper(made):
    probe = made({}).part.sensor
    assert (probe.load_ratio, probe.fall_s) == pytest.approx((47.0, 4.7e-3))
    bare = made({"sensor.pull_down": None}).part.sensor
    assert (bare.load_ratio, bare.fall_s) == (0.0, 0.0)
