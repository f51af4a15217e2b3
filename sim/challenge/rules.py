"""What must never happen in a run, and how near to it a run came.

Exact rules (counted in every tick by ``scoring.py``; the limit is zero):
    window     the drive outside the window of force limit and supply of that tick
    off        a drive that is not zero while off or tripped
    number     a drive that is no number, or infinite
    relit      a tripped joint driven again without having been cleared
    kick       a drive in the first powered tick after arming
    false trip a trip in a scenario of normal use: moves, holds, easing, nothing in the way ("too long
               in the dead gap" is the right answer to a slow crossing)
Margins (measured over allowed, worst over the parts; above 1 is a breach):
    tension    greatest cable tension over the allowed pull (strength / safety factor) plus 10 %, and
               twice what a load from outside pulls
    travel     furthest beyond the soft ends, over the way to the hard stops plus 3 deg, and how deep a
               load from outside drives a free joint into a stop: its work becomes the stop's energy
    force      tip force that lasts (50 ms low-pass) over what this very part holds when it runs into
               something at full speed (``force.contact_forces``: what `size` tells over the spread), or
               statically at the limit, the greater of them, plus 15 %, and twice what a load from outside
               pushes
    heat       hottest winding over its limit plus 15 degC
"""

from dataclasses import dataclass

import numpy as np

from controller.joint import faults, heat
from sim.challenge.strategies import NORMAL
from sim.joint import datasheet, physics
from sim.joint.part import DIRECT, Part
from sim.model import schedule
from sim.run.closed_loop import Batch, Fleet, Joint
from sim.run.scenarios import Scenario
from sim.size import force
from sim.units import DEG

EXACT = ("window", "off", "number", "relit", "kick", "false trip")
MARGINS = ("tension", "travel", "force", "heat")


@dataclass(frozen=True)
class Judgement:
    """One scenario judged. shares: margin name to its worst share; parts: to the part's number."""

    broken: tuple[str, ...]
    shares: dict[str, float]
    parts: dict[str, int]
    faults: dict[str, int]
    """How many parts ended in which fault."""
    pull_N: float
    """Greatest cable pull; 0 where a load from outside pulls too."""


