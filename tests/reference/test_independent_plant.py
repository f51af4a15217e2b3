"""An independent plant obeys its own sources, and the controller settles on it as it does on ours."""

import math

import numpy as np
import pytest

from sim.joint.spread import draw_parts, spread_of
from sim.run.closed_loop import Fleet
from sim.tune.tuning import report_table
from tests.properties.conftest import joint_with
from tests.reference.independent_plant import (
    AMPERE,
    BRISTLE,
    DRUM,
    DRUM_V,
    JOINT,
    ROTOR,
    ROTOR_V,
    Constants,
    advance,
    at_rest,
)
from tests.reference.judged import judge

DEG = math.pi / 180.0


@pytest.fixture(scope="module")
def joint():
    return joint_with({})


@pytest.fixture
def constants(joint):
    return Constants.of(joint.part, 25.0)


def free(constants, **changes):
    """The motor alone: no pull of cables, and a drum that turns with it."""
    values = constants.values.copy()
    for k in (15, 16, 17, 18, 19):
        values[k] = 0.0
    return values


def test_no_load_speed_and_stall_torque_are_the_datasheet_s(joint, constants):
    """At 4.8 V and the datasheet's own resistance: 600 deg/s within 3 % (the bristles' share), 1.9 kgf*cm within 2 %."""
    m = joint.file.motor
    values = free(constants)
    values[0] = m.voltage / m.stall_current  # winding and the driver that the datasheet has in it
    values[26], values[27] = m.voltage, 0.0
    x = at_rest(constants, 0.5)
    advance(x, values, 1.0, 0.6)
    assert x[DRUM_V] == pytest.approx(m.no_load_speed, rel=0.03)
    assert x[AMPERE] == pytest.approx(m.no_load_current, rel=0.05)
    x = at_rest(constants, 0.5)
    values[12] = 1e6  # the drum creeps on, so that the bristles bear against it
    x[ROTOR_V] = x[DRUM_V] = 0.02
    advance(x, values, 1.0, 1.0)
    assert x[AMPERE] == pytest.approx(m.stall_current, rel=5e-3)
    passed = 150.0 * (x[ROTOR] + 0.0017 * math.sin(x[ROTOR]) - x[DRUM] - values[11])
    creeping = (values[6] - values[5]) / 1.0  # so slowly stiction bears, not sliding friction
    assert passed == pytest.approx(m.stall_torque - creeping, rel=0.03)


def test_a_bristle_holds_up_to_stiction_and_gives_way_beyond(constants):
    """0.9 of stiction: it bends and stands; 1.2: it slides (the model's break-away)."""
    values = free(constants)
    for share, slides in ((0.9, False), (1.2, True)):
        x = at_rest(constants, 0.0)
        values[26] = share * values[6] / (1.0 - values[10]) / values[2] * values[0]
        values[27] = 0.0
        advance(x, values, 1.0, 0.3)
        assert (abs(x[ROTOR_V]) > 0.1) == slides
        if not slides:
            assert values[8] * x[BRISTLE] == pytest.approx(
                share * values[6] / (1.0 - values[10]), rel=0.02
            )


def test_guides_hold_by_the_capstan_s_exponential(constants):
    """Drawn slowly one way and the other, the joint's torque differs by exp(+-mu w) of the pull."""
    values = constants.values.copy()
    values[16] = values[18] = values[19] = 0.0  # the flexor alone
    values[21], values[22], values[24] = 1e3, 0.0, 0.0  # a heavy hinge that keeps its speed
    found = []
    for way in (1.0, -1.0):
        x = at_rest(constants, 0.5)
        x[JOINT + 1] = way * 0.05
        before = x[JOINT + 1]
        advance(x, values, 1e-9, 1e-5)
        found.append((x[JOINT + 1] - before) * values[21] / 1e-5 / values[14])
    assert found[1] / found[0] == pytest.approx(math.exp(2.0 * values[20] * math.tanh(0.05 * values[14] / 1e-3)), rel=0.01)  # fmt: skip


def test_the_gap_is_crossed_before_anything_is_passed_on(constants):
    values = free(constants)
    values[12] = 1e6
    x = at_rest(constants, 0.0)
    x[ROTOR] = 0.9 * values[11]
    advance(x, values, 0.0, 2e-5)
    assert x[DRUM_V] == 0.0
    x[ROTOR] = 1.2 * values[11]
    advance(x, values, 0.0, 2e-5)
    assert x[DRUM_V] > 0.0


def test_the_rule_s_gains_settle_on_it_as_on_our_own(joint):
    """Middle and 90th percentile over 30 parts, both ways, within 5 %; nothing trips (more in tests/bench)."""
    parts, warmth = draw_parts(joint.part, spread_of(joint.file), 30, 101, "inside")
    settled, over, _, faults = judge(joint, None, parts, warmth)
    fleet = Fleet(parts, warmth, joint.settings.tick_s, joint.delay_s, 5)
    own = report_table(joint, fleet, joint.settings, 60.0 * DEG)
    assert (faults == 0).all()
    for share in (50.0, 90.0):
        mine = float(np.percentile(own["settling_2pct_s"], share))
        assert float(np.percentile(settled, share)) == pytest.approx(mine, rel=0.05)
    assert (
        float(np.percentile(over, 95)) < float(np.percentile(own["overshoot_rad"], 95)) + 0.3 * DEG
    )
