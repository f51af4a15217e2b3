import numpy as np
import pytest

from controller.joint import pid
from controller.joint.settings.settings import Gains
from controller.joint.state import Loop, Motion
from sim.joint.part import BRIDGE, PROPORTIONAL_AMPLIFIER
from sim.tune import margins

TICK_S = 0.002
W = margins.frequency_grid(TICK_S)


def gains_of(kp=8.0, ki=40.0, kd=0.25, lag=0.006, **more):
    g = Gains()
    g.kp, g.ki, g.kd, g.derivative_filter_s = kp, ki, kd, lag
    for name, value in more.items():
        setattr(g, name, value)
    return g


GAINS = [
    gains_of(),
    gains_of(ki=0.0),
    gains_of(kd=0.0),
    gains_of(lag=0.0),
    gains_of(30.0, 400.0, 1.2, 0.02),
    gains_of(near_rad=0.1, near_factor=0.5),
]


@pytest.mark.parametrize("gains", GAINS)
def test_the_controller_s_states_and_its_response_are_one(gains):
    a, b, c, d = margins.controller_space(gains, TICK_S)
    z = np.exp(1j * W * TICK_S)
    found = [(c @ np.linalg.solve(one * np.eye(3) - a, b) + d)[0, 0] for one in z]
    np.testing.assert_allclose(found, margins.controller_response(gains, TICK_S), rtol=1e-9)


@pytest.mark.parametrize("gains", GAINS)
def test_the_controller_s_states_are_those_of_the_tick(gains):
    """The control code itself, holding at zero, against the linear states."""
    angles = np.random.default_rng(5).normal(0.0, 0.02, 200)
    loop, motion = Loop(), Motion()
    a, b, c, d = margins.controller_space(gains, TICK_S)
    x = np.zeros((3, 1))
    pid.reset(loop, 0.0)
    pid.demand(gains, loop, motion, 0.0, TICK_S)
    for angle in angles:
        u = pid.demand(gains, loop, motion, float(angle), TICK_S)
        pid.settle(gains, loop, u, TICK_S)
        assert -u == pytest.approx((c @ x + d * angle).item(), rel=1e-9, abs=1e-12)
        x = a @ x + b * angle


@pytest.mark.parametrize("rigid", [True, False])
@pytest.mark.parametrize("delay", [0.0, 0.0007, 0.002, 0.003, 0.0043])
def test_the_sampled_plant_is_the_plant_in_small_steps(joint, rigid, delay):
    """Held input, late by the delay, in steps of 0.1 ms."""
    from scipy.linalg import expm

    a, b, c = margins.state_space(joint.part, rigid)
    small = 1e-4
    n = len(a)
    block = np.zeros((n + 1, n + 1))
    block[:n, :n], block[:n, n:] = a * small, b * small
    step = expm(block)
    u = np.random.default_rng(2).normal(0.0, 1.0, 40)
    x = np.zeros(n)
    outputs = []
    for k in range(round(len(u) * TICK_S / small)):
        if k % 20 == 0:
            outputs.append((c @ x).item())
        at = int(np.floor((k * small + 1e-9 - delay) / TICK_S))
        x = step[:n, :n] @ x + step[:n, n] * (u[at] if at >= 0 else 0.0)
    phi, gamma, out = margins.sampled(joint.part, TICK_S, delay, rigid)
    x = np.zeros(len(phi))
    found = []
    for one in u:
        found.append((out @ x).item())
        x = phi @ x + gamma[:, 0] * one
    np.testing.assert_allclose(found, outputs, rtol=1e-6, atol=1e-12)


@pytest.mark.parametrize("delay", [0.0, 0.0007, 0.002, 0.0043])
def test_the_plant_s_response_is_that_of_its_sampled_states(joint, delay):
    phi, gamma, c = margins.sampled(joint.part, TICK_S, delay)
    w = W[::30]
    z = np.exp(1j * w * TICK_S)
    found = [(c @ np.linalg.solve(one * np.eye(len(phi)) - phi, gamma)).item() for one in z]
    np.testing.assert_allclose(
        margins.plant_response(joint.part, TICK_S, delay, w=w), found, rtol=1e-6
    )


def test_far_below_the_resonance_the_joint_is_rigid(joint):
    w = np.geomspace(0.5, 10.0, 20)
    soft, stiff = (margins.plant_response(joint.part, TICK_S, 0.002, r, w) for r in (False, True))
    np.testing.assert_allclose(soft, stiff, rtol=2e-3)


def decays(part, gains, delay, rigid):
    """Iterate the linear loop from a push and see whether it dies down."""
    phi, gamma, c = margins.sampled(part, TICK_S, delay, rigid)
    a, b, out, direct = margins.controller_space(gains, TICK_S)
    rng = np.random.default_rng(1)
    x, s = rng.normal(size=(len(phi), 1)) * 1e-3, np.zeros((3, 1))
    sizes = []
    for _ in range(12_000):
        y = c @ x
        u = -(out @ s + direct @ y)
        x, s = phi @ x + gamma @ u, a @ s + b @ y
        sizes.append(abs(y.item()))
        if sizes[-1] > 1e6:
            return False
    return max(sizes[-2000:]) < 0.5 * max(sizes[:2000])


