"""Stiction that holds, friction that only takes: statements of mechanics without a solver."""

import numpy as np
import pytest

from sim.joint.part import Part, Plant
from sim.joint.spread import highest_mode
from sim.run import kernels


def holding_load():
    """Greatest load (N m) that friction of the unpowered nominal joint holds.

    Motor stiction over 1 - mu_g (the gear's loss grows with what it carries),
    hinge, and guides at the pretension of both cables.
    """
    part = Part()
    m, c = part.motor, part.cable
    guides = c.wrap_loss * c.joint_m * 2.0 * c.flexor_N_m * c.flexor_stretch_m
    motor = m.stiction_Nm / (1.0 - m.load_loss) * c.joint_m / c.drum_m
    return motor + part.hinge.stiction_Nm + guides


def loaded(twin, load_Nm):
    """States of the unpowered nominal joint 0.5, 5 and 10 s after a slow load."""
    part = Part()
    part.hinge.gravity_Nm = 0.0
    parts, plants = kernels.as_array([part]), kernels.as_array([Plant()])
    states = []
    for k in range(12_001):
        plants[0]["load_Nm"] = load_Nm * min(1.0, k / 2000)
        twin.plant.run_substeps(parts[0], plants[0], 0.0, 20, 5e-5)
        if k in (2500, 7000, 12_000):
            names = ("drum_rad", "joint_rad", "drum_rad_s", "joint_rad_s")
            states.append(tuple(float(plants[0][one]) for one in names))
    return states


@pytest.mark.parametrize("share", [0.7, 0.97])
def test_a_held_load_stands_exactly_still(twin, share):
    # Coulomb: below the sum of the friction levels nothing moves, for ever
    states = loaded(twin, share * holding_load())
    assert states[0] == states[1] == states[2]
    assert states[0][2:] == (0.0, 0.0)
    assert states[0][0] == 0.0  # the drum has not moved
    assert states[0][1] < -0.01  # backlash and cable stretch are taken up


@pytest.mark.parametrize("share", [1.03, 1.4])
def test_a_load_above_friction_moves_the_joint(twin, share):
    states = loaded(twin, share * holding_load())
    assert states[-1][0] < -0.1  # the drum has been pulled round
    assert states[-1][1] < -0.1


def energy(part, x):
    """Kinetic and elastic energy (J) of drum, joint and taut cables."""
    c = part.cable
    s = c.drum_m * x["drum_rad"] - c.joint_m * x["joint_rad"]
    kinetic = part.motor.inertia * x["drum_rad_s"] ** 2 + part.hinge.inertia * x["joint_rad_s"] ** 2
    return 0.5 * (kinetic + (c.flexor_N_m + c.extensor_N_m) * s * s)


def free_energies(twin, part, steps):
    """Energy after each substep of a free run without drive or damping."""
    c, x = part.cable, Plant()
    c.flexor_stretch_m = c.extensor_stretch_m = 4e-3  # always taut
    part.motor.viscous_Nms = part.cable.damping_Ns_m = 0.0
    x.motor_open, x.drum_rad_s, x.joint_rad_s = 1, 6.0, -20.0
    parts, plants = kernels.as_array([part]), kernels.as_array([x])
    found = np.zeros(steps)
    for k in range(steps):
        found[k] = energy(part, plants[0])
        twin.plant.run_substeps(parts[0], plants[0], 0.0, 1, 5e-5)
    return found, plants[0]


def test_energy_is_kept_without_friction(twin, pair):
    # a symmetric splitting oscillates about the true energy but does not drift: E. Hairer,
    # C. Lubich, G. Wanner, Geometric Numerical Integration, 2nd ed. 2006, ch. IX (from memory)
    found, _ = free_energies(twin, pair, 40_000)
    assert np.abs(found / found[0] - 1.0).max() < (5e-5 * highest_mode(pair)) ** 2 / 4.0
    assert found[-4000:].mean() == pytest.approx(found[:4000].mean(), rel=1e-5)


def test_energy_never_grows_with_friction_alone(twin, pair):
    pair.motor.coulomb_Nm, pair.motor.stiction_Nm = 0.02, 0.03
    pair.hinge.coulomb_Nm, pair.hinge.stiction_Nm = 1e-3, 1.2e-3
    pair.motor.load_loss, pair.cable.wrap_loss = 0.2, 0.18
    found, end = free_energies(twin, pair, 8000)
    least = np.minimum.accumulate(found)
    # the splitting's own oscillation, see above; nothing beyond it
    assert (found - least).max() < (5e-5 * highest_mode(pair)) ** 2 / 4.0 * found[0]
    assert np.all(found[6000:] == found[6000])  # it has come to rest, for good
    assert (end["drum_rad_s"], end["joint_rad_s"]) == (0.0, 0.0)
    assert found[-1] < 0.5 * found[0]


def test_one_body_with_friction_only_ever_slows_down(twin, motor):
    motor.motor.coulomb_Nm, motor.motor.stiction_Nm = 1e-4, 2e-4
    motor.motor.viscous_Nms = 0.0
    x = Plant()
    x.motor_open, x.joint_rad_s = 1, 3.0
    parts, plants = kernels.as_array([motor]), kernels.as_array([x])
    speeds = np.zeros(4000)
    for k in range(len(speeds)):
        speeds[k] = plants[0]["joint_rad_s"]
        twin.plant.run_substeps(parts[0], plants[0], 0.0, 1, 5e-5)
    assert np.all(np.diff(speeds) <= 0.0)
    assert speeds[-1] == 0.0
    # Coulomb: it stops after J w / F = 97 ms, sooner by what Stribeck's peak takes
    stop_s = 5e-5 * np.argmax(speeds == 0.0)
    assert 0.8 * 3.2284e-6 * 3.0 / 1e-4 < stop_s < 3.2284e-6 * 3.0 / 1e-4
