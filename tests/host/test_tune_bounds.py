"""Gains outside their bounds: said, exit code 1, not written without --accept."""

import shutil
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from host.commands import tune as command
from sim.run.closed_loop import load_joint
from sim.tune.cost import Goals
from sim.tune.search import Effort
from sim.tune.tuning import outside_bounds, tune

DEMO = Path(__file__).resolve().parents[2] / "host" / "demo"
TINY = Effort(6, 4, 8, 4, 6, 2, 2, 4, 12, 1)


@pytest.fixture(scope="module")
def found():
    """A tuning of next to no effort, with its numbers to be moved."""
    return tune(load_joint(DEMO / "joint.toml"), effort=TINY)


@pytest.fixture
def finger(tmp_path):
    return Path(shutil.copy(DEMO / "joint.toml", tmp_path / "finger.toml"))


STILL = {
    key: np.zeros(100)
    for key in ("settling_2pct_s", "overshoot_rad", "steady_error_rad", "hunting_rad")
}
SOUND = {"ms": 1.7, "swing_ms": 10.0, "resonance_gain_margin": 2.0}


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({}, None),
        ({"ms": 1.701}, "Ms 1.701 is above 1.7"),
        ({"swing_ms": 10.01}, "Ms with the help against stiction 10.010 is above 10"),
        ({"resonance_gain_margin": 1.99}, "gain margin 1.99 at the cable resonance is below 2"),
    ],
)
def test_each_bound_of_the_loop(changes, says):
    made = SimpleNamespace(margins={**SOUND, **changes}, tables={"tuned": dict(STILL)}, seed=1)
    assert outside_bounds(made, Goals()) == ([] if says is None else [says])


@pytest.mark.parametrize(
    ("key", "values", "says"),
    [
        ("settling_2pct_s", [0.2] * 90 + [np.nan] * 10, "never settle"),
        ("overshoot_rad", [0.05] * 100, "overshoot 2.86 deg (95th percentile) is above 1.5 deg"),
        ("steady_error_rad", [0.0] * 70 + [0.0063] * 30, "steady-state error 0.36 deg"),
        ("steady_error_rad", [0.0] * 94 + [0.0063] * 6, None),  # six of a hundred may be chance
        ("hunting_rad", [0.0] * 50 + [np.nan] * 50, "hunting inf deg"),
    ],
)
def test_each_bound_of_the_parts(key, values, says):
    made = SimpleNamespace(
        margins=SOUND, tables={"tuned": {**STILL, key: np.array(values)}}, seed=1
    )
    told = outside_bounds(made, Goals())
    assert len(told) == (0 if says is None else 1)
    assert says is None or says in told[0]


def test_outside_is_not_written_without_accept(found, finger, inside, monkeypatch):
    monkeypatch.setattr(command, "search", lambda *_: found)
    before = finger.read_text(encoding="utf-8")
    monkeypatch.setattr(found, "outside", ["Ms 1.716 is above 1.7"])
    done = inside("tune", finger)
    assert done.returncode == 1
    assert "Outside a bound: Ms 1.716 is above 1.7" in " ".join(done.stdout.split())
    assert finger.read_text(encoding="utf-8") == before
    assert inside("tune", finger, "--accept").returncode == 0
    assert "[gains]" in finger.read_text(encoding="utf-8")


def test_inside_is_written(found, finger, inside, monkeypatch):
    monkeypatch.setattr(command, "search", lambda *_: found)
    monkeypatch.setattr(found, "outside", [])
    assert inside("tune", finger).returncode == 0
    assert "[gains]" in finger.read_text(encoding="utf-8")
