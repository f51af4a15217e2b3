"""Tuning rules and margins: worked examples, published rules, and python-control."""

import control
import numpy as np
import pytest

from controller.joint import pid
from controller.joint.settings.settings import Gains
from controller.joint.state import Loop, Motion
from controller.records import copy
from sim.joint import gains as gain_rules
from sim.joint import spread
from sim.joint.part import Part
from sim.tune import margins

W = np.geomspace(1e-3, 1e3, 400_000)  # rad/s; Ms and crossings are then good to 1e-6


def pid_over_delay(kp, ki, kd, gain, theta, tau=0.0):
    """L(jw) of the parallel PID with gain e^(-theta s) / (s (tau s + 1)), and w theta."""
    w = W / theta
    s = 1j * w
    return (kp + ki / s + kd * s) * gain * np.exp(-s * theta) / (s * (tau * s + 1.0)), w


def phase_margin(loop):
    """Phase margin (deg) at the last crossing of |L| = 1 on the grid."""
    k = np.nonzero(np.diff(np.sign(np.abs(loop) - 1.0)))[0][-1]
    return float(np.degrees(np.angle(-loop[k])))


def step_overshoot(gains, plant, h, ticks):
    """Unit step of our controller, derivative kick included, on a sampled plant."""
    a, b, c = plant.A, plant.B[:, 0], plant.C[0]
    loop, motion = Loop(), Motion()
    pid.reset(loop, 0.0)
    motion.setpoint_rad, motion.setpoint_rad_s = 1.0, 1.0 / h
    state, y = np.zeros(len(b)), np.zeros(ticks)
    for k in range(ticks):
        y[k] = c @ state
        u = pid.demand(gains, loop, motion, y[k], h)
        pid.settle(gains, loop, u, h)
        state = a @ state + b * u
        motion.setpoint_rad_s = 0.0
    return 100.0 * (y.max() - 1.0), y.argmax() * h


# 1/(s(s+1)(s+5)): K. Ogata, Modern Control Engineering, 5th ed. 2010, sec. 8-2,
# example 8-1 (from memory; every figure recomputed with python-control)
OGATA = control.tf([1.0], [1.0, 6.0, 5.0, 0.0])


def test_ultimate_point_of_the_textbook_plant():
    # Routh: Kcr = 30 at sqrt(5) rad/s
    found = margins.gain_margins(OGATA(1j * W), W)
    assert len(found) == 1
    assert found[0] == pytest.approx((30.0, np.sqrt(5.0)), rel=1e-6)


@pytest.mark.parametrize(
    ("k", "ti", "td", "overshoot", "peak_s", "ms"),
    [
        # Ziegler and Nichols 1942: 0.6 Kcr, 0.5 Pcr, 0.125 Pcr; the book says about 62 %
        (18.0, 1.405, 0.35124, 61.824, 1.6677, 2.6158),
        # the book's two re-tunings: about 18 % and 28 %
        (18.0, 3.077, 0.7692, 18.560, 1.187, 1.3470),
        (39.42, 3.077, 0.7692, 28.056, 0.6507, 1.6135),
    ],
)
def test_textbook_tunings(k, ti, td, overshoot, peak_s, ms):
    gains = Gains()
    gains.kp, gains.ki, gains.kd = pid.parallel_form(k, ti, td)
    gains.derivative_filter_s, gains.rate_weight = 0.0, 1.0
    h = 2e-4
    plant = control.sample_system(control.ss(OGATA), h, "zoh")
    found = step_overshoot(gains, plant, h, round(1.5 * peak_s / h))
    # one tick of delay at 3 rad/s: 0.03 deg, less than 0.1 points
    assert found[0] == pytest.approx(overshoot, abs=0.1)
    assert found[1] == pytest.approx(peak_s, rel=2e-3)
    s = 1j * W
    loop = (gains.kp + gains.ki / s + gains.kd * s) * OGATA(s)
    assert margins.peak_sensitivity(loop) == pytest.approx(ms, abs=1e-4)


