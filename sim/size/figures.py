"""What a choice of parts gives, before anything is printed.

Every figure is computed for the nominal part by a stated formula, or simulated;
force is also given over the part spread, because without a force sensor it is
an estimate. ``findings`` says what limits, and what to change.
"""

from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np

from controller.joint import heat as heat_model
from sim.joint import breakaway, datasheet, materials, physics, spread
from sim.joint.part import BUILTIN, DIRECT, Part, Plant
from sim.run import scenarios
from sim.run.closed_loop import Joint, joint_of
from sim.size import force, step_bound
from sim.size.findings import Finding, findings
from sim.tune import margins
from sim.units import DEG


@dataclass
class Size:
    """Figures of a joint, SI with units in the names."""

    no_load_speed_rad_s: float
    stall_force_N: float
    force_limit_N: float
    force_current_A: float
    force_at_limit_N: tuple[float, float, float]
    """Lowest 2.5 %, middle and highest 97.5 % of the parts at that current."""
    range_rad: tuple[float, float]
    force_over_range_N: list[tuple[float, float, float]]
    """(angle rad, force at the limit N, force at stall N)."""
    cable_pretension_N: float
    cable_at_limit_N: float
    cable_at_stall_N: float
    cable_impact_N: float
    cable_contact_N: float
    """Most pull over the spread of parts that run into something at full speed (``force.bound_of``)."""
    contact_N: tuple[float, float]
    """Tip force that lasts then: middle of drawn parts, and the most over the spread."""
    modes: force.ModeForces
    """What self-test and release may do."""
    tip_impact_N: float
    cable_strength_N: float | None
    bend_ratio_drum: float | None
    bend_ratio_joint: float | None
    bend_suggested: float | None
    bend_least: float | None
    cable_stretch_rad: float
    angle_per_count_rad: float
    angle_effective_rad: float
    noise_rad: float
    linearity_error_rad: float
    loading_error_rad: float
    backlash_rad: float
    resonance_Hz: float
    bandwidth_Hz: float | None
    ms: float
    time_constant_s: float
    step_bound_s: float | None
    step_rad: float
    """The step that ``step_bound_s`` speaks of: 60 deg, or what the range allows."""
    hold_s: list[tuple[float, float, float | None]]
    """(current A, tip force N, time to the hot limit s; None holds continuously)."""
    hold_for_ever_A: float
    hold_continuously_N: float
    supply_at_limit_A: float
    supply_stall_A: float
    bus_at_stall_V: float
    breakaway_V: float
    substep_s: float
    findings: list[Finding] = field(default_factory=list)

    def as_dict(self) -> dict[str, Any]:
        """Return the figures as a plain dictionary; what is unbounded becomes None."""
        return asdict(
            self,
            dict_factory=lambda rows: {
                key: None if isinstance(value, float) and not np.isfinite(value) else value
                for key, value in rows
            },
        )


def stall_current(part: Part) -> float:
    """Current (A) of the stalled motor at full supply, winding at 25 degC."""
    ohm = part.motor.resistance_25_ohm + part.motor.driver_ohm + part.supply_ohm
    return part.supply_V / ohm


def time_to_warm(part: Part, current_A: float, longest_s: float = 3600.0) -> float | None:
    """Time (s) from air temperature until the limit is lowered for the winding's heat; None never."""
    x = Plant()
    x.winding_C = x.case_C = part.heat.air_C
    step = 0.02 * part.heat.winding_K_W * part.heat.winding_J_K
    t = 0.0
    while t < longest_s:
        ohm = heat_model.resistance(part.heat.resistance_25_ohm, x.winding_C)
        heat_model.warm_up(part.heat, x, ohm * current_A**2, step)
        t += step
        if x.winding_C >= part.heat.warm_C:
            return t
    return None


def loading_error(part: Part) -> float:
    """Greatest angle error (rad) from the pull-down, before the controller undoes it.

    x(1-x)/m at its greatest is close to (4/27)/m of full scale.
    """
    m = part.sensor.load_ratio
    return 0.0 if m <= 0.0 else 4.0 / 27.0 / m * part.sensor.electrical_rad


def force_over_range(
    part: Part, low: float, high: float, amps: tuple[float, float], factor: float = 1.0
) -> list[tuple[float, float, float]]:
    """Tip force (N) at two currents (limit, stall; A) over the range of angles (rad).

    factor: measured over reckoned force, where it was calibrated.
    """
    from sim.model.arithmetic import cosine

    rows = []
    for angle in np.linspace(low, high, 25):
        scale = 1.0 + part.cable.arm_1 * angle + part.cable.arm_2 * angle**2
        weight = part.hinge.gravity_Nm * cosine(float(angle) - part.hinge.gravity_at_rad)
        lost = weight / part.hinge.tip_m
        first, second = (max(factor * physics.tip_force_of_current(part, one, float(angle)) * scale - lost, 0.0)
                         for one in amps)  # fmt: skip
        rows.append((float(angle), first, second))
    return rows


