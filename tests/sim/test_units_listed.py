"""What is no angle is none, and the units that are named do work."""

import pytest

from sim import units


@pytest.mark.parametrize("text", ["1.5 %", "10 bit", "3 count", "0.2 ppm"])
def test_a_dimensionless_word_is_no_angle(text):
    with pytest.raises(ValueError, match="is not a unit of rad") as caught:
        units.parse(text, "rad", "60 deg")
    for unit in units.LISTED["rad"]:
        assert unit in str(caught.value)


@pytest.mark.parametrize(
    ("aim", "unit"), [(aim, unit) for aim in units.LISTED for unit in units.LISTED[aim]]
)
def test_every_unit_that_is_named_works(aim, unit):
    assert units.parse(f"2 {unit}", aim, "") > 0.0


def test_angles_are_still_angles():
    # exact by definition: 360 deg = 1 turn = 2 pi rad
    assert units.parse("0.5 turn", "rad", "") == pytest.approx(units.parse("180 deg", "rad", ""))
