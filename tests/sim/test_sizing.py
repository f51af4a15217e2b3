import json
import re
from math import log
from pathlib import Path

import numpy as np
import pytest

from sim.joint import physics
from sim.model.sensor import bent
from sim.run.closed_loop import load_joint
from sim.size import figures, force

NOMINAL = Path(__file__).parents[1] / "data" / "nominal.toml"


@pytest.fixture(scope="module")
def found(joint):
    return figures.size(joint)


def test_the_stall_current_is_that_of_all_resistances(joint):
    assert figures.stall_current(joint.part) == pytest.approx(5.0 / (6.257 + 0.6 + 0.2), rel=1e-3)


def test_more_current_is_hot_sooner_and_the_hold_current_never(joint):
    part = joint.part
    times = [figures.time_to_warm(part, amps) for amps in (0.45, 0.5, 0.6, 0.7, 1.0, 2.0)]
    assert None not in times
    assert (np.diff(times) < 0.0).all()
    assert figures.time_to_warm(part, physics.hold_current(part)) is None
    assert figures.time_to_warm(part, 0.0) is None


def test_a_great_current_heats_the_winding_alone(joint):
    """Adiabatic, resistance growing with temperature: t = C 259.5 / (R25 i^2) ln(R2/R1)."""
    h = joint.part.heat
    amps = 20.0
    t = h.winding_J_K * 259.5 / (h.resistance_25_ohm * amps**2)
    t *= log((234.5 + h.warm_C) / (234.5 + h.air_C))
    step = 0.02 * h.winding_K_W * h.winding_J_K
    assert figures.time_to_warm(joint.part, amps) == pytest.approx(t, abs=1.01 * step)


@pytest.mark.parametrize("pull_down", ["470 kohm", "100 kohm", None])
def test_the_loading_error_is_its_greatest_over_the_track(made, pull_down):
    probe = made({"sensor.pull_down": pull_down}).part.sensor
    x = np.linspace(0.0, 1.0, 2001)
    error = max(abs(bent(probe, float(one)) - float(one)) for one in x) * probe.electrical_rad
    assert figures.loading_error(made({"sensor.pull_down": pull_down}).part) == pytest.approx(
        error, rel=0.1, abs=1e-12
    )


def test_the_spread_of_force_is_seeded_and_around_the_nominal(joint):
    low, middle, high = force.force_spread(joint, 0.4)
    assert (low, middle, high) == force.force_spread(joint, 0.4)
    assert 0.0 <= low < middle < high
    assert middle == pytest.approx(physics.tip_force_of_current(joint.part, 0.4), rel=0.35)
    assert force.force_spread(joint, 0.6)[1] > middle


def test_force_over_the_range_takes_gravity_and_the_moment_arm(made):
    plain = made({"joint.gravity_torque": "0 N*m"})
    rows = figures.force_over_range(plain.part, 0.0, 1.7, (0.4, 0.7))
    assert {row[1] for row in rows} == {rows[0][1]}
    assert rows[0][1] < rows[0][2]
    heavy = made({"joint.gravity_torque": "10 mN*m"})
    weight = figures.force_over_range(heavy.part, 0.0, 1.7, (0.4, 0.7))
    assert rows[0][1] - weight[0][1] == pytest.approx(0.01 / 0.04, rel=1e-6)
    arm = made({"joint.gravity_torque": "0 N*m", "cable.arm_1": -0.2})
    bow = figures.force_over_range(arm.part, 0.0, 1.0, (0.4, 0.7))
    assert bow[-1][1] == pytest.approx(0.8 * bow[0][1])


def test_the_table_of_holding_rises_in_current_and_force_and_falls_in_time(joint):
    rows = figures.hold_table(joint.part, 0.5)
    amps, force, times = zip(*rows, strict=True)
    assert 0.5 in amps
    assert list(amps) == sorted(amps)
    assert list(force) == sorted(force)
    known = [1e9 if t is None else t for t in times]
    assert known == sorted(known, reverse=True)


def test_an_impact_at_full_speed_pulls_the_cable_and_presses(joint):
    cable, tip = force.impact(joint)
    assert cable > joint.file.cable.pretension
    assert tip > 0.5 * joint.file.limits.tip_force


def test_the_figures_agree_with_the_rules(joint, found):
    part = joint.part
    assert found.no_load_speed_rad_s == physics.no_load_speed(part, 5.0)
    assert found.stall_force_N == physics.tip_force_of_current(part, figures.stall_current(part))
    assert found.force_current_A == min(joint.settings.limits.current_A, found.supply_stall_A)
    assert found.range_rad == joint.file.joint.range
    assert found.backlash_rad == pytest.approx(np.radians(1.5))
    assert found.angle_per_count_rad == pytest.approx(np.radians(340.0) / 4096)
    assert found.bend_ratio_drum == pytest.approx(20.0)
    assert found.bend_ratio_joint == pytest.approx(20.0)
    assert found.bus_at_stall_V == pytest.approx(5.0 - 0.2 * found.supply_stall_A)
    assert found.force_over_range_N[0][0] == found.range_rad[0]
    assert 0.1 < found.step_bound_s < 0.2
    assert found.substep_s <= 5e-5 * (1 + 1e-9)
    stretch = found.force_limit_N * 0.04 / (0.006**2 * 25e3 * 2)
    assert found.cable_stretch_rad == pytest.approx(stretch)


@pytest.mark.parametrize(
    "changes",
    [
        {},
        {"cable.kind": "direct"},
        {"cable.kind": "spring_return", "cable.spring_stiffness": "200 N/m"},
        {"joint.travel": "continuous", "joint.range": None},
        {"drive.kind": "pulse"},
        {"cable.diameter": None, "cable.breaking_strength": None},
    ],
)
def test_figures_of_any_joint_go_into_strict_json(made, changes):
    text = json.dumps(figures.size(made(changes)).as_dict(), allow_nan=False)
    assert json.loads(text)["findings"]


def test_the_doubt_of_the_force_is_that_of_the_spread_and_a_calibration_narrows_it(tmp_path):
    """With a measured force only supply and winding temperature are left to chance (the supply is
    enough for this limit)."""
    path = tmp_path / "joint.toml"
    text = re.sub(r"(?m)^tip_force = .*", 'tip_force = "2 N"', NOMINAL.read_text(encoding="utf-8"))
    path.write_text(text, encoding="utf-8")
    plain = load_joint(path)
    path.write_text(text + '\n[calibration]\nforce_factor = "1.25"\n', encoding="utf-8")
    known = load_joint(path)
    for one in (plain, known):
        low, middle, high = force.force_spread(one, one.settings.limits.current_A)
        doubt = force.force_doubt(one)
        assert doubt == max(high / middle - 1.0, 1.0 - low / middle)
    newtons = [force.force_spread(one, one.settings.limits.current_A, calibrated=True)[1]
               for one in (plain, known)]  # fmt: skip
    assert newtons[0] == pytest.approx(newtons[1], rel=0.05), "the limit keeps its newtons"
    assert force.force_doubt(known) < 0.5 * force.force_doubt(plain)
    assert force.force_doubt(plain, True) == pytest.approx(force.force_doubt(known), abs=0.02)
