"""Joints whose constants differ from their file: drawn, recorded in simulation, and the truth."""

from math import cos, exp, log, sin

import numpy as np

from sim.identify.excite import excitation
from sim.identify.explain import moved
from sim.identify.products import COMBINATIONS
from sim.identify.space import EVEN, ODD, Axis, axes_of
from sim.joint.identified import LOGARITHMIC
from sim.joint.spread import draw_parts, spread_of
from sim.run.closed_loop import simulate
from sim.run.scenarios import LEAD_S

DEG = 57.29577951308232


def hidden_parts(joint, count, seed):
    """Parts drawn from the joint's spread, cold."""
    return draw_parts(joint.part, spread_of(joint.file), count, seed)[0]


def recorded(joint, part, seconds, seed, warmth_C=25.0):
    """Run the excitation on a part: its trace, from the first powered row on."""
    scene = excitation(joint.settings, seconds).scenario()
    trace = simulate(joint, scene, part, warmth_C, seed=seed)
    on = slice(round(LEAD_S / trace.tick_s) + 2, None)
    assert trace.metrics.fault == "none", "the excitation must not trip"
    return trace, (trace["time_s"][on], trace["angle_rad"][on], trace["allowed_V"][on])


def truth(joint, part):
    """Raw numbers of a part (logarithm of the factor, or value) by name."""
    n, p = joint.part, part
    pull = p.cable.flexor_N_m * p.cable.flexor_stretch_m
    rows = {
        "torque_constant": (p.motor.emf_V_s, n.motor.emf_V_s),
        "resistance": (p.motor.resistance_25_ohm, n.motor.resistance_25_ohm),
        "motor_friction": (p.motor.coulomb_Nm, n.motor.coulomb_Nm),
        "stiction_ratio": (p.motor.stiction_Nm, p.motor.coulomb_Nm),
        "motor_damping": (p.motor.viscous_Nms, n.motor.viscous_Nms),
        "rotor_inertia": (p.motor.inertia, n.motor.inertia),
        "backlash": (p.motor.half_gap_rad, n.motor.half_gap_rad),
        "radius_ratio": (p.cable.joint_m / p.cable.drum_m, n.cable.joint_m / n.cable.drum_m),
        "stiffness": (p.cable.flexor_N_m, n.cable.flexor_N_m),
        "cable_damping": (p.cable.damping_Ns_m, n.cable.damping_Ns_m),
        "pretension": (pull, n.cable.flexor_N_m * n.cable.flexor_stretch_m),
        "wrap_loss": (p.cable.wrap_loss, n.cable.wrap_loss),
        "joint_inertia": (p.hinge.inertia, n.hinge.inertia),
        "joint_friction": (p.hinge.coulomb_Nm, n.hinge.coulomb_Nm),
        "stribeck_speed": (p.motor.stribeck_rad_s, n.motor.stribeck_rad_s),
    }
    found = {name: log(mine / other) for name, (mine, other) in rows.items()}
    found["load_loss"] = p.motor.load_loss - n.motor.load_loss
    found["gravity_cos"] = p.hinge.gravity_Nm * cos(p.hinge.gravity_at_rad)
    found["gravity_sin"] = p.hinge.gravity_Nm * sin(p.hinge.gravity_at_rad)
    return found


def held_against(joint, part, found):
    """Errors of a fit: name to (error in deviations of its interval, error of the raw number)."""
    rows, true = {}, truth(joint, part)
    for axis, z in zip(found.axes, found.z, strict=True):
        raw = true[axis.name]
        value = exp(raw) if axis.name in LOGARITHMIC else raw
        middle = log(max(axis.value(z), 1e-3)) if axis.name in LOGARITHMIC else axis.value(z)
        off = (z - axis.standard(value)) / found.deviation(axis.name)
        rows[axis.name] = (off, middle - raw)
    for name, (_, _, what) in COMBINATIONS.items():
        middle, deviation = found.combination(what)
        error = middle - log(what(part))
        rows[name] = (error / deviation, error)
    gap = 2.0 * joint.part.motor.half_gap_rad * DEG
    rows["backlash_deg"] = (
        rows["backlash"][0],
        gap * (np.exp(rows["backlash"][1] + true["backlash"]) - np.exp(true["backlash"])),
    )
    return rows


def recorded_with(joint, name, place, seed=3):
    """The excitation, 14 s, on the file's part with one number moved by so many deviations ("none": none)."""
    axis = next((one for one in axes_of(joint) if one.name == name), Axis(name, 0.0, 0.0, False))
    part = moved(joint.part, axis, place)
    if name in (EVEN, ODD):
        bend = 0.5 * joint.file.sensor.linearity * place
        setattr(part.sensor, name.removeprefix("sensor_") + "_error", bend)
    return recorded(joint, part, 14.0, seed)[1]
