import pytest

from controller.joint.heat import derating, resistance, warm_up
from controller.joint.settings.safety_settings import Heat
from controller.joint.state import Allowed


@pytest.mark.parametrize(
    ("celsius", "factor"), [(25.0, 1.0), (-234.5, 0.0), (284.5, 2.0), (110.0, 344.5 / 259.5)]
)
def test_copper_resistance_is_a_line_through_its_zero(celsius, factor):
    assert resistance(6.0, celsius) == pytest.approx(6.0 * factor)


def warmed(s, power, seconds, h=0.02):
    st = Allowed()
    for _ in range(round(seconds / h)):
        warm_up(s, st, power, h)
    return st


def test_steady_temperatures_are_power_times_thermal_resistance():
    s = Heat()
    st = warmed(s, 0.8, 3000.0)
    assert st.case_C == pytest.approx(s.air_C + 0.8 * s.case_K_W, abs=1e-3)
    assert st.winding_C == pytest.approx(s.air_C + 0.8 * (s.case_K_W + s.winding_K_W), abs=1e-3)


def test_without_power_all_cools_to_air():
    s = Heat()
    st = Allowed()
    st.winding_C, st.case_C = 100.0, 70.0
    for _ in range(150000):
        warm_up(s, st, 0.0, 0.02)
    assert st.winding_C == pytest.approx(s.air_C, abs=1e-3)
    assert st.case_C == pytest.approx(s.air_C, abs=1e-3)


def test_at_first_the_winding_alone_takes_the_heat():
    s = Heat()
    st = warmed(s, 2.0, 0.1, 0.001)
    assert st.winding_C - 25.0 == pytest.approx(2.0 * 0.1 / s.winding_J_K, rel=0.01)


def test_no_heat_is_lost_on_the_way():
    """Energy put in is what winding and case hold, and what went to the air."""
    s = Heat()
    st = Allowed()
    lost = 0.0
    for _ in range(20000):
        lost += 0.01 * (st.case_C - s.air_C) / s.case_K_W
        warm_up(s, st, 1.0, 0.01)
    held = s.winding_J_K * (st.winding_C - 25.0) + s.case_J_K * (st.case_C - 25.0)
    assert held + lost == pytest.approx(200.0, rel=1e-9)


@pytest.mark.parametrize(
    ("celsius", "share"),
    [(25.0, 1.0), (85.0, 1.0), (97.5, 0.5), (109.0, 0.04), (110.0, 0.0), (200.0, 0.0)],
)
def test_the_current_limit_falls_in_a_line_from_warm_to_hot(celsius, share):
    assert derating(Heat(), celsius) == pytest.approx(share)


def test_without_a_model_nothing_is_derated():
    s = Heat()
    s.resistance_25_ohm = 0.0
    assert derating(s, 500.0) == 1.0
