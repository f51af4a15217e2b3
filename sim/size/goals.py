"""Goals of a joint file, held against what its parts give over their spread.

Each goal is judged by what 95 % of drawn parts reach (``SHARE``); its margin is a share of the goal, 0 just
met, below 0 missed. Forces and currents are by formula, settling is simulated, both ways, with the file's own
gains or the rule's.
"""

from dataclasses import dataclass

import numpy as np

from sim.errors import InputError
from sim.joint import physics, spread
from sim.run.closed_loop import Fleet, Joint
from sim.run.scenarios import step, step_ends
from sim.size import force
from sim.size.figures import time_to_warm
from sim.units import DEG

SHARE = 95.0
PARTS = 200
NEVER_S = 9.0
"""A step that does not settle counts as this long."""


@dataclass(frozen=True)
class Judged:
    """One goal: what it is, what is wanted and reached (SI), its margin as a share of what is wanted."""

    name: str
    wanted: float
    reached: float
    unit: str
    margin: float

    @property
    def met(self) -> bool:
        """Whether 95 % of the parts reach it."""
        return self.margin >= 0.0


def judge(joint: Joint, count: int = PARTS, seed: int = 1, steps: bool = True) -> list[Judged]:
    """Hold a joint's goals against so many drawn parts; steps: whether those that must be simulated, too.

    Raises InputError where a goal is more than a limit of the file allows.
    """
    goals, file = joint.file.goals, joint.file
    if goals is None:
        return []
    if goals.tip_force is not None and goals.tip_force > file.limits.tip_force:
        raise InputError(joint.path, "goals.tip_force", goals.tip_force, "is more than limits.tip_force allows "
                         f"({file.limits.tip_force:g} N): raise that limit knowingly, or lower the goal")  # fmt: skip
    found: list[Judged] = []
    if goals.tip_force is not None:
        forces = force.forces_at(joint, 1e6, count, seed)
        found.append(_at_least("tip_force", goals.tip_force, _low(forces), "N"))
    if goals.hold is not None:
        newton = goals.tip_force or file.limits.tip_force
        amps = physics.current_for_tip_force(joint.part, newton) / force.force_factor(file)
        lasts = time_to_warm(joint.part, amps)
        found.append(_at_least("hold", goals.hold, 3600.0 if lasts is None else lasts, "s"))
    if goals.supply_current is not None:
        volt = joint.settings.limits.resistance_ohm * joint.settings.limits.current_A
        drawn = [min(volt, part.supply_V) / (ohm + part.supply_ohm)
                 for part, ohm in force.drawn_parts(joint, count, seed)]  # fmt: skip
        found.append(_at_most("supply_current", goals.supply_current, _high(np.array(drawn)), "A"))
    for key in ("cost", "mass"):
        wanted, has = getattr(goals, key), getattr(file.motor, key)
        if wanted is not None and has is not None:
            found.append(_at_most(key, wanted, has, "kg" if key == "mass" else ""))
    if steps and goals.step is not None and goals.within is not None:
        settled = settling(joint, goals.step, max(count // 4, 12) if count < PARTS else count, seed)
        found.append(_at_most("within", goals.within, _high(settled), "s"))
    return found


def settling(joint: Joint, step_rad: float, count: int, seed: int) -> np.ndarray:
    """Settling to 2 % (s) of steps both ways on drawn parts, shape (2 count,); ``NEVER_S`` where it does not."""
    parts, warmth = spread.draw_parts(joint.part, spread.spread_of(joint.file), count, seed)
    fleet = Fleet(parts, warmth, joint.settings.tick_s, joint.delay_s, seed)
    low, high = step_ends(joint.settings, step_rad)
    fine = 4.0 * joint.part.sensor.noise_counts * abs(joint.settings.sensor.rad_per_count)
    found = [fleet.run(joint.settings, step(*ends, fine, 1.0, 0.2)).table()["settling_2pct_s"]
             for ends in ((low, high), (high, low))]  # fmt: skip
    both = np.concatenate(found)
    return np.where(np.isfinite(both), both, NEVER_S)


def _low(values: np.ndarray) -> float:
    return float(np.percentile(values, 100.0 - SHARE))


def _high(values: np.ndarray) -> float:
    return float(np.percentile(values, SHARE))


def _at_least(name: str, wanted: float, reached: float, unit: str) -> Judged:
    return Judged(name, wanted, reached, unit, reached / wanted - 1.0)


def _at_most(name: str, wanted: float, reached: float, unit: str) -> Judged:
    margin = 1.0 - reached / wanted if wanted > 0.0 else (0.0 if reached <= 0.0 else -1.0)
    return Judged(name, wanted, reached, unit, margin)


def told(one: Judged, joint: Joint) -> tuple[str, str, str, str]:
    """A goal as a row for people: what, wanted, reached, met or missed with its margin."""
    goals = joint.file.goals
    assert goals is not None
    words = {
        "tip_force": "fingertip force, stalled", "supply_current": "supply current at the force limit",
        "hold": "held from cold", "cost": "cost of the motor", "mass": "mass of the motor",
        "within": f"{(goals.step or 0.0) / DEG:.0f} deg step settled to 2 %",
    }  # fmt: skip
    factor, unit = {"within": (1e3, "ms"), "mass": (1e3, "g")}.get(one.name, (1.0, one.unit))
    most = one.name not in ("tip_force", "hold")
    never = one.name == "within" and one.reached >= NEVER_S
    reached = "never" if never else f"{one.reached * factor:.3g} {unit}".strip()
    if one.name == "hold" and one.reached >= 3600.0:
        reached = "more than an hour"
    margin = "" if never else f", by {abs(100 * one.margin):.0f} %"
    return (words[one.name], f"{'at most' if most else 'at least'} {one.wanted * factor:.4g} {unit}".strip(),
            reached, ("met" if one.met else "missed") + margin)  # fmt: skip
