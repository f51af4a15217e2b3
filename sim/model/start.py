"""Where a run begins: a plant at rest."""

from sim.joint.part import Part, Plant
from sim.model.events import place


def start_plant(part: Part, angle: float, warmth_C: float) -> Plant:
    """Plant state at rest at ``angle`` (rad) with a winding temperature (degC)."""
    x = Plant()
    place(part, x, angle)
    x.winding_C = warmth_C
    x.case_C = part.heat.air_C + 0.6 * (warmth_C - part.heat.air_C)
    x.bus_V = part.supply_V
    return x
