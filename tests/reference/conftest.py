"""What the outside checks share: the parts they run on, and two small helpers."""

from copy import deepcopy
from pathlib import Path

import numpy as np
import pytest

from sim.joint import file as joint_file
from sim.joint.part import DIRECT, Part
from sim.run import kernels
from sim.run.closed_loop import load_joint


def direct_motor() -> Part:
    """Motor of the position example: one body, no friction, no losses.

    A published university tutorial on DC motor position control (1990s pages
    and 2011 revision): J = 3.2284e-6 kg m^2, b = 3.5077e-6 N m s, K = 0.0274,
    R = 4 ohm. Its inductance (2.75 uH) is left out here.
    """
    part = Part()
    m = part.motor
    m.resistance_25_ohm, m.driver_ohm = 4.0, 0.0
    m.emf_V_s, m.emf_per_K = 0.0274, 0.0
    m.viscous_Nms = 3.5077e-6
    m.coulomb_Nm = m.stiction_Nm = m.load_loss = m.half_gap_rad = 0.0
    j = part.hinge
    m.inertia, j.inertia = 3.0e-6, 3.2284e-6 - 3.0e-6
    j.viscous_Nms = j.coulomb_Nm = j.stiction_Nm = j.gravity_Nm = 0.0
    j.stops = 0
    part.cable.kind = DIRECT
    part.supply_V, part.supply_ohm = 1.0, 0.0  # the duty is then the voltage
    part.heat.winding_J_K = 1.0e15  # stays at 25 degC
    return part


def smooth_pair() -> Part:
    """Nominal pair of cables without dry friction, gravity, stops and backlash."""
    part = Part()
    m = part.motor
    m.coulomb_Nm = m.stiction_Nm = m.load_loss = m.half_gap_rad = m.emf_per_K = 0.0
    j = part.hinge
    j.coulomb_Nm = j.stiction_Nm = j.gravity_Nm = 0.0
    j.stops = 0
    part.cable.wrap_loss = 0.0
    part.supply_ohm = 0.0
    part.heat.winding_J_K = 1.0e15  # stays at 25 degC
    return part


def first_harmonic(output: np.ndarray) -> complex:
    """First Fourier coefficient of one period; a unit sine in gives 1."""
    phase = 2.0 * np.pi * np.arange(len(output)) / len(output)
    return complex(2j * np.mean(output * np.exp(-1j * phase)))


@pytest.fixture
def motor() -> Part:
    return direct_motor()


@pytest.fixture
def pair() -> Part:
    return smooth_pair()


@pytest.fixture(scope="session")
def harmonic():
    return first_harmonic


@pytest.fixture(scope="session")
def nominal():
    return load_joint(Path(__file__).parents[1] / "data" / "nominal.toml")


@pytest.fixture(scope="session")
def changed(nominal):
    """A function: the nominal joint's file with keys of some tables changed."""

    def change(**tables):
        rows = deepcopy(nominal.tables)
        for table, keys in tables.items():
            rows[table].update(keys)
        return joint_file.check(rows, "changed")

    return change


@pytest.fixture(scope="session")
def twin():
    return kernels.twin()
