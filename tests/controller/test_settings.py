import pytest

from controller.joint.settings.settings import Settings
from controller.records import leaves, out_of_range
from sim.documentation import settings_rows

ROWS = settings_rows(Settings)
ENDINGS = (
    ("_rad_s3", "rad/s^3"),
    ("_rad_s2", "rad/s^2"),
    ("_rad_s", "rad/s"),
    ("_rad", "rad"),
    ("_counts", "count"),
    ("_ticks", "tick"),
    ("_ohm", "ohm"),
    ("_J_K", "J/K"),
    ("_K_W", "K/W"),
    ("_C", "degC"),
    ("_A", "A"),
    ("_V", "V"),
)


def test_all_defaults_are_in_range():
    assert out_of_range(Settings()) is None


def test_the_table_of_settings_has_every_setting_in_order():
    assert [row["name"] for row in ROWS] == [name for name, _ in leaves(Settings)]


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row["name"])
def test_every_setting_has_unit_meaning_and_a_range_around_its_default(row):
    assert row["unit"]
    assert len(row["meaning"].split()) >= 2
    assert row["low"] <= row["default"] <= row["high"]
    assert row["low"] < row["high"]


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row["name"])
def test_the_ending_of_a_name_is_its_unit(row):
    if "_per_" in row["name"]:
        above, below = row["name"].rsplit(".")[-1].split("_per_")
        assert row["unit"].split("/")[1] == below
        assert row["unit"][0] == above[0].upper() or row["unit"].startswith(above)
        return
    for ending, unit in ENDINGS:
        if row["name"].endswith(ending):
            assert row["unit"] == unit
            return
    if row["name"].endswith("_s") and not row["name"].endswith("_V_s"):
        assert row["unit"] == "s"
    if row["name"].endswith("_V_s"):
        assert row["unit"] in ("V/s", "V*s/rad")
