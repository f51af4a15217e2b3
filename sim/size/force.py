"""Force at the fingertip over the part spread: at the limit, running into something, self-test, release.

Without a force sensor every force is an estimate: what is told is told over drawn parts.
"""

from dataclasses import dataclass

import numpy as np

from controller.joint import heat as heat_model
from controller.joint.modes import RELEASE
from controller.joint.settings.settings import LIMITED
from sim.joint import physics, spread
from sim.joint.file import JointFile
from sim.joint.part import Part
from sim.joint.spread import Entry
from sim.model import schedule
from sim.run import scenarios
from sim.run.closed_loop import Fleet, Joint
from sim.run.scenarios import LEAD_S, Scenario

PASSING = ("supply", "supply_resistance", "winding_temperature")
"""Spread entries that a force calibration does not settle: they change from day to day."""


FURTHEST = 4.5
"""Deviations above the mean of drawn parts that are told as "at most" (``bound_of``)."""
CONTACT_PARTS = 250
RUN_UPS = (0.06, 0.1, 0.25, 0.4, 0.7)
"""Where something is hit, in shares of the way: gains decide which is worst, a short one or a long."""
SOFT_RUN_UPS = (0.25, 0.7)
HARD_Nm_rad = 30.0
SOFT_Nm_rad = 2.0


@dataclass(frozen=True)
class ModeForces:
    """What each powered mode may do beside the limit in force; N, over the spread."""

    self_test_N: float
    """Most at the fingertip while the arming self-test meets something."""
    release_N: float
    """Most at the fingertip of the reverse move of a release."""
    release_cable_N: float
    """Pull of the cable that opens, then."""

    def above(self, limit_N: float) -> bool:
        """Tell whether the self-test may press harder than a limit (N)."""
        return self.self_test_N > limit_N


def drawn_parts(
    joint: Joint, count: int, seed: int, calibrated: bool | None = None
) -> list[tuple[Part, float]]:
    """Parts of the file's spread with the resistance (ohm) of winding and bridge, drawn warm.

    A force calibration has measured this very part: then only what changes from day to day is
    drawn (``PASSING``).
    """
    entries = spread.spread_of(joint.file)
    mine = is_force_calibrated(joint.file) if calibrated is None else calibrated
    if mine:
        for key, entry in entries.items():
            if key not in PASSING:
                still = 0.0 if entry.unit == "+" else 1.0
                if entry.unit not in ("", "+"):  # a value, not a factor: its middle
                    still = 0.5 * (entry.low + entry.high)
                entries[key] = Entry("uniform", still, still, entry.unit, entry.meaning)
        entries.known = None
    parts, warmth = spread.draw_parts(joint.part, entries, count, seed)
    found = []
    for part, warm in zip(parts, warmth, strict=True):
        r25 = part.motor.resistance_25_ohm
        if mine and joint.settings.heat.resistance_25_ohm > 0.0:
            r25 = joint.settings.heat.resistance_25_ohm  # the calibrated one, where it was measured
        found.append((part, heat_model.resistance(r25, warm) + part.motor.driver_ohm))
    return found


def forces_at(
    joint: Joint, volt: float, count: int = 1000, seed: int = 1, calibrated: bool | None = None
) -> np.ndarray:
    """Tip force (N) that drawn parts hold at a voltage (V) at standstill, or at their own supply's."""
    mine = is_force_calibrated(joint.file) if calibrated is None else calibrated
    factor = force_factor(joint.file) if mine else 1.0
    return np.array([factor * physics.tip_force_of_current(part, min(volt, part.supply_V) / ohm)
                     for part, ohm in drawn_parts(joint, count, seed, mine)])  # fmt: skip


def force_spread(
    joint: Joint, amps: float, count: int = 1000, seed: int = 1, calibrated: bool | None = None
) -> tuple[float, float, float]:
    """Tip force (N) held over drawn parts at the voltage that limits to ``amps``: 2.5, 50, 97.5 %.

    The limit is a voltage by the nominal cold resistance, so each part draws its
    own current from it: I = R_limit amps / R_part.
    """
    volt = joint.settings.limits.resistance_ohm * amps
    forces = forces_at(joint, volt, count, seed, calibrated)
    low, middle, high = np.percentile(forces, (2.5, 50.0, 97.5))
    return float(low), float(middle), float(high)


def is_force_calibrated(file: JointFile) -> bool:
    """Tell whether the force of this very part was measured (``jointloop calibrate --force``)."""
    return file.calibration is not None and file.calibration.force_factor is not None


def force_factor(file: JointFile) -> float:
    """Measured over estimated fingertip force; 1 where it was not measured."""
    found = file.calibration.force_factor if file.calibration is not None else None
    return 1.0 if found is None else found


