"""Constants of an axis by free runs, on logs whose truth is known and integrated elsewhere."""

import numpy as np
import pytest

from sim.identify.axis import predict
from sim.identify.axis.axis_fit import (
    NAMES,
    AxisFit,
    Stretch,
    fit_axis,
    moving,
    noise_of,
    resolution_of,
)
from sim.identify.axis.axis_model import model_of
from sim.identify.axis.log import Log
from sim.run import kernels
from tests.identify.axis_logs import KINDS, TRUE, axis_log, covered, moved


def test_the_exact_run_is_that_of_a_fine_integration():
    """Reversals and stops inside a row included: 2.5 us steps of other code."""
    h = 0.01
    t = np.arange(0.0, 3.0, h)
    drive = 1.1 * np.sin(2.0 * np.pi * 0.7 * t) + 0.6 * np.sin(2.0 * np.pi * 2.1 * t)
    fine = moved(np.repeat(drive, 8), h / 8, 0.3, **TRUE)
    angle, speed = np.zeros(len(t)), np.zeros(len(t))
    values = np.array([*TRUE.values(), 0.0, 0.0])
    kernels.twin().axis_loop.follow_axis(values, drive, 0.3, 0.0, h, angle, speed)
    assert (speed == 0.0).sum() > 20, "it stands now and then"
    assert np.abs(angle - fine[0][::8]).max() < 2e-4  # the other's own first-order error
    assert np.abs(speed - fine[1][::8]).max() < 2e-3


@pytest.mark.parametrize("kind", KINDS)
def test_intervals_cover_and_are_narrow(kind):
    """Ten draws a kind at two sensors; the bench has fifty at four."""
    hits = []
    for seed in range(10):
        stretch, true = axis_log(
            kind, 500 if seed % 2 else 200, "encoder" if seed % 2 else "12bit", seed
        )
        found = fit_axis([stretch])
        hits.append(covered(found, true))
        assert found.value("coulomb") == pytest.approx(0.7 + (kind == "one-way") * 0.05, abs=0.02)
        assert found.untold == []
    hits = np.array(hits)
    assert hits.mean() >= 0.85  # of 95 %: 40 intervals, less than 34 of them once in ten thousand
    assert np.abs(found.factor * found.deviations[:3] / found.values[:3]).max() < 0.05


def test_a_one_way_log_says_that_offset_and_friction_are_one():
    for seed in range(5):
        found = fit_axis([axis_log("one-way", 500, "12bit", seed)[0]])
        assert "offset" not in found.names
        assert any("move it both ways" in one for one in found.remarks)


def test_a_slow_log_does_not_tell_inertia():
    t = np.arange(0.0, 60.0, 0.01)
    drive = 0.05 + 1.6 * np.clip(4.0 * np.abs((t / 30.0) % 1.0 - 0.5) - 1.0, -1.0, 1.0)
    for seed in range(5):
        angle, _ = moved(drive, 0.01, 0.0, **{**TRUE, "inertia": 0.002})
        rough = angle + 0.01 * np.random.default_rng(seed).normal(size=len(t))
        found = fit_axis([Stretch(0.01, drive, rough)])
        assert "inertia" in found.untold
        assert any(one.startswith("inertia is not told") for one in found.remarks)


def test_pauses_change_nothing():
    """Rest tells nothing of friction in motion: it is left out."""
    t = np.arange(0.0, 12.0, 0.002)
    steps = np.where(t % 2.0 < 1.0, 4.0, 0.0) * np.where(t % 4.0 < 2.0, 1.0, -1.0)
    hits = []
    for seed in range(8):
        drive = np.concatenate([steps, np.zeros(len(t)), steps, np.full(len(t), 0.3)])
        rough = moved(drive, 0.002, 0.2, **TRUE)[0] + 1e-3 * np.random.default_rng(seed).normal(
            size=len(drive)
        )
        found = fit_axis([Stretch(0.002, drive, rough)])
        hits.append(covered(found, TRUE)[2])
        assert found.value("coulomb") == pytest.approx(0.7, rel=0.02)
    assert sum(hits) >= 6


def test_a_speed_will_do_instead_of_an_angle():
    stretch, true = axis_log("stair", 500, "rough", 1, is_speed=True)
    found = fit_axis([stretch], is_speed=True)
    assert covered(found, true).all()
    assert found.values == pytest.approx(list(TRUE.values()), rel=0.02)


