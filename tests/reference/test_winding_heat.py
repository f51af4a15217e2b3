"""Winding resistance and temperature against handbook relations and a matrix exponential."""

import numpy as np
import pytest
from scipy.linalg import expm

from controller.joint import heat
from controller.joint.settings.safety_settings import Heat
from controller.joint.state import Allowed


def test_resistance_of_copper():
    # IEC 60028, annealed copper: R in proportion to 234.5 + T
    assert heat.resistance(1.5, 25.0) == 1.5
    assert heat.resistance(1.0, 85.0) == pytest.approx(1.231214, abs=1e-6)
    # 0.1 ohm at 20 degC, temperature coefficient 0.00393/K at 20 degC: 0.11179 at 50 degC
    r20 = heat.resistance(1.0, 20.0)
    assert 0.1 * heat.resistance(1.0, 50.0) / r20 == pytest.approx(0.11179, rel=1e-4)
    # the coefficient at 25 degC is 0.003854; 0.00393 taken from there would be 0.4 % high
    assert heat.resistance(1.0, 26.0) - 1.0 == pytest.approx(0.0038535645, rel=1e-6)


def winding(r_20=4.0, rth=20.0, tau=60.0):
    """One thermal node (K/W, s) on a case that stays at 20 degC, and its state."""
    s, st = Heat(), Allowed()
    s.resistance_25_ohm = r_20 * 259.5 / 254.5
    s.winding_K_W, s.winding_J_K = rth, tau / rth
    s.case_J_K, s.air_C = 1e12, 20.0
    st.winding_C = st.case_C = 20.0
    return s, st


def warm(s, st, amps, seconds, constant=None, h=0.05):
    """Temperature rise (K) after some time at a current."""
    for _ in range(round(seconds / h)):
        ohm = constant or heat.resistance(s.resistance_25_ohm, st.winding_C)
        heat.warm_up(s, st, ohm * amps * amps, h)
    return st.winding_C - 20.0


@pytest.mark.parametrize(("amps", "plain", "copper"), [(0.5, 20.0, 21.7061), (1.0, 80.0, 116.686)])
def test_final_temperature_of_the_winding(amps, plain, copper):
    # dT = Rth I^2 R; with R(T): Rth I^2 R/(1 - g), tau/(1 - g), g = alpha Rth I^2 R (handbook
    # form, own arithmetic). Table with alpha = 0.00393, here 1/254.5: 1e-4 at 1 A
    s, st = winding()
    assert warm(s, st, amps, 1500.0, constant=4.0) == pytest.approx(plain, rel=1e-6)
    g = plain / 254.5
    s, st = winding()
    rise = warm(s, st, amps, 60.0 / (1.0 - g))
    # one time constant; the explicit step of h is early by h/2 in tau: 4e-4
    assert rise == pytest.approx((1.0 - np.exp(-1.0)) * plain / (1.0 - g), rel=5e-4)
    rise = warm(s, st, amps, 1500.0)
    assert rise == pytest.approx(plain / (1.0 - g), rel=1e-6)
    assert rise == pytest.approx(copper, rel=1e-4)


def test_thermal_runaway_current():
    # I = 1/sqrt(alpha Rth R): 1.7836 A; below it the rise slows down, above it speeds up
    edge = 1.0 / np.sqrt(20.0 * 4.0 / 254.5)
    for amps, sign in ((0.98 * edge, -1.0), (1.02 * edge, 1.0)):
        s, st = winding()
        first = warm(s, st, amps, 30.0)
        second = warm(s, st, amps, 30.0) - first
        assert sign * (second - first) > 0.0


@pytest.mark.parametrize(
    ("over", "seconds"), [(1.5, 35.26720), (2.0, 17.26092), (3.0, 7.066982), (5.0, 2.449320)]
)
def test_time_to_the_limit_from_cold(over, seconds):
    # t = tau ln(K^2/(K^2 - 1)), K the current over the rated one, R constant: the overload
    # relation of motor protection (I^2 t)
    s, st = winding()
    h, count = 0.002, 0
    while st.winding_C < 100.0:  # 80 K: rated current 1 A
        heat.warm_up(s, st, 4.0 * over * over, h)
        count += 1
    assert count * h == pytest.approx(seconds, abs=2.0 * h)


def test_two_nodes_against_the_matrix_exponential():
    # C1 Tw' = P - (Tw - Tc)/R1, C2 Tc' = (Tw - Tc)/R1 - (Tc - Tair)/R2: linear, so exact by
    # exp(A t) (computed with scipy); final rise P (R1 + R2) of the winding, P R2 of the case
    s, st, power, h = Heat(), Allowed(), 1.5, 0.01
    r1, r2, c1, c2 = s.winding_K_W, s.case_K_W, s.winding_J_K, s.case_J_K
    a = np.array([[-1 / r1 / c1, 1 / r1 / c1], [1 / r1 / c2, -(1 / r1 + 1 / r2) / c2]])
    final = np.array([power * (r1 + r2), power * r2])
    for seconds, before in ((10.0, 0.0), (60.0, 10.0), (300.0, 60.0), (4000.0, 300.0)):
        for _ in range(round((seconds - before) / h)):
            heat.warm_up(s, st, power, h)
        exact = final - expm(a * seconds) @ final
        found = [st.winding_C - s.air_C, st.case_C - s.air_C]
        # explicit steps of a thousandth of the winding's 8 s: half of that too early
        assert found == pytest.approx(exact, rel=1e-3)
    assert found == pytest.approx(final, rel=1e-6)
