"""Reference figures for people near a joint. They inform warnings; nothing here is compliance.

Force and pressure: ISO/TS 15066:2016, Table A.2 (body regions "hands and fingers"),
seen second-hand. Touch temperature: IEC 60601-1:2005, Table 23 (plastic), seen
second-hand. These are figures for healthy adults at work or in care under rules of
their own; a builder's bench has none of those rules.
"""

from sim.joint.part import Part

HAND_FORCE_N = 140.0
"""Quasi-static force on hands and fingers; for a moment twice as much."""
FINGER_PRESSURE_N_CM2 = 300.0
"""Quasi-static pressure on the forefinger's pad."""
TOUCH_SHORT_C = 71.0
"""Plastic that is touched for 1 to 10 s."""
TOUCH_MOMENT_C = 86.0
"""Plastic that is touched for less than a second."""


def sharpest_area_mm2(force_N: float) -> float:
    """Contact area (mm^2) below which a force is above the pressure on a forefinger's pad."""
    return 100.0 * force_N / FINGER_PRESSURE_N_CM2


def hottest_case_C(part: Part) -> float:
    """Temperature of the motor's case (degC) when the winding stands at its warm limit for long.

    (T_warm - T_case) / R1 = (T_case - T_air) / R2.
    """
    h = part.heat
    share = h.case_K_W / (h.winding_K_W + h.case_K_W)
    return float(h.air_C + (h.warm_C - h.air_C) * share)