def test_gravity_is_found_where_it_is_asked_for():
    values = np.array([0.05, 0.4, 0.7, 0.05, 0.5, -0.3])
    t = np.arange(0.0, 30.0, 0.002)
    drive = 3.0 * np.sin(2.0 * np.pi * 0.4 * t) + 1.5 * np.sin(2.0 * np.pi * 1.1 * t)
    angle, speed = np.zeros(len(t)), np.zeros(len(t))
    kernels.twin().axis_loop.follow_axis(values, drive, 0.0, 0.0, 0.002, angle, speed)
    found = fit_axis(
        [Stretch(0.002, drive, angle + 1e-4 * np.random.default_rng(1).normal(size=len(t)))],
        gravity=True,
    )
    assert found.names == list(NAMES)
    assert found.values == pytest.approx(values, abs=0.01)


def test_what_the_sensor_is_like():
    t = np.arange(0.0, 5.0, 0.002)
    smooth = np.sin(t)
    assert resolution_of(np.round(smooth / 0.01) * 0.01) == pytest.approx(0.01)
    assert resolution_of(smooth) == 0.0
    rough = smooth + 0.003 * np.random.default_rng(1).normal(size=len(t))
    assert noise_of(rough) == pytest.approx(0.003, rel=0.1)
    rest = Stretch(
        0.002, t, np.where(t < 2.5, 0.0, 1.0) + 1e-3 * np.random.default_rng(1).normal(size=len(t))
    )
    assert moving(rest, False).mean() < 0.05


def test_what_hardly_moves_is_refused_in_words():
    rng = np.random.default_rng(1)
    with pytest.raises(ValueError, match="hardly moves"):
        fit_axis([Stretch(0.002, rng.normal(size=3000), 1e-4 * rng.normal(size=3000))])


# --- prediction


def test_other_waveforms_are_predicted_as_the_true_constants_do():
    """Normalised rms within 1.2 times that of the truth (the bench has all pairs)."""
    truth = AxisFit(list(TRUE), np.array(list(TRUE.values())), np.zeros((4, 4)), 30, 0, 0.0, 0.0)
    found = fit_axis([axis_log("stair", 500, "12bit", 1)[0]])
    for other in ("chirp", "multisine", "step"):
        unseen = [axis_log(other, 500, "12bit", 2)[0]]
        own, best = (predict.predict(one, unseen, False) for one in (found, truth))
        assert own.free_share <= 1.2 * best.free_share
        assert own.step_rms <= 1.2 * best.step_rms
    wrong = AxisFit(
        found.names, found.values * [2.0, 1.0, 1.0, 1.0], found.covariance, 30, 0, 0.0, 0.0
    )
    assert predict.predict(wrong, unseen, False).free_share > 2.0 * own.free_share


def test_a_part_of_the_log_is_held_out_and_predicted():
    stretch, _ = axis_log("multisine", 500, "12bit", 1)
    made = model_of(
        [Log("x", [stretch], stretch.h * np.arange(len(stretch.drive)), False, "V", "rad")]
    )
    assert made.how == "free runs"
    assert made.held_out.free_share < 0.02
    assert made.held_out.windows.measured[0] in stretch.measured[-len(stretch.measured) // 4 :]


def test_an_axis_that_is_not_the_model_is_fitted_by_regression_and_told():
    """Friction that depends on place: free runs drift, the regression forgets."""
    t = np.arange(0.0, 40.0, 0.002)
    drive = 3.0 * np.sin(2.0 * np.pi * 0.5 * t) + 2.0 * np.sin(2.0 * np.pi * 1.3 * t)
    q = v = 0.0
    angle = np.zeros(len(t))
    for k, u in enumerate(drive):
        angle[k] = q
        for _ in range(10):
            dry = 0.7 + 0.35 * np.sin(9.0 * q)
            free = v + 2e-4 * (u - 0.4 * v) / 0.05
            v = free - np.clip(free, -2e-4 * dry / 0.05, 2e-4 * dry / 0.05)
            q += 2e-4 * v
    made = model_of([Log("x", [Stretch(0.002, drive, angle)], t, False, "V", "rad")])
    assert made.how == "regression"
    assert any("depends on place" in one for one in made.remarks)
    assert made.fit.value("inertia") == pytest.approx(0.05, rel=0.05)
    assert np.abs(made.fit.value("coulomb") - 0.7) < made.fit.factor * made.fit.deviations[2] + 0.05