def force_doubt(joint: Joint, calibrated: bool | None = None) -> float:
    """How far the tip force at the limit may be off, as a share: the wider half of ``force_spread``.

    The one source of this figure: what ``size``, ``calibrate`` and the bench page say.
    calibrated: as if the force had (not) been calibrated; None as the joint file says.
    """
    low, middle, high = force_spread(joint, joint.settings.limits.current_A, calibrated=calibrated)
    return max(high / middle - 1.0, 1.0 - low / middle) if middle > 0.0 else 1.0


def bound_of(values: np.ndarray) -> float:
    """What is told as "at most" of drawn parts: mean and 4.5 deviations, no less than the greatest.

    The greatest of the parts drawn is no bound of the next ones; of 2,000 others none lay above this
    (``tests/bench/limits.py``).
    """
    return float(max(values.max(), values.mean() + FURTHEST * values.std()))


def mode_forces(joint: Joint) -> ModeForces:
    """What self-test and release may do: their voltages on the strongest parts of the spread.

    The self-test ramps up to ``check_V``, inside the window of ``check_current_A``; a release
    pulls with ``release_V`` away from what was pressed on, so its force meets what lies behind.
    """
    s = joint.settings
    window = s.limits.check_current_A * s.limits.resistance_ohm
    test = min(s.stopping.check_V, window)
    back = min(s.stopping.release_V, window)
    pulls = [physics.cable_of_tip_force(part, physics.tip_force_of_current(part, min(back, part.supply_V) / ohm))
             for part, ohm in drawn_parts(joint, 1000, 1)]  # fmt: skip
    return ModeForces(
        bound_of(forces_at(joint, test)),
        bound_of(forces_at(joint, back)),
        bound_of(np.array(pulls)),
    )


def contact_scenes(joint: Joint) -> list[Scenario]:
    """Moves at full speed into something hard after run-ups of several lengths, and something soft."""
    low, high = scenarios.span_of(joint.settings)
    if joint.settings.sensor.travel == LIMITED:
        low, high = joint.settings.limits.command_low_rad, joint.settings.limits.command_high_rad
    else:
        low, high = low - 1.0, high + 1.0
    kinds = ((RUN_UPS, HARD_Nm_rad, "hard"), (SOFT_RUN_UPS, SOFT_Nm_rad, "soft"))
    return [scenarios.contact(low, high, low + share * (high - low), stiffness, name)
            for shares, stiffness, name in kinds for share in shares]  # fmt: skip


def contact_forces(joint: Joint, fleet: Fleet) -> tuple[np.ndarray, np.ndarray]:
    """Tip force (N, what lasts 50 ms) and cable pull (N) of each part in the worse contact."""
    runs = [fleet.run(joint.settings, scene) for scene in contact_scenes(joint)]
    held, pull = (np.max([run.plants[key] for run in runs], axis=0)
                  for key in ("peak_held_N", "peak_cable_N"))  # fmt: skip
    return held, pull


def contact_spread(
    joint: Joint, count: int = CONTACT_PARTS, seed: int = 1
) -> tuple[float, float, float]:
    """Simulated over drawn parts: middle and bound of the held tip force (N), bound of the pull (N)."""
    entries = spread.spread_of(joint.file)
    parts, warmth = spread.draw_parts(joint.part, entries, count, seed)
    fleet = Fleet(parts, warmth, joint.settings.tick_s, joint.delay_s, seed)
    held, pull = contact_forces(joint, fleet)
    return float(np.median(held)), bound_of(held), bound_of(pull)


def impact(joint: Joint) -> tuple[float, float]:
    """Cable tension and tip force (N) of the nominal part closing on a hard object at full speed."""
    fleet = Fleet([joint.part], [25.0], joint.settings.tick_s, joint.delay_s, 1)
    found = fleet.run(joint.settings, contact_scenes(joint)[len(RUN_UPS) - 1])
    return float(found.plants["peak_cable_N"][0]), float(found.plants["peak_tip_N"][0])


def self_test_scene(joint: Joint) -> Scenario:
    """Arming with something hard right at the fingertip."""
    low, high = scenarios.span_of(joint.settings)
    start = 0.5 * (low + high) - 0.01  # the first stroke closes below the middle
    scene = Scenario("self_test", start, 0.1 + 2.0 * joint.settings.stopping.check_s,
                     object_Nm_rad=HARD_Nm_rad, self_test=True)  # fmt: skip
    return scene.at(0.0, schedule.OBJECT, start, HARD_Nm_rad, 0.0)


def release_scene(joint: Joint) -> Scenario:
    """Pressed on something soft, then a release."""
    low, high = scenarios.span_of(joint.settings)
    scene = scenarios.contact(low, high, 0.5 * (low + high), SOFT_Nm_rad, "release", grip=True)
    return scene.at(LEAD_S + 1.2, schedule.REQUEST, float(RELEASE))
