"""Regression on the inverse dynamic model: open measured data, a synthetic axis, bad logs."""

import os
from pathlib import Path

import numpy as np
import pytest

from sim.errors import InputError
from sim.identify.log import parse_columns, read_csv
from sim.identify.predict import predict
from sim.identify.regression import regress

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
    made = predict(time, force, position, PUBLISHED, window_s)
    assert 1e6 * np.sqrt(np.mean((made - position) ** 2)) <= most_um
    wrong = predict(time, force, position, PUBLISHED * [1.5, 1, 1, 1], window_s)
    assert np.mean((wrong - position) ** 2) > 2.0 * np.mean((made - position) ** 2)


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


# --- logs


GOOD = "time=t[s],drive=u[V],angle=q[deg]"


def write(tmp_path, text):
    path = tmp_path / "log.csv"
    path.write_text(text, encoding="utf-8")
    return path


def rows(count=200, step=0.01, **spoil):
    lines = ["t,u,q"]
    for k in range(count):
        t, u, q = k * step, np.sin(k / 7.0), 30.0 * np.sin(k / 9.0)
        lines.append(spoil.get(f"row{k}", f"{t:.4f},{u:.6f},{q:.6f}"))
    return "\n".join(lines) + "\n"


def test_a_log_is_read_in_si_units(tmp_path):
    log = read_csv(write(tmp_path, rows()), GOOD)
    assert log.angle.max() == pytest.approx(np.deg2rad(30.0), rel=0.01)
    assert (log.drive_unit, log.angle_unit) == ("V", "rad")
    assert log.step_s == pytest.approx(0.01)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("time=t[s],drive=u[V]", "lacks the role angle"),
        ("time=t[s],drive=u[V],angle=q[kg]", "is no unit of angle"),
        ("time=t[s],drive=u[V],angle=q", "must be role=column[unit]"),
        ("time=t[s],speed=u[V],angle=q[rad]", "must be role=column[unit]"),
        ("time=t[s],time=u[s],angle=q[rad]", "twice"),
        ("time=t[s],drive=x[V],angle=q[rad]", "no such column; there are t, u, q"),
    ],
)
def test_columns_that_cannot_be_are_refused(tmp_path, text, says):
    with pytest.raises(InputError, match=r".*") as caught:
        read_csv(write(tmp_path, rows()), text)
    assert says in str(caught.value)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "needs a header"),
        ("t,u,q\n", "needs a header"),
        (rows(3), "too few"),
        (rows(row50="0.5,x,1"), "line 52"),
        (rows(row50="0.5,1"), "has 2 cells"),
        (rows(row50="0.3,1,1"), "must rise from row to row"),
        (rows(row50="0.49,1,1"), "must rise from row to row"),
        (rows(row50="nan,1,1"), "is no number"),
        (rows(**{f"row{k}": f"{k / 100},nan,1" for k in range(40, 60)}), "hold no number"),
        ("t,u,q\n" + "".join(f"{k / 100},1.0,{k % 7}\n" for k in range(100)), "is constant"),
        ("t,u,q\n" + "".join(f"{k / 100},{k % 5},2.0\n" for k in range(100)), "is constant"),
        ("t,u,q\n" + "".join(f"{k / 100 + (k > 50) * 5},{k % 5},{k % 7}\n" for k in range(100)),
         "more than a tenth"),
    ],
)  # fmt: skip
def test_a_bad_log_is_refused_by_name_and_place(tmp_path, text, says):
    path = write(tmp_path, text)
    with pytest.raises(InputError) as caught:
        read_csv(path, GOOD)
    assert says in str(caught.value)
    assert str(path) in str(caught.value)


def test_repairs_are_told(tmp_path):
    text = rows(row60="0.60,,1").rstrip("\n") + "\n1.99,0.5"
    log = read_csv(write(tmp_path, text), GOOD)
    told = " ".join(log.remarks)
    assert "torn" in told
    assert "1 rows without a number were bridged" in told
    gap = rows().split("\n")
    log = read_csv(write(tmp_path, "\n".join(gap[:100] + gap[105:])), GOOD)
    assert "1 gaps (5 samples) were bridged" in " ".join(log.remarks)


def test_saturation_and_a_one_way_log_are_told(tmp_path):
    lines = ["t,u,q"] + [f"{k / 100},{min(k / 50, 1.0)},{k}" for k in range(200)]
    log = read_csv(write(tmp_path, "\n".join(lines) + "\n"), GOOD)
    told = " ".join(log.remarks)
    assert "saturated" in told
    assert "hardly any reversal" in told


def test_columns_are_parsed_whatever_the_order():
    assert parse_columns("angle=q[m], time=t [s],drive=f[N]")["angle"] == ("q", "m")
