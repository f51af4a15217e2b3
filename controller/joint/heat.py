"""Winding heat from the estimated current: two nodes, winding and case.

    C1 dTw/dt = R(Tw) i^2 - (Tw - Tc)/R1
    C2 dTc/dt = (Tw - Tc)/R1 - (Tc - Tair)/R2
    R(T) = R25 (234.5 + T)/259.5      (annealed copper, IEC 60028)

The current limit falls in a straight line from full at ``warm_C`` to zero at
``hot_C``. The plant uses the same equations with the part's own values.
"""

from controller.portable import const

MYPY = False
if MYPY:  # types are for the checker only: a board has no typing module
    from typing import Any

    from controller.joint.settings.safety_settings import Heat

COPPER_C = const(234.5)
COPPER_25_C = const(259.5)


def resistance(r25_ohm: float, temperature_C: float) -> float:
    """Copper winding resistance (ohm) at a temperature (degC)."""
    return r25_ohm * (COPPER_C + temperature_C) / COPPER_25_C


def warm_up(s: "Heat", st: "Any", power_W: float, h: float) -> None:
    """Advance winding and case temperature (degC) of ``st`` by ``h`` seconds.

    ``s`` has the fields of settings.Heat that the equations name. The step is
    explicit: h is a thousandth of the fastest time constant or less.
    """
    through = (st.winding_C - st.case_C) / s.winding_K_W
    st.winding_C += h * (power_W - through) / s.winding_J_K
    st.case_C += h * (through - (st.case_C - s.air_C) / s.case_K_W) / s.case_J_K


def derating(s: "Heat", winding_C: float) -> float:
    """Factor on the current limit: 1 below warm_C, 0 from hot_C on."""
    if s.resistance_25_ohm <= 0.0 or winding_C <= s.warm_C:
        return 1.0
    if winding_C >= s.hot_C:
        return 0.0
    return (s.hot_C - winding_C) / (s.hot_C - s.warm_C)
