"""What was measured beside a recording: it settles what angle and voltage leave open.

A winding by ohmmeter gives the resistance; a known weight on the fingertip gives a known torque, and
so the torque constant and what the gear loses; a winding whose temperature is known is not mistaken
for one of another resistance.
"""

from dataclasses import dataclass
from math import cos, hypot, sin

import numpy as np
from scipy.constants import g

from sim.joint.part import Part


@dataclass(frozen=True)
class Weight:
    """A weight on the moving part while the joint was recorded, its cord or hook included."""

    mass_kg: float
    at_m: float
    """From hinge to where it hangs."""
    level_rad: float
    """Joint angle at which its torque is greatest and against closing."""

    @property
    def torque_Nm(self) -> float:
        """Its greatest torque about the hinge, m g l."""
        return self.mass_kg * g * self.at_m

    def hang(self, part: Part, level_rad: float) -> None:
        """Hang it on a part, its torque greatest at ``level_rad``: gravity and inertia of both (a point mass)."""
        j = part.hinge
        along = j.gravity_Nm * cos(j.gravity_at_rad) + self.torque_Nm * cos(level_rad)
        across = j.gravity_Nm * sin(j.gravity_at_rad) + self.torque_Nm * sin(level_rad)
        j.gravity_Nm, j.gravity_at_rad = hypot(along, across), float(np.arctan2(across, along))
        j.inertia += self.mass_kg * self.at_m**2


@dataclass(frozen=True)
class Anchors:
    """What was measured; None: it was not."""

    winding_ohm: float | None = None
    """Resistance of the winding at 25 degC."""
    winding_said: bool = False
    """Whether the winding's temperature, as given to the fit, was measured."""
    weight: Weight | None = None