def test_ziegler_nichols_values_follow_from_the_ultimate_point():
    # the tuning row above: 0.6*30, 0.5*Pcr, 0.125*Pcr with Pcr = 2.80993 s
    factor, w = margins.gain_margins(OGATA(1j * W), W)[0]
    period = 2.0 * np.pi / w
    assert (0.6 * factor, 0.5 * period, 0.125 * period) == pytest.approx(
        (18.0, 1.40496, 0.351241), rel=1e-5
    )


def test_simc_on_an_integrating_process_with_delay():
    # S. Skogestad, J. Process Control 13 (2003) 291-309, tau_c = theta: Kc = 1/(2 k' theta),
    # tau_I = 8 theta. Robustness recomputed; the paper's table (GM 2.96, PM 46.9,
    # Ms 1.70) is from memory
    kp, ki, kd = gain_rules.simc_pid(3.0, 0.0, 0.01)
    assert (kp, ki, kd) == pytest.approx((1.0 / 0.06, 1.0 / 0.06 / 0.08, 0.0), rel=1e-12)
    loop, w = pid_over_delay(kp, ki, kd, 3.0, 0.01)
    assert margins.peak_sensitivity(loop) == pytest.approx(1.7035, abs=1e-4)
    assert margins.margin_above(loop, w, 0.0) == pytest.approx(2.9634, abs=1e-4)
    assert phase_margin(loop) == pytest.approx(46.864, abs=0.01)


def test_simc_on_the_motor_example(motor):
    # motor of the position example with 2 ms of dead time: the lag is cancelled, so
    # margins are those of the integrating process
    gain, tau = gain_rules.integrating_model(motor)
    kp, ki, kd = gain_rules.simc_pid(gain, tau, 0.002)
    assert (kp, ki, kd) == pytest.approx((14.34207, 436.1261, 0.1178248), rel=1e-6)
    loop, w = pid_over_delay(kp, ki, kd, gain, 0.002, tau)
    assert margins.peak_sensitivity(loop) == pytest.approx(1.70352, abs=1e-5)
    assert margins.margin_above(loop, w, 0.0) == pytest.approx(2.9634, abs=1e-4)
    assert w[np.argmin(np.abs(np.abs(loop) - 1.0))] == pytest.approx(257.27, rel=1e-4)


def test_ziegler_nichols_pi_is_known_to_be_rough():
    # integrating process, delay 1: Kc = 0.45 pi/2, Ti = 10/3: Ms 2.831, GM 1.868, recomputed
    loop, w = pid_over_delay(0.45 * np.pi / 2, 0.45 * np.pi / 2 * 0.3, 0.0, 1.0, 1.0)
    assert margins.peak_sensitivity(loop) == pytest.approx(2.831, abs=1e-3)
    assert margins.margin_above(loop, w, 0.0) == pytest.approx(1.868, abs=1e-3)


@pytest.fixture(scope="module")
def random_loops(nominal):
    """Margins of random gains on random parts, seeded."""
    rng = np.random.default_rng(20)
    parts, _ = spread.draw_parts(nominal.part, spread.spread_of(nominal.file), 100, 20)
    rows = []
    for part in parts:
        for rigid in (True, False):
            gains = Gains()
            copy(nominal.settings.gains, gains)
            gains.kp *= np.exp(rng.uniform(-2.5, 1.5))
            gains.ki *= np.exp(rng.uniform(-3.0, 2.0))
            gains.kd *= np.exp(rng.uniform(-2.0, 1.0))
            tick_s = float(rng.choice([0.001, 0.002, 0.005]))
            delay_s = tick_s * rng.uniform(0.0, 1.0)
            rows.append(
                (
                    margins.margins(part, gains, tick_s, delay_s, rigid),
                    (part, gains, tick_s, delay_s, rigid),
                )
            )
    return rows


