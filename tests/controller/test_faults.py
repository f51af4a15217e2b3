import pytest

from controller.joint import faults
from sim.documentation import fault_table

NUMBERS = {
    0: "NONE",
    1: "WIPER_RAIL",
    2: "SENSOR_JUMP",
    3: "SENSOR_HELD",
    4: "REVERSED",
    5: "NO_MOTION",
    6: "BLOCKED",
    7: "FOLLOWING",
    8: "OVER_TRAVEL",
    9: "OVER_SPEED",
    10: "TOO_HOT",
    11: "SUPPLY_LOW",
    12: "LINK_SILENT",
    13: "LATE_TICKS",
    14: "SETTINGS_DIFFER",
    15: "WATCHDOG_RESET",
    16: "STOP_PRESSED",
    17: "TICK_ERROR",
    18: "STANDSTILL",
    19: "BLIND",
    20: "CHECK_FAILED",
}
"""Stable: records and boards in use carry these numbers. New ones go to the end."""
CONTROLLED = {"NO_MOTION", "BLOCKED", "FOLLOWING", "TOO_HOT"}
DOUBTFUL = {"WIPER_RAIL", "SENSOR_JUMP", "SENSOR_HELD", "REVERSED", "BLIND", "OVER_TRAVEL"}


def test_numbers_are_unique_and_stable():
    found = {
        value: name
        for name, value in vars(faults).items()
        if isinstance(value, int) and name.isupper() and name != "COUNT"
    }
    assert found == NUMBERS
    assert len(NUMBERS) == faults.COUNT == len(faults.CATEGORY)


def test_the_table_has_every_fault():
    assert {row["number"]: row["constant"] for row in fault_table()} == NUMBERS


@pytest.mark.parametrize("row", fault_table()[1:], ids=lambda row: row["constant"])
def test_every_fault_says_name_cause_and_cure(row):
    assert len(row["name"].split()) >= 1
    assert len(row["cause"].split()) >= 3
    assert len(row["cure"].split()) >= 2


def test_names_are_unique():
    names = [row["name"] for row in fault_table()]
    assert len(set(names)) == len(names)


@pytest.mark.parametrize(("number", "constant"), NUMBERS.items())
def test_the_stop_category_is_known_and_a_doubtful_angle_is_never_followed(number, constant):
    found = faults.category(number)
    assert found == (1 if constant in CONTROLLED else 0)
    assert constant not in DOUBTFUL or found == 0
