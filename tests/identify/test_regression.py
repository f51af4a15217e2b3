"""Regression on the inverse dynamic model: open measured data, a synthetic axis, bad logs."""

import os
from pathlib import Path

import numpy as np
import pytest

from sim.identify.axis.axis_fit import AxisFit, Stretch
from sim.identify.axis.axis_model import model_of
from sim.identify.axis.log import Log
from sim.identify.axis.predict import predict
from sim.identify.axis.regression import regress

# A. Janot, M. Gautier, M. Brunot, "Data Set and Reference Models of EMPS", Workshop on Nonlinear
# System Identification Benchmarks, Eindhoven, 2019: kg, N/(m/s), N, N.
PUBLISHED = np.array([95.1089, 203.5034, 20.3935, -3.1648])
AXIS = np.array([2.0, 5.0, 1.5, 0.2])


@pytest.fixture(scope="session")
def emps():
    """Time (s), force (N), position (m) of the measured axis; not ours to ship."""
    from scipy.io import loadmat

    folder = os.environ.get("JOINTLOOP_DATA")
    if folder is None or not (Path(folder) / "emps" / "DATA_EMPS.mat").exists():
        pytest.skip("JOINTLOOP_DATA names no folder with emps/DATA_EMPS.mat")
    data = loadmat(Path(folder) / "emps" / "DATA_EMPS.mat")
    one = {key: np.asarray(data[key], float).ravel() for key in ("t", "vir", "qm")}
    return one["t"], one["vir"] * float(np.asarray(data["gtau"]).ravel()[0]), one["qm"], one["vir"]


def test_the_published_parameters_of_a_measured_axis(emps):
    time, force, position, _ = emps
    found = regress(time, force, position)
    assert found.names == ["inertia", "viscous", "coulomb", "offset"]
    assert np.abs(found.values / PUBLISHED - 1.0).max() <= 0.005
    assert found.condition < 100.0  # Gautier and Khalil, from memory
    assert (np.abs(found.values - PUBLISHED) <= 1.96 * found.deviations).all()


@pytest.mark.parametrize("phase", range(5))
def test_the_same_from_a_coarse_log(emps, phase):
    """12-bit position, 8-bit drive, 200 Hz."""
    time, force, position, volt = emps
    gain = float(np.median(force[volt != 0.0] / volt[volt != 0.0]))
    step_m, step_V = 0.25 / 4096, 20.0 / 256
    rows = slice(phase, None, 5)
    coarse = np.round(position[rows] / step_m) * step_m
    drive = np.round(volt[rows] / step_V) * step_V * gain
    found = regress(time[rows], drive, coarse)
    assert np.abs(found.values / PUBLISHED - 1.0).max() <= 0.02


@pytest.mark.parametrize(("window_s", "most_um"), [(0.1, 77.0), (0.01, 1.1)])
def test_the_model_predicts_the_measured_axis(emps, window_s, most_um):
    """Begun anew every window: bounds are those of an own study with the published values."""
    time, force, position, _ = emps
    stretch = [Stretch(float(np.median(np.diff(time))), force, position)]

    def rms(values):
        made = AxisFit(
            ["inertia", "viscous", "coulomb", "offset"], values, np.zeros((4, 4)), 30, 0, 0.0, 0.0
        )
        return predict(made, stretch, False, window_s).free_rms

    assert 1e6 * rms(PUBLISHED) <= most_um
    assert rms(PUBLISHED * [1.5, 1, 1, 1]) > 1.1 * rms(PUBLISHED)


def test_a_log_of_the_measured_axis_is_fitted_by_regression(emps):
    """Its friction depends on position: free runs drift (the data's own page says so), and it is told."""
    time, force, position, _ = emps
    made = model_of(
        [
            Log(
                "emps",
                [Stretch(float(np.median(np.diff(time))), force, position)],
                time,
                False,
                "N",
                "m",
            )
        ]
    )
    assert made.how == "regression"
    assert np.abs(made.fit.values / PUBLISHED - 1.0).max() <= 0.0035
    assert (np.abs(made.fit.values - PUBLISHED) <= made.fit.factor * made.fit.deviations).all()


def axis(seconds=20.0, rate=500.0, noise=0.0, gravity=0.0, seed=1):
    """A synthetic axis on a known path: its drive follows from the model itself."""
    t = np.arange(0.0, seconds, 1.0 / rate)
    tones = ((0.5, 0.4), (1.1, 0.3), (2.3, 0.15))
    w = [2.0 * np.pi * f for f, _ in tones]
    q = sum(a * np.sin(x * t + k) for k, (x, (_, a)) in enumerate(zip(w, tones, strict=True)))
    v = sum(a * x * np.cos(x * t + k) for k, (x, (_, a)) in enumerate(zip(w, tones, strict=True)))
    a2 = sum(
        -a * x * x * np.sin(x * t + k) for k, (x, (_, a)) in enumerate(zip(w, tones, strict=True))
    )
    drive = AXIS[0] * a2 + AXIS[1] * v + AXIS[2] * np.sign(v) + AXIS[3] + gravity * np.sin(q)
    rng = np.random.default_rng(seed)
    return t, drive + noise * rng.normal(size=len(t)), q


def test_a_synthetic_axis_is_found():
    found = regress(*axis())
    assert found.values == pytest.approx(AXIS, rel=0.01)


def test_gravity_is_found_when_asked_for():
    found = regress(*axis(gravity=3.0), gravity=True)
    assert found.value("gravity_sin") == pytest.approx(3.0, rel=0.02)
    assert abs(found.value("gravity_cos")) < 0.1
    assert found.values[:4] == pytest.approx(AXIS, rel=0.02)


def test_deviations_cover_the_truth():
    """40 noisy logs: 95 % intervals of four parameters hold the truth in 88 to 100 %."""
    inside = []
    for seed in range(40):
        found = regress(*axis(noise=1.0, seed=seed), cutoff_Hz=20.0)
        inside.append(np.abs(found.values - AXIS) <= 1.96 * found.deviations)
    assert 0.88 <= np.mean(inside) <= 1.0


def test_rows_that_are_no_measurement_are_left_out():
    t, drive, q = axis(noise=0.1)
    spoiled = drive.copy()
    spoiled[2000:2040] += 400.0
    assert regress(t, spoiled, q, 20.0).values == pytest.approx(AXIS, rel=0.03)
