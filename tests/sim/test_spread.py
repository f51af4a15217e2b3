from math import sqrt

import numpy as np
import pytest

from controller.records import TABLE, get, leaves
from sim.errors import InputError
from sim.joint import spread
from sim.joint.part import Part
from sim.joint.physics import resonance_Hz
from sim.joint.spread import DEFAULTS, Entry, draw_part, draw_parts, inside_rule, spread_of
from sim.model.start import start_plant
from sim.tune import margins


def numbers(part):
    return {name: get(part, name) for name, field in leaves(Part) if field.kind != TABLE}


def drawn(joint, seed=1, count=5, rule="any"):
    return draw_parts(joint.part, spread_of(joint.file), count, seed, rule)


def test_the_same_seed_draws_the_same_parts_and_another_one_others(joint):
    one, again, other = (drawn(joint, seed) for seed in (1, 1, 2))
    assert one[1] == again[1] != other[1]
    for a, b, c in zip(one[0], again[0], other[0], strict=True):
        assert numbers(a) == numbers(b) != numbers(c)


def test_parts_of_one_draw_differ_and_leave_the_nominal_part_alone(joint):
    before = numbers(joint.part)
    parts, warmth = drawn(joint, count=20)
    assert len({part.motor.emf_V_s for part in parts}) == 20
    assert len(set(warmth)) == 20
    assert numbers(joint.part) == before


NEUTRAL = {"supply_resistance": 0.2, "winding_temperature": 25.0, "stiction_ratio": 1.35}


def neutral():
    """A spread that changes nothing."""
    entries = {}
    for key, entry in DEFAULTS.items():
        same = NEUTRAL.get(key, 0.0 if entry.unit == "+" or key == "linearity" else 1.0)
        entries[key] = Entry("uniform", same, same, entry.unit, entry.meaning)
    return entries


def test_a_spread_of_nothing_gives_the_nominal_part(joint):
    part, warmth = draw_part(joint.part, neutral(), np.random.default_rng(1))
    assert warmth == 25.0
    for name, value in numbers(joint.part).items():
        if name != "hinge.gravity_at_rad":  # any direction, however small the spread
            assert get(part, name) == pytest.approx(value), name


@pytest.mark.parametrize("key", DEFAULTS)
@pytest.mark.parametrize("end", [0, 1])
def test_every_entry_has_an_effect(joint, key, end):
    entry = DEFAULTS[key]
    value = (entry.low, entry.high)[end] if key != "linearity" else 0.01
    changed = {**neutral(), key: Entry("uniform", value, value, entry.unit, "")}
    plain, usual = draw_part(joint.part, neutral(), np.random.default_rng(1))
    part, warmth = draw_part(joint.part, changed, np.random.default_rng(1))
    moved = [name for name, was in numbers(plain).items() if numbers(part)[name] != was]
    assert moved or warmth != usual


@pytest.mark.parametrize(
    ("key", "given", "low", "high"),
    [
        ("supply", ["-10 %", "+5 %"], 0.90, 1.05),
        ("supply", ["4.5 V", "5.5 V"], 0.9, 1.1),
        ("backlash", ["0.75 deg", "3 deg"], 0.5, 2.0),
        ("stiffness", ["12.5 kN/m", "50 kN/m"], 0.5, 2.0),
        ("radius", ["5.4 mm", "6.6 mm"], 0.9, 1.1),
        ("stiction_ratio", ["1.2", "1.5"], 1.2, 1.5),
        ("supply_resistance", ["0.1 ohm", "500 mohm"], 0.1, 0.5),
        ("winding_temperature", ["-5 degC", "40 degC"], -5.0, 40.0),
        ("load_loss", ["-5 %", "5 %"], -0.05, 0.05),
        ("linearity", ["0 %", "1 %"], 0.0, 0.01),
    ],
)
def test_the_file_overrides_in_percent_or_in_units(made, key, given, low, high):
    joint = made({f"spread.{key}": given})
    entry = spread_of(joint.file)[key]
    assert (entry.low, entry.high) == pytest.approx((low, high))
    others = {k: v for k, v in spread_of(joint.file).items() if k != key}
    assert others == {k: v for k, v in DEFAULTS.items() if k != key}


def test_an_override_bounds_the_parts_drawn(made):
    joint = made({"spread.backlash": ["0.5 deg", "2.5 deg"], "spread.supply": ["4.9 V", "5.1 V"]})
    parts, _ = drawn(joint, count=300)
    gaps = np.degrees([2.0 * part.motor.half_gap_rad for part in parts])
    volts = np.array([part.supply_V for part in parts])
    assert 0.5 <= gaps.min() < 0.6
    assert 2.4 < gaps.max() <= 2.5
    assert 4.9 <= volts.min() < volts.max() <= 5.1