@pytest.mark.parametrize("rigid", [True, False])
@pytest.mark.parametrize("factor", [0.3, 1.0, 4.0, 12.0, 40.0])
def test_stability_by_poles_is_that_of_the_loop_in_time(joint, factor, rigid):
    g = gains_of(8.0 * factor, 40.0 * factor, 0.25 * factor)
    told = margins.closed_loop_stable(joint.part, g, TICK_S, 0.002, rigid)
    assert told == decays(joint.part, g, 0.002, rigid)


def test_a_loop_without_integral_is_stable_where_it_dies_down(joint):
    g = gains_of(ki=0.0)
    assert decays(joint.part, g, 0.002, True)
    assert margins.closed_loop_stable(joint.part, g, TICK_S, 0.002, True)


def test_stability_comes_both_ways_in_these_cases(joint):
    found = {
        margins.closed_loop_stable(
            joint.part, gains_of(8.0 * f, 40.0 * f, 0.25 * f), TICK_S, 0.002, True
        )
        for f in (0.3, 40.0)
    }
    assert found == {True, False}


@pytest.mark.parametrize("rigid", [True, False])
def test_the_gain_margin_is_where_the_loop_becomes_unstable(joint, rigid):
    g = gains_of()
    margin = margins.margins(joint.part, g, TICK_S, 0.002, rigid).gain_margin
    assert 1.5 < margin < 50.0
    for share, stable in ((0.98, True), (1.02, False)):
        f = margin * share
        scaled = gains_of(8.0 * f, 40.0 * f, 0.25 * f)
        assert margins.closed_loop_stable(joint.part, scaled, TICK_S, 0.002, rigid) == stable


def test_more_delay_and_a_frame_cost_phase(joint, made):
    g = gains_of()
    base = margins.margins(joint.part, g, TICK_S, 0.0)
    late = margins.margins(joint.part, g, TICK_S, 0.004)
    lost = np.degrees(2.0 * np.pi * base.crossover_Hz * 0.004)
    assert base.phase_margin_deg - late.phase_margin_deg == pytest.approx(lost, rel=0.1)
    pulse = made({"drive.kind": "pulse"}).part
    assert (joint.part.amplifier, pulse.amplifier) == (BRIDGE, PROPORTIONAL_AMPLIFIER)
    framed = margins.margins(pulse, g, TICK_S, 0.0)
    assert framed.phase_margin_deg < base.phase_margin_deg
    assert framed.ms > base.ms


def test_a_frame_delays_by_half_of_what_it_is_longer_than_a_tick():
    w = np.array([1.0, 5.0, 20.0])
    found = margins.frame_hold(w, 0.02, TICK_S)
    np.testing.assert_allclose(np.angle(found), -w * (0.02 - TICK_S) / 2.0, rtol=1e-6)
    assert (np.abs(found) <= 1.0).all()
    assert (margins.frame_hold(w, TICK_S, TICK_S) == 1.0).all()


def test_peak_sensitivity_and_crossings_of_a_known_loop():
    """Integrator with dead time, k e^(-sT)/s at k T = 0.5: gain margin (pi/2)/0.5 = 3.14."""
    w = np.geomspace(0.01, 30.0, 20_000)
    loop = 0.5 * np.exp(-1j * w) / (1j * w)
    factor, at = next(row for row in margins.gain_margins(loop, w) if row[0] > 1.0)
    assert (factor, at) == pytest.approx((np.pi, np.pi / 2.0), rel=1e-4)
    assert margins.margin_above(loop, w, 1.0) == pytest.approx(np.pi, rel=1e-4)
    assert margins.peak_sensitivity(loop) == pytest.approx(1.0 / np.abs(1.0 + loop).min())
    assert margins.margin_above(loop, w, 29.0) == float("inf")


@pytest.mark.parametrize("rigid", [True, False])
def test_the_loop_handed_to_python_control_is_the_same(joint, rigid):
    g = gains_of()
    plant, controller = margins.to_control(joint.part, g, TICK_S, 0.0025, rigid)
    assert plant.dt == controller.dt == TICK_S
    w = W[50:-50:25]
    z = np.exp(1j * w * TICK_S)
    ours = margins.plant_response(joint.part, TICK_S, 0.0025, rigid, w)
    np.testing.assert_allclose([plant(one) for one in z], ours, rtol=1e-6)
    own = margins.controller_response(g, TICK_S, w)
    np.testing.assert_allclose([controller(one) for one in z], own, rtol=1e-6)


def test_margins_without_a_crossing_are_told_as_none(joint):
    found = margins.margins(joint.part, gains_of(1e-6, 0.0, 0.0), TICK_S, 0.0).as_dict()
    assert found["phase_margin_deg"] is None
    assert found["crossover_Hz"] is None
    assert found["ms"] == pytest.approx(1.0, abs=1e-3)