def own_bound(joint: Joint, step_rad: float = 60.0 * DEG) -> float:
    """Bang-bang bound (s) of the step made (``scenarios.step_ends``); nan where there is none."""
    start, end = scenarios.step_ends(joint.settings, step_rad)
    return step_bound.step_bound(
        joint.part, start, end, 0.02 * (end - start), joint.settings.limits.current_A
    )


def hold_table(
    part: Part, limit_A: float, factor: float = 1.0
) -> list[tuple[float, float, float | None]]:
    """Rows of (current A, tip force N, time s until derating) up to the stall current."""
    rows = []
    stall = stall_current(part)
    for amps in sorted(
        {round(share * stall, 3) for share in (0.3, 0.4, 0.5, 0.7, 1.0)} | {round(limit_A, 3)}
    ):
        rows.append(
            (amps, factor * physics.tip_force_of_current(part, amps), time_to_warm(part, amps))
        )
    return rows


def size_of(work: tuple[dict[str, Any], str]) -> Size:
    """The figures of a file's tables and path, wherever it is run. Raises InputError."""
    return size(joint_of(*work))


def size(joint: Joint) -> Size:
    """Return the figures of a joint, and what limits it."""
    part, s, file = joint.part, joint.settings, joint.file
    stall = stall_current(part)
    limit = min(s.limits.current_A, stall)
    low, high = scenarios.span_of(s)
    if file.joint.range is not None:
        low, high = file.joint.range
    step = scenarios.step_ends(s)
    middle = 0.5 * (low + high)
    cable, tip = force.impact(joint)
    held, most, pull = force.contact_spread(joint)
    ratio = physics.drum_per_joint(part)
    found = margins.margins(part, s.gains, s.tick_s, joint.delay_s)
    diameter = file.cable.diameter
    material = materials.MATERIALS.get(file.cable.material or "")
    noise = part.sensor.noise_counts * abs(s.sensor.rad_per_count)
    builtin = part.amplifier == BUILTIN
    gentle = physics.hold_current(part)
    factor = force.force_factor(file)  # what a calibration measured over what is reckoned
    stall_force = factor * physics.tip_force_of_current(part, stall)
    limit_force = factor * physics.tip_force_of_current(part, limit)
    stiff = part.cable.joint_m**2 * part.cable.flexor_N_m * (2 if part.cable.kind == 0 else 1)
    mine = Size(
        no_load_speed_rad_s=physics.no_load_speed(part, part.supply_V, 25.0, middle),
        stall_force_N=stall_force,
        force_limit_N=limit_force,
        force_current_A=limit,
        force_at_limit_N=force.force_spread(joint, limit),
        range_rad=(low, high),
        force_over_range_N=force_over_range(part, low, high, (limit, stall), factor),
        cable_pretension_N=file.cable.pretension if part.cable.kind != DIRECT else 0.0,
        cable_at_limit_N=physics.cable_of_tip_force(part, limit_force),
        cable_at_stall_N=physics.cable_of_tip_force(part, stall_force),
        cable_impact_N=cable,
        cable_contact_N=pull,
        contact_N=(held, most),
        modes=force.mode_forces(joint),
        tip_impact_N=tip,
        cable_strength_N=datasheet.cable_strength(file),
        bend_ratio_drum=2.0 * part.cable.drum_m / diameter if diameter else None,
        bend_ratio_joint=2.0 * part.cable.joint_m / diameter if diameter else None,
        bend_suggested=material.bend_ratio if material else None,
        bend_least=material.bend_least if material else None,
        cable_stretch_rad=0.0
        if part.cable.kind == DIRECT
        else limit_force * part.hinge.tip_m / stiff,
        angle_per_count_rad=part.sensor.electrical_rad / 2**file.sensor.converter_bits,
        angle_effective_rad=part.sensor.electrical_rad / 2**file.sensor.effective_bits,
        noise_rad=noise,
        linearity_error_rad=file.sensor.linearity * part.sensor.electrical_rad,
        loading_error_rad=loading_error(part),
        backlash_rad=2.0 * part.motor.half_gap_rad / ratio,
        resonance_Hz=physics.resonance_Hz(part),
        bandwidth_Hz=found.bandwidth_Hz if found.stable and not builtin else None,
        ms=float("nan") if builtin else found.ms,
        time_constant_s=physics.time_constant(part),
        step_bound_s=own_bound(joint),
        step_rad=step[1] - step[0],
        hold_s=hold_table(part, limit, factor),
        hold_for_ever_A=gentle,
        hold_continuously_N=factor * physics.tip_force_of_current(part, gentle),
        supply_at_limit_A=limit,
        supply_stall_A=stall,
        bus_at_stall_V=part.supply_V - part.supply_ohm * stall,
        breakaway_V=breakaway.breakaway_spread(file, part)[1],
        substep_s=s.tick_s / spread.substeps_for(part, s.tick_s, 5e-5),
    )
    mine.findings = findings(joint, mine)
    return mine
