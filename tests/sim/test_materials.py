from math import pi

import pytest

from sim.joint import materials


@pytest.mark.parametrize("material", materials.MATERIALS)
def test_stiffness_and_strength_grow_with_the_square_of_the_diameter(material):
    thin, thick = (materials.stiffness(material, d, 0.2) for d in (0.5e-3, 1.0e-3))
    assert thick == pytest.approx(4.0 * thin)
    assert materials.stiffness(material, 0.5e-3, 0.4) == pytest.approx(0.5 * thin)
    weak, strong = (materials.strength(material, d) for d in (0.5e-3, 1.0e-3))
    assert strong == pytest.approx(4.0 * weak)


def test_a_strand_of_steel_in_numbers():
    """80 GPa and 1.4 GPa over 55 % of a circle of 0.5 mm, 0.3 m long."""
    area = 0.55 * pi * 0.25e-3**2
    assert materials.stiffness("steel_strand", 0.5e-3, 0.3) == pytest.approx(80e9 * area / 0.3)
    assert materials.strength("steel_strand", 0.5e-3) == pytest.approx(1.4e9 * area)


@pytest.mark.parametrize("material", materials.MATERIALS.values(), ids=materials.MATERIALS)
def test_the_least_bend_is_tighter_than_the_suggested_one(material):
    assert 0.0 < material.bend_least < material.bend_ratio
    assert 0.0 < material.fill < 1.0
