"""The quickest possible step: full drive, full brake, off (bang-bang), by search.

For one part with its own voltage and current limit, on the nonlinear plant: the
drive is +u until ``t1``, then -u until the drum stands, then 0. What comes out
is the time after which the joint stays within a band of the target.
"""

from controller.records import Record, integer, real
from sim.model import plant

MYPY = False
if MYPY:  # types are for the checker only: a board has no typing module
    from typing import Any

    from sim.joint.part import Part, Plant


def limited_voltage(p: "Part", x: "Plant", sign: float, amps: float) -> float:
    """Voltage (V) of full drive in a direction, its current limited to ``amps``.

    Driving is limited, braking is not: the same window as the controller's.
    """
    k = p.motor.emf_V_s
    ohm = p.motor.resistance_25_ohm + p.motor.driver_ohm
    emf = k * x.drum_rad_s * sign
    most = (emf if emf > 0.0 else 0.0) + ohm * amps
    if most > p.supply_V:
        most = p.supply_V
    return sign * most


class Switching(Record):
    """What all switching plans of a step share."""

    sign = real(1.0)
    "Direction of the step, +1 or -1."
    amps_A = real(0.0, "A")
    "Limit of the driving current."
    target_rad = real(0.0, "rad")
    band_rad = real(0.0, "rad")
    ticks = integer(0, "tick")
    substeps = integer(1)
    "Substeps in a tick: the voltage is held for so many."
    substep_s = real(0.0, "s")


def switch_run(p: "Part", x: "Plant", plan: "Switching", t1: float) -> float:
    """Run one plan that brakes from ``t1`` (s) on; return the last time (s) outside the band.

    A drum that has stopped is left alone.
    """
    braking = 0
    out = 0.0
    sign, amps = plan.sign, plan.amps_A
    tick = plan.substep_s * plan.substeps
    for n in range(plan.ticks):
        t = n * tick
        if braking == 0 and t >= t1:
            braking = 1
        if braking == 1 and x.drum_rad_s * sign <= 0.0:
            braking = 2
        u = 0.0
        if braking == 0:
            u = limited_voltage(p, x, sign, amps)
        elif braking == 1:
            u = limited_voltage(p, x, -sign, amps)
        plant.run_substeps(p, x, u / p.supply_V, plan.substeps, plan.substep_s)
        away = x.joint_rad - plan.target_rad
        if away > plan.band_rad or away < -plan.band_rad:
            out = t + tick
    return out


def switch_many(
    parts: "Any", plants: "Any", plan: "Switching", times: "Any", results: "Any"
) -> None:
    """Run part k with switching time times[k]; write results[k]."""
    for k in range(len(times)):
        results[k] = switch_run(parts[k], plants[k], plan, times[k])