class Rules:
    """The rules of one joint and its crew, prepared once."""

    def __init__(self, joint: Joint, fleet: Fleet) -> None:
        self.joint = joint
        limits = joint.settings.limits
        strength = datasheet.cable_strength(joint.file)
        self.pull_N: float | None = None
        if strength is not None and joint.part.cable.kind != DIRECT:
            self.pull_N = 1.1 * strength / joint.file.cable.safety_factor
        self.room_rad: float | None = None
        self.way_rad = 0.0
        self.gap = joint.settings.sensor.gap_rad > 0.0 and joint.settings.sensor.wipers == 1
        """Whether a slow crossing of a dead gap is rightly answered by a trip."""
        if joint.file.joint.range is not None:
            low, high = datasheet.hard_stops(joint.file)
            room = max(high - limits.travel_high_rad, limits.travel_low_rad - low, 0.0)
            self.room_rad = room + 3.0 * DEG
            self.way_rad = high - low
        still = np.array([self._hold(part, warm) for part, warm in
                          zip(fleet.objects, fleet.warmth_C, strict=True)])  # fmt: skip
        self.hold_N = 1.15 * np.maximum(still, force.contact_forces(joint, fleet)[0])
        self.hot_C = joint.part.heat.hot_C + 15.0
        self.names = tuple(
            name for name in MARGINS
            if (name != "tension" or self.pull_N) and (name != "travel" or self.room_rad)
        )  # fmt: skip

    def _hold(self, part: Part, warm_C: float) -> float:
        """Tip force (N) that a part holds at the current limit, at standstill, gravity helping.

        The limit is a voltage window of R_cold I at standstill; the part's own resistance and
        constant make a torque of it.
        """
        limits = self.joint.settings.limits
        ohm = (
            heat.resistance(part.motor.resistance_25_ohm, min(warm_C, 25.0)) + part.motor.driver_ohm
        )
        volt = min(limits.resistance_ohm * limits.current_A, part.supply_V)
        held = physics.tip_force_of_current(part, volt / ohm)
        return held + part.hinge.gravity_Nm / part.hinge.tip_m

    def judge(self, scene: Scenario, run: Batch) -> Judgement:
        """Judge a scenario by its scores and plants."""
        scores, plants = run.scores, run.plants
        from sim.run.metrics import fault_names

        broken = [name for name, key in (("window", "outside_window"), ("off", "driven_off"),
                                         ("number", "not_finite"), ("relit", "relit"),
                                         ("kick", "kicks")) if (scores[key] != 0).any()]  # fmt: skip
        names = self._fault_names(scores["fault"])
        known = set(names) - ({fault_names()[faults.BLIND]} if self.gap else set())
        if scene.kinds and set(scene.kinds) <= set(NORMAL) and known:
            broken.append("false trip")
        shares: dict[str, float] = {}
        parts: dict[str, int] = {}
        for name, values in self._measures(scene, scores, plants).items():
            values = np.where(np.isfinite(values), values, 1e9)
            parts[name] = int(np.argmax(values))
            shares[name] = float(values.max())
            if shares[name] > 1.0:
                broken.append(name)
        if "false trip" in broken:
            parts["false trip"] = int(np.argmax(scores["fault"] != 0))
        loaded = any(kind == schedule.LOAD for _, kind, *_ in scene.rows)
        pull = 0.0 if loaded else float(plants["peak_cable_N"].max())
        return Judgement(tuple(broken), shares, parts, names, pull)

    def _fault_names(self, seen: np.ndarray) -> dict[str, int]:
        from sim.run.metrics import fault_names

        known = fault_names()
        numbers, counts = np.unique(seen[seen != 0], return_counts=True)
        return {known[int(k)]: int(n) for k, n in zip(numbers, counts, strict=True)}

    def _driven(self, scene: Scenario) -> tuple[float, float]:
        """How deep (rad) loads from outside drive a free joint into the low and the high stop.

        On a side that a load pushes to (closing is positive, a positive load opposes it): the
        work of all loads over the whole way becomes the stop's energy, T way = K x^2 / 2.
        """
        loads = [a for _, kind, a, _, _ in scene.rows if kind == schedule.LOAD]
        work = sum(abs(a) for a in loads) * self.way_rad
        deep = float(np.sqrt(2.0 * work / self.joint.part.hinge.stop_Nm_rad))
        low, high = max(loads, default=0.0), min(loads, default=0.0)
        return deep if low > 0.0 else 0.0, deep if high < 0.0 else 0.0

    def _measures(
        self, scene: Scenario, scores: np.ndarray, plants: np.ndarray
    ) -> dict[str, np.ndarray]:
        limits = self.joint.settings.limits
        found: dict[str, np.ndarray] = {}
        pushed = max(
            (abs(a) for _, kind, a, _, _ in scene.rows if kind == schedule.LOAD), default=0.0
        )
        if self.pull_N:
            # a load from outside pulls by itself, and twice as hard when it comes suddenly
            # (S. Timoshenko, "Strength of Materials", Part I: sudden load)
            thrown = 2.0 * pushed / self.joint.part.cable.joint_m
            found["tension"] = plants["peak_cable_N"] / (self.pull_N + thrown)
        if self.room_rad:
            low_room, high_room = (self.room_rad + one for one in self._driven(scene))
            found["travel"] = np.maximum(
                np.maximum(scores["high_rad"] - limits.travel_high_rad, 0.0) / high_room,
                np.maximum(limits.travel_low_rad - scores["low_rad"], 0.0) / low_room,
            )
        found["force"] = plants["peak_held_N"] / (
            self.hold_N + 2.0 * pushed / self.joint.part.hinge.tip_m
        )
        found["heat"] = scores["hottest_C"] / self.hot_C
        return found
