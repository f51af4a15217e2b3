"""A recorded run held against its simulation: the same setpoints, tick by tick."""

import contextlib
import json
import sys
from pathlib import Path

import numpy as np
import pytest

from host.comparing import compare, powered_rows
from host.recorder import Run, write_simulated
from sim import program, replay, tolerance
from sim.closed_loop import load_joint, simulate
from sim.errors import InputError
from sim.identify.excite import SAMPLE_S, excitation
from sim.scenarios import DEG, LEAD_S, Scenario

NOMINAL = Path(__file__).resolve().parents[1] / "data" / "nominal.toml"


@pytest.fixture(scope="module")
def joint():
    return load_joint(NOMINAL)


@pytest.fixture
def run(joint, tmp_path):
    """A simulated run with moves, in the format of recordings."""
    scene = Scenario("moves", 30 * DEG, 2.5)
    for at, angle in ((0.2, 70), (0.8, 25), (1.4, 60)):
        scene.at(at, program.TARGET, angle * DEG)
    trace = simulate(joint, scene, seed=5)
    text = NOMINAL.read_text(encoding="utf-8")
    about = {"joint_files": [{"path": "nominal.toml", "file": text}], "virtual": True}
    return Run(write_simulated(tmp_path / "run", trace, about)), trace


def test_a_replay_wants_what_was_wanted_tick_by_tick(joint, run):
    found, _ = run
    rows = powered_rows(found, 0)
    scene = replay.replay(
        joint.settings.tick_s, rows["time_s"], rows["want_rad"], rows["angle_rad"]
    )
    trace = simulate(joint, scene)
    lead = replay.lead_ticks(joint.settings.tick_s)
    again = trace["want_rad"][lead : lead + len(rows["want_rad"])]
    # the first recorded setpoint is where the joint stood; telemetry is single precision
    assert again[1:] == pytest.approx(rows["want_rad"][1 : len(again)], abs=1e-6)


def test_the_same_part_explains_its_own_run(joint, run):
    found, _ = run
    same = compare(joint, found, 0)
    assert same.fit > 0.95
    other = tolerance.draw_parts(joint.part, tolerance.spread_of(joint.file), 1, 40, "outside")[0][
        0
    ]
    assert compare(joint, found, 0, part=other).fit < same.fit


def test_the_band_of_the_spread_holds_a_run_of_one_of_its_parts(joint, run):
    found, _ = run
    parts, _ = tolerance.draw_parts(joint.part, tolerance.spread_of(joint.file), 30, 3)
    result = compare(joint, found, 0, parts=parts)
    assert result.inside > 0.9
    assert (result.rows["low"] <= result.rows["high"]).all()


def test_a_run_that_was_never_powered_is_refused(joint, tmp_path):
    trace = simulate(joint, Scenario("idle", 0.5, 0.3).at(0.02, program.REQUEST, 2.0))
    folder = write_simulated(tmp_path / "idle", trace, {})
    with pytest.raises(InputError, match="was not powered"):
        compare(joint, Run(folder), 0)


@pytest.mark.parametrize(
    ("flags", "found"),
    [([0, 1, 1, 0, 1], slice(1, 3)), ([1, 1, 1], slice(0, 3)), ([0, 0], slice(0, 0))],
)
def test_the_longest_stretch(flags, found):
    assert replay.longest_stretch(np.array(flags)) == found


def test_fit_share_is_one_for_itself_and_none_for_the_mean():
    y = np.sin(np.linspace(0.0, 9.0, 100))
    assert replay.fit_share(y, y) == 1.0
    assert replay.fit_share(y, np.full(100, y.mean())) == pytest.approx(0.0)


def test_the_command_compares_a_run_with_the_joint_file_in_it(run, tmp_path, monkeypatch, capsys):
    from host.cli import main

    found, _ = run
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(sys, "argv", ["jointloop", "compare", str(found.folder), "--parts", "10",
                                      "--json"])  # fmt: skip
    with contextlib.suppress(SystemExit):
        main()
    result = json.loads(capsys.readouterr().out)
    assert result["fit"] > 0.95
    assert Path(result["figure"]).exists()
    assert 0.0 <= result["inside_share"] <= 1.0


# --- excitation


@pytest.mark.parametrize("changes", [{}, {"speed": "120 deg/s"}])
def test_excitation_stays_inside_every_bound(changes):
    import tomllib

    from sim.closed_loop import joint_of

    tables = tomllib.loads(NOMINAL.read_text(encoding="utf-8"))
    tables["limits"].update(changes)
    joint = joint_of(tables, "excited.toml")
    made = excitation(joint.settings)
    limits = joint.settings.limits
    assert limits.command_low_rad < made.angle_rad.min()
    assert made.angle_rad.max() < limits.command_high_rad
    assert np.abs(made.speed_rad_s).max() <= 0.9 * limits.speed_rad_s
    # positions and speeds belong together (trapezium rule; curvature bounds what is left)
    steps = np.diff(made.angle_rad) - 0.5 * SAMPLE_S * (
        made.speed_rad_s[1:] + made.speed_rad_s[:-1]
    )
    assert np.abs(steps).max() < 0.03
    trace = simulate(joint, made.scenario())
    assert trace.metrics.fault == "none"
    assert trace["time_s"][-1] > made.time_s[-1] + LEAD_S
    assert made.pieces[-1][1] == pytest.approx(0.8 * made.time_s[-1], rel=0.12)
    assert [name for name, _ in made.pieces] == [
        "staircase",
        "quick moves",
        "slow sweep",
        "multisine",
        "moves to check by",
    ]
