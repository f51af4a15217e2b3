"""The controller's difference equations against the textbook's, number by number.

Textbook form: K (1 + 1/(Ti s) + Td s/(1 + s Td/N)), the derivative on the
measurement, backward differences, back-calculation with time constant Tt (K. J.
Astrom and T. Hagglund, PID Controllers, 2nd ed. 1995, ch. 3, and K. J. Astrom and
B. Wittenmark, Computer-Controlled Systems, 3rd ed. 1997, ch. 8; both from memory).
"""

import numpy as np
import pytest

from controller.joint import pid
from controller.joint.settings.settings import Gains
from controller.joint.state import Loop, Motion


def textbook_gains(k, ti, td, n, tracking_s=1.0):
    gains = Gains()
    gains.kp, gains.ki, gains.kd = pid.parallel_form(k, ti, td)
    gains.derivative_filter_s = td / n
    gains.tracking_s = tracking_s
    return gains


def started(wanted=0.0):
    loop, motion = Loop(), Motion()
    pid.reset(loop, 0.0)
    motion.setpoint_rad = wanted
    return loop, motion


def derivative_terms(gains, angles, h):
    """Derivative part of the controller's output at a row of measured angles."""
    gains.kp = gains.ki = 0.0
    loop, motion = started()
    return np.array([pid.demand(gains, loop, motion, y, h) for y in angles])


def test_filtered_derivative_coefficients():
    # D_k = ad D_{k-1} - bd (y_k - y_{k-1}), ad = Td/(Td + N h), bd = K Td N/(Td + N h): form
    # seen in a public signal-processing question (no. 80630); K 2, Td 0.1, N 10, h 0.005: 2/3 and 40/3
    d = derivative_terms(textbook_gains(2.0, 0.0, 0.1, 10.0), [0.0, 1.0, 1.0, 1.0], 0.005)
    assert d[0] == 0.0  # no kick in the first tick
    assert d[1] == pytest.approx(-13.333333333333332, rel=1e-12)
    assert d[2] / d[1] == pytest.approx(0.6666666666666666, rel=1e-12)
    assert d[3] / d[2] == pytest.approx(0.6666666666666666, rel=1e-12)


@pytest.mark.parametrize("ah", [0.05, 0.5, 3.0, 20.0])
def test_filter_pole_is_the_backward_difference(ah):
    # s = -a to z = 1/(1 + a h): never negative (no ringing), however long the
    # tick; Tustin's (2 - ah)/(2 + ah) would ring from ah = 2 on (mapping of
    # textbooks, e.g. Franklin, Powell, Workman, Digital Control, 1998; from memory)
    gains = textbook_gains(1.0, 0.0, 0.1, 10.0)
    d = derivative_terms(gains, [0.0, 1.0, 1.0], ah * gains.derivative_filter_s)
    assert d[2] / d[1] == pytest.approx(1.0 / (1.0 + ah), rel=1e-12)


@pytest.mark.parametrize("h", [0.0005, 0.005, 0.05])
def test_derivative_of_a_ramp_is_exact(h):
    # unit ramp, steady: -K Td, whatever the tick (all four usual discretisations agree)
    ticks = np.arange(round(40 * max(h, 0.01) / h)) * h
    d = derivative_terms(textbook_gains(2.0, 0.0, 0.1, 10.0), ticks, h)
    assert d[-1] == pytest.approx(-0.2, rel=1e-9)


TRACE = [
    # y, I, D, demand, output: K 2, Ti 1, Td 0.1, N 10, h 0.01, Tt 0.3, |u| <= 1, r = 1.
    # Own arithmetic on the textbook's equations, independent of this code.
    (0.0, 0.0, 0.0, 2.0, 1.0),
    (0.0, -0.013333333333333332, 0.0, 1.9866666666666666, 1.0),
    (0.1, -0.026222222222222216, -1.0, 0.7737777777777779, 0.7737777777777779),
    (0.25, -0.008222222222222214, -2.0, -0.5082222222222221, -0.5082222222222221),
    (0.4, 0.006777777777777785, -2.5, -1.2932222222222223, -1.0),
    (0.6, 0.028551851851851863, -3.25, -2.421448148148148, -1.0),
    (0.8, 0.08393345679012346, -3.625, -3.1410665432098774, -1.0),
    (0.9, 0.15930234156378603, -2.8125, -2.453197658436214, -1.0),
    (1.0, 0.20974226351165984, -2.40625, -2.19650773648834, -1.0),
    (1.05, 0.24962585472793786, -1.703125, -1.5534991452720628, -1.0),
]


def test_ten_step_trace_with_back_calculation():
    gains = textbook_gains(2.0, 1.0, 0.1, 10.0, tracking_s=0.3)
    loop, motion = started(1.0)
    for y, integral, derivative, wanted, applied in TRACE:
        assert loop.integral_V == pytest.approx(integral, abs=1e-12)
        u = pid.demand(gains, loop, motion, y, 0.01)
        assert -gains.kd * loop.derivative_rad_s == pytest.approx(derivative, abs=1e-12)
        assert u == pytest.approx(wanted, abs=1e-12)
        out = min(max(u, -1.0), 1.0)
        assert out == pytest.approx(applied, abs=1e-12)
        pid.settle(gains, loop, out, 0.01)