@pytest.mark.parametrize(
    ("key", "given", "says"),
    [
        ("nonsense", ["1 %", "2 %"], "unknown key; allowed: supply, "),
        ("supply", ["1 %"], "needs two values"),
        ("supply", ["1 %", "2 %", "3 %"], "needs two values"),
        ("supply", ["6 V", "5 V"], "low <= high"),
        ("supply", ["-110 %", "0 %"], "nothing below zero"),
        ("supply", ["-1 V", "5 V"], "nothing below zero"),
        ("supply", ["5 mm", "6 mm"], "is not a unit of V"),
        ("supply", ["5", "6"], "the unit is missing"),
        ("supply", ["nan V", "5 V"], "needs a number with a unit"),
        ("motor_friction", ["1 mN*m", "2 mN*m"], "needs percentages"),
        ("stiction_ratio", ["-10 %", "10 %"], "needs values in 1"),
        ("stiction_ratio", ["low", "high"], "could not convert"),
        ("stiction_ratio", ["nan", "2"], "low <= high"),
        ("torque_constant", ["0.3 N*m/A", "0.4 N*m/A"], "use percentages"),
        ("stiction_ratio", ["1.1", "inf"], ""),
        ("winding_temperature", ["-300 degC", "20 degC"], ""),
    ],
)
def test_a_bad_spread_is_refused(made, key, given, says):
    with pytest.raises(InputError) as caught:
        made({f"spread.{key}": given})
    assert caught.value.file
    assert caught.value.key == f"spread.{key}"
    assert caught.value.value == given
    assert says in caught.value.allowed


def test_ends_of_a_normal_entry_are_two_sigma(joint):
    parts, _ = drawn(joint, count=3000)
    factor = np.array([part.motor.emf_V_s for part in parts]) / joint.part.motor.emf_V_s
    entry = DEFAULTS["torque_constant"]
    within = ((factor > entry.low) & (factor < entry.high)).mean()
    assert within == pytest.approx(0.9545, abs=0.012)
    assert factor.mean() == pytest.approx(1.0, abs=0.003)
    assert np.abs(factor - 1.0).max() <= 0.15 + 1e-9


@pytest.mark.parametrize("rule", ["inside", "outside", "any"])
def test_parts_are_drawn_on_the_side_of_the_rule_asked_for(joint, rule):
    parts, warmth = drawn(joint, count=40, rule=rule)
    assert len(parts) == len(warmth) == 40
    found = {inside_rule(part) for part in parts}
    assert found == {"inside": {True}, "outside": {False}, "any": {True, False}}[rule]


def test_the_rule_asks_for_a_stiff_cable_and_little_backlash(joint):
    part = Part()
    assert inside_rule(part)
    part.motor.half_gap_rad = 0.5 * spread.RULE_GAP_RAD * 1.001
    assert not inside_rule(part)
    part = Part()
    part.hinge.inertia *= (resonance_Hz(part) / 45.0) ** 2 * 0.999
    assert inside_rule(part)
    part.hinge.inertia *= 1.002
    assert not inside_rule(part)


@pytest.mark.parametrize("tick_s", [0.001, 0.002, 0.01])
def test_the_substep_keeps_within_the_stability_rule_for_every_part(joint, tick_s):
    for part in [joint.part, *drawn(joint, seed=4, count=200)[0]]:
        for stiffness in (0.0, 30.0):
            count = spread.substeps_for(part, tick_s, 1e-4, stiffness)
            step = tick_s / count
            mode = spread.highest_mode(part, stiffness)
            assert step <= 1e-4 * (1 + 1e-9)
            assert step * mode <= 0.6 * (1 + 1e-9)
            least = max(tick_s / 1e-4, tick_s * mode / 0.6)
            assert count - 1 < least + 1e-6  # and no more than needed


def test_the_highest_mode_is_not_below_that_of_the_linear_plant(joint):
    for part in drawn(joint, seed=5, count=50)[0]:
        part.cable.damping_Ns_m = part.hinge.viscous_Nms = part.motor.viscous_Nms = 0.0
        a, _, _ = margins.state_space(part)
        a[3, 2] -= part.hinge.stop_Nm_rad / part.hinge.inertia  # leaning on a stop
        fastest = np.abs(np.linalg.eigvals(a).imag).max()
        assert fastest <= spread.highest_mode(part) <= sqrt(2.0) * fastest


def test_what_is_too_stiff_is_refused_with_the_reason(joint):
    part = Part()
    part.hinge.inertia = 1e-12
    with pytest.raises(ValueError, match=r"stiffest mode .* more than 2000"):
        spread.substeps_for(part, 0.002)


def test_a_plant_starts_at_rest_where_it_is_put_warm_as_told(joint):
    x = start_plant(joint.part, 0.7, 65.0)
    assert (x.joint_rad, x.drum_rad) == pytest.approx((0.7, 0.7))
    assert (x.joint_rad_s, x.drum_rad_s) == (0.0, 0.0)
    assert (x.winding_C, x.case_C, x.bus_V) == pytest.approx((65.0, 49.0, 5.0))