def test_margins_are_at_least_those_implied_by_ms(random_loops):
    # GM >= Ms/(Ms - 1), PM >= 2 asin(1/(2 Ms)): geometry of the Nyquist plane (Astrom and
    # Murray, Feedback Systems, sec. 10, from memory). Crossings are interpolated:
    # 1e-3. Beyond Ms = 10 a loop is at the edge of stability and no longer a design.
    seen = 0
    for found, _ in random_loops:
        if not found.stable or found.ms > 10.0:
            continue
        seen += 1
        assert found.gain_margin >= found.ms / (found.ms - 1.0) * (1.0 - 1e-3)
        implied = np.degrees(2.0 * np.arcsin(0.5 / found.ms))
        assert found.phase_margin_deg >= implied * (1.0 - 1e-3)
    assert seen > 90


def test_ms_between_grid_points(nominal):
    # a lightly damped cable (the low end of the spread) at 1 kHz: the resonance is narrow
    part, gains = Part(), Gains()
    copy(nominal.part, part)
    part.cable.damping_Ns_m = 0.3
    w = np.linspace(1.0, 0.9 * np.pi / 0.001, 60_000)
    plant = margins.plant_response(part, 0.001, 0.0005, False, w)
    for factor in np.linspace(0.2, 1.0, 9):
        copy(nominal.settings.gains, gains)
        gains.kp, gains.ki, gains.kd = gains.kp * factor, gains.ki * factor, gains.kd * factor
        found = margins.margins(part, gains, 0.001, 0.0005, rigid=False)
        assert found.stable
        loop = plant * margins.controller_response(gains, 0.001, w)
        assert found.ms == pytest.approx(1.0 / np.abs(1.0 + loop).min(), rel=1e-3)


def test_stability_is_that_of_python_control(random_loops):
    verdicts = []
    for found, loop in random_loops:
        plant, controller = margins.to_control(*loop)
        poles = control.feedback(plant * controller).poles()
        verdicts.append(bool(np.abs(poles).max() < 1.0 - 1e-9))
        assert found.stable == verdicts[-1]
    assert 20 < sum(verdicts) < len(verdicts) - 20  # both kinds occur


@pytest.mark.filterwarnings("ignore:Badly conditioned filter:scipy.signal.BadCoefficients")
@pytest.mark.parametrize("rigid", [True, False])
@pytest.mark.parametrize("delay_ticks", [0.0, 0.35, 1.0, 1.5])
def test_margins_of_the_nominal_joint_are_those_of_python_control(nominal, delay_ticks, rigid):
    tick_s = nominal.settings.tick_s
    loop = (nominal.part, nominal.settings.gains, tick_s, delay_ticks * tick_s, rigid)
    found = margins.margins(*loop)
    plant, controller = margins.to_control(*loop)
    series = plant * controller
    gm, pm, _, _, wgc, _ = control.stability_margins(series, returnall=True)
    # ours: linear interpolation between 4000 points 0.2 % apart, so 1e-5
    assert found.gain_margin == pytest.approx(min(g for g in gm if g > 1.0), rel=1e-5)
    assert found.phase_margin_deg == pytest.approx(min(abs(pm)), rel=1e-5)
    assert 2.0 * np.pi * found.crossover_Hz == pytest.approx(wgc[np.argmin(abs(pm))], rel=1e-5)
    dense = np.linspace(1.0, np.pi / tick_s, 20_000)
    loop_at = series(np.exp(1j * dense * tick_s))
    # between grid points 0.2 % apart the distance from -1 changes in second order
    assert found.ms == pytest.approx(1.0 / np.abs(1.0 + loop_at).min(), rel=1e-4)
    closed = np.abs(loop_at / (1.0 + loop_at))
    falls = dense[np.argmax((closed < 0.5**0.5) & (dense > 2.0 * np.pi * found.crossover_Hz))]
    assert 2.0 * np.pi * found.bandwidth_Hz == pytest.approx(falls, rel=3e-3)  # next grid point