def saturated_step(tracking_s):
    """Overshoot (%) and integrated error of P(s) = 1/s under PI, |u| <= 0.1."""
    h, ticks = 0.001, 60000
    gains = textbook_gains(1.0, 1.0, 0.0, 10.0, tracking_s or 1.0)
    loop, motion = started(1.0)
    y = np.zeros(ticks)
    for k in range(1, ticks):
        u = pid.demand(gains, loop, motion, y[k - 1], h)
        out = min(max(u, -0.1), 0.1)
        pid.settle(gains, loop, out if tracking_s else u, h)
        y[k] = y[k - 1] + h * out  # exact: the input is held
    return 100.0 * (y.max() - 1.0), h * np.abs(1.0 - y).sum()


@pytest.mark.parametrize(
    ("tracking_s", "overshoot", "error"),
    [
        # Set-up after Astrom and Hagglund 1995, ch. 3 (from memory); figures
        # recomputed outside this project with numpy
        (None, 90.03, 21.93),
        (2.0, 12.58, 5.334),
        (1.0, 5.466, 5.139),
        (0.5, 3.500, 5.090),
        (0.1, 3.004, 5.080),
    ],
)
def test_what_back_calculation_is_worth(tracking_s, overshoot, error):
    found = saturated_step(tracking_s)
    # one tick of 1 ms either way in the order of update: 0.1 % of unit slope
    assert found[0] == pytest.approx(overshoot, abs=0.05)
    assert found[1] == pytest.approx(error, abs=0.01)


def test_tracking_time_of_the_first_guess(nominal):
    # Td < Tt < Ti, Tt = sqrt(Ti Td): Astrom and Hagglund 1995, sec. 3.5 (from memory)
    gains = nominal.settings.gains
    _, ti, td = pid.standard_form(gains.kp, gains.ki, gains.kd)
    assert td < gains.tracking_s < ti
    assert gains.tracking_s == pytest.approx(np.sqrt(ti * td), rel=1e-12)


def test_standard_and_parallel_form():
    # K (1 + 1/(Ti s) + Td s) = kp + ki/s + kd s, by comparing coefficients. The numbers
    # are the series form 6.97802 (1 + 1/0.016 s)(1 + 0.0168851 s) multiplied out
    standard = (14.342069343065695, 0.03288514035472184, 0.008215328952876369)
    parallel = (14.342069343065695, 436.1261405109489, 0.11782481751824818)
    assert pid.parallel_form(*standard) == pytest.approx(parallel, rel=1e-12)
    assert pid.standard_form(*parallel) == pytest.approx(standard, rel=1e-12)
    assert pid.parallel_form(2.0, 0.0, 0.1) == (2.0, 0.0, 0.2)  # no integral
    assert pid.standard_form(2.0, 0.0, 0.2) == (2.0, 0.0, 0.1)


def test_controller_without_integral_gain_is_a_plain_pd():
    # ki = 0: neither error nor saturation may fill the integral
    gains = textbook_gains(3.0, 0.0, 0.1, 10.0, tracking_s=0.01)
    loop, motion = started(1.0)
    rng = np.random.default_rng(7)
    y_last, d = 0.0, 0.0
    for k, y in enumerate(rng.uniform(-1.0, 1.0, 200)):
        u = pid.demand(gains, loop, motion, y, 0.01)
        d = 0.5 * d - 15.0 * (y - y_last) if k else 0.0  # ad, bd of K 3, Td 0.1, N 10, h 0.01
        y_last = y
        assert u == pytest.approx(3.0 * (1.0 - y) + d, abs=1e-12)
        pid.settle(gains, loop, min(max(u, -0.1), 0.1), 0.01)
        assert loop.integral_V == 0.0


def test_frequency_response_of_the_same_equations():
    # C(z) = K + K h/(Ti (z-1)) + bd (z-1)/(z - ad), against a sine run through
    # the controller itself: amplitude and phase of the steady state
    from sim.tune import margins

    gains, h = textbook_gains(2.0, 1.0, 0.1, 10.0), 0.01
    w = 2.0 * np.pi / (200 * h)
    loop, motion = started()
    u = np.zeros(4000)
    for k in range(len(u)):
        u[k] = pid.demand(gains, loop, motion, np.sin(w * k * h), h)
        pid.settle(gains, loop, u[k], h)
    u = u[-200:]
    phase = 2.0 * np.pi * np.arange(200) / 200
    found = 2j * np.mean(u * np.exp(-1j * phase))
    z = np.exp(1j * w * h)
    textbook = 2.0 + 0.02 / (z - 1.0) + 10.0 * (z - 1.0) / (z - 0.5)
    assert -found == pytest.approx(textbook, rel=1e-9)
    ours = margins.controller_response(gains, h, np.array([w]))[0]
    assert ours == pytest.approx(textbook, rel=1e-12)
