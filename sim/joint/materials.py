"""Cable by material and diameter: stiffness and breaking strength.

    k = E * fill * pi d^2 / 4 / L        strength = s * fill * pi d^2 / 4

Fibre modulus and strength: "Synthetic fibre yarn properties", table 1, Tension
Technology (N/tex times density); steel strand: modulus of stranded rope and
metallic area share from wire-rope handbooks, from memory. Braid angle and creep
lower the stiffness of a braid: these are upper bounds (Sry et al. 2018, Applied
Sciences 8:1096). D/d: suggested sheave ratio, common practice for fibre braid
(no source), strand 19x7 from a wire-rope maker's table of sheave ratios.
"""

from dataclasses import dataclass
from math import pi

COLD_C = 10.0
"""Coldest winding (degC) that the force limit reckons with: then its resistance is least."""


@dataclass(frozen=True)
class Material:
    """Cable material. modulus, strength: Pa of the solid; fill: share of the circle."""

    modulus_Pa: float
    strength_Pa: float
    fill: float
    bend_ratio: float
    bend_least: float


MATERIALS = {
    "polyethylene_braid": Material(124e6 * 0.97e3, 2.65e6 * 0.97e3, 0.55, 10.0, 5.0),
    "aramid_braid": Material(60e6 * 1.44e3, 2.0e6 * 1.44e3, 0.55, 20.0, 10.0),
    "steel_strand": Material(80e9, 1.4e9, 0.55, 51.0, 34.0),
}


def stiffness(material: str, diameter_m: float, length_m: float) -> float:
    """Stiffness (N/m) of a cable of a material, diameter (m) and length (m)."""
    m = MATERIALS[material]
    return m.modulus_Pa * m.fill * pi * diameter_m**2 / 4.0 / length_m


def strength(material: str, diameter_m: float) -> float:
    """Breaking strength (N) of a cable of a material and diameter (m)."""
    m = MATERIALS[material]
    return m.strength_Pa * m.fill * pi * diameter_m**2 / 4.0
