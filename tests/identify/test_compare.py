"""A recorded run held against its simulation: the same setpoints, tick by tick."""

import contextlib
import json
import sys
from pathlib import Path

import numpy as np
import pytest

from host.commands.compare import sentences
from host.recordings.comparison import compare, last_moving, longest, powered_rows
from host.recordings.recorder import Run, write_simulated
from sim.errors import InputError
from sim.identify.excite import SAMPLE_S, excitation
from sim.identify.explain import reasons
from sim.joint import spread
from sim.model import schedule
from sim.run import replay
from sim.run.closed_loop import load_joint, simulate
from sim.run.scenarios import DEG, LEAD_S, Scenario
from tests.identify.hidden import recorded_with

NOMINAL = Path(__file__).resolve().parents[1] / "data" / "nominal.toml"


@pytest.fixture(scope="module")
def joint():
    return load_joint(NOMINAL)


@pytest.fixture
def run(joint, tmp_path):
    """A simulated run with moves, in the format of recordings."""
    scene = Scenario("moves", 30 * DEG, 2.5)
    for at, angle in ((0.2, 70), (0.8, 25), (1.4, 60)):
        scene.at(at, schedule.TARGET, angle * DEG)
    trace = simulate(joint, scene, seed=5)
    text = NOMINAL.read_text(encoding="utf-8")
    about = {"joint_files": [{"path": "nominal.toml", "file": text}], "virtual": True}
    return Run(write_simulated(tmp_path / "run", trace, about)), trace


def test_a_replay_wants_what_was_wanted_tick_by_tick(joint, run):
    found, _ = run
    rows = powered_rows(found, 0, joint)
    scene = replay.replay(
        joint.settings.tick_s, rows["time_s"], rows["setpoint_rad"], rows["angle_rad"]
    )
    trace = simulate(joint, scene)
    lead = replay.lead_ticks(joint.settings.tick_s)
    again = trace["setpoint_rad"][lead : lead + len(rows["setpoint_rad"])]
    # the first recorded setpoint is where the joint stood; telemetry is single precision
    assert again[1:] == pytest.approx(rows["setpoint_rad"][1 : len(again)], abs=1e-6)


def test_the_same_part_explains_its_own_run(joint, run):
    found, _ = run
    same = compare(joint, found, 0)
    assert same.fit > 0.95
    other = spread.draw_parts(joint.part, spread.spread_of(joint.file), 1, 40, "outside")[0][0]
    assert compare(joint, found, 0, part=other).fit < same.fit


def test_the_band_of_the_spread_holds_a_run_of_one_of_its_parts(joint, run):
    found, _ = run
    parts, _ = spread.draw_parts(joint.part, spread.spread_of(joint.file), 30, 3)
    result = compare(joint, found, 0, parts=parts)
    assert result.inside > 0.9
    assert (result.rows["low"] <= result.rows["high"]).all()


def test_a_warm_run_is_held_against_a_warm_part(joint, tmp_path):
    """The winding as recorded: less than half is left of what a cold start leaves unexplained."""
    trace = simulate(joint, excitation(joint.settings, 8.0).scenario(), warmth_C=110.0, seed=5)
    run = Run(write_simulated(tmp_path / "warm", trace, {}))
    more = []
    for begun in (None, 25.0):
        rows = compare(joint, run, 0, winding_C=begun).rows
        rate = np.gradient(rows["setpoint"], joint.settings.tick_s)
        quick = np.abs(rate) > 1.5  # at rest friction keeps any voltage
        push = np.sign(rate[quick])
        more.append(np.mean(push * (rows["drive"] - rows["simulated_drive"])[quick]))
    assert abs(more[0]) < 0.5 * abs(more[1])


# --- what is compared, and what is said of it


def moves_then_rest(folder, joint, off=(3.0, 3.1)):
    """Moves, the drive off for a moment, then fifteen seconds of powered rest."""
    scene = Scenario("moves", 30 * DEG, 18.0)
    for at, angle in ((0.2, 70), (0.8, 25), (1.4, 60)):
        scene.at(at, schedule.TARGET, angle * DEG)
    trace = simulate(joint, scene, seed=5)
    gone = (trace["time_s"] > off[0]) & (trace["time_s"] < off[1])
    trace["mode"][gone] = 0.0
    return Run(write_simulated(folder / "rest", trace, {})), trace


def test_the_last_stretch_with_motion_is_compared_not_the_longest(joint, tmp_path):
    found, _ = moves_then_rest(tmp_path, joint)
    assert compare(joint, found, 0, stretch=longest(found, 0)).moved is False
    result = compare(joint, found, 0)
    assert result.moved
    assert result.time_s[-1] < 3.1
    assert result.fit > 0.95


def test_of_a_long_stretch_what_ends_with_the_motion_is_kept(joint, tmp_path):
    """A step, then rest for longer than is compared: the step must be in it."""
    found, _ = moves_then_rest(tmp_path, joint, off=(0.0, 0.0))
    one = last_moving(found, 0, 5.0)
    time_s = found["time_s"][one]
    assert 1.5 < time_s[-1] < 4.0
    assert time_s[-1] - time_s[0] <= 5.0


def test_rest_is_told_as_rest_with_its_noise(joint, tmp_path):
    trace = simulate(joint, Scenario("idle", 30 * DEG, 3.0), seed=5)
    parts, _ = spread.draw_parts(joint.part, spread.spread_of(joint.file), 4, 3)
    result = compare(joint, Run(write_simulated(tmp_path / "idle", trace, {})), 0, parts=parts)
    assert not result.moved
    assert result.reasons == []
    (told,) = sentences(result, "nominal", 4)
    noise = 1.96 * np.std(result.rows["measured"]) / DEG
    assert told.startswith(f"Nothing moved: noise of +-{noise:.2f} deg")
    counts = joint.part.sensor.noise_counts * abs(joint.settings.sensor.rad_per_count)
    assert np.std(result.rows["measured"]) == pytest.approx(counts, rel=0.3)


def test_a_joint_that_stood_where_it_was_to_move_is_no_rest_and_no_share_below_none(
    joint, tmp_path
):
    """Stuck: the simulation goes away, and explains nothing; no percentage below zero is said."""
    scene = Scenario("moves", 30 * DEG, 2.5).at(0.2, schedule.TARGET, 70 * DEG)
    trace = simulate(joint, scene, seed=5)
    trace["angle_rad"][:] = 30 * DEG + np.random.default_rng(1).normal(0.0, 1e-3, len(trace.rows))
    parts, _ = spread.draw_parts(joint.part, spread.spread_of(joint.file), 4, 3)
    result = compare(joint, Run(write_simulated(tmp_path / "stuck", trace, {})), 0, parts=parts)
    assert result.moved
    assert result.fit < -5.0
    told = sentences(result, "nominal", 4)
    assert told[0].startswith("Outside the spread of parts")
    assert "explains nothing of the recorded course" in told[1]
    assert "-" not in told[1]


def test_the_words_come_first(joint, run):
    parts, _ = spread.draw_parts(joint.part, spread.spread_of(joint.file), 20, 3)
    told = sentences(compare(joint, run[0], 0, parts=parts), "nominal", 20)
    assert told[0].startswith("Within the spread of parts: inside the band of 20 of them")
    assert "explains 9" in told[1]


def test_a_run_that_was_never_powered_is_refused(joint, tmp_path):
    trace = simulate(joint, Scenario("idle", 0.5, 0.3).at(0.02, schedule.REQUEST, 2.0))
    folder = write_simulated(tmp_path / "idle", trace, {})
    with pytest.raises(InputError, match="was not powered"):
        compare(joint, Run(folder), 0)


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

    from sim.run.closed_loop import joint_of

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
        "slow ramp",
        "multisine",
        "moves to check by",
    ]


def test_every_number_that_may_be_blamed_has_a_measurement_that_would_tell(joint):
    from host.commands.compare import NEXT
    from sim.identify.anchors import Anchors
    from sim.identify.space import axes_of, recording_axes

    blamed = {axis.name for axis in axes_of(joint) + recording_axes(joint, 25.0, Anchors())}
    assert blamed | {"sensor_offset"} == set(NEXT)


def test_what_to_measure_next_is_said():
    from types import SimpleNamespace

    from host.commands.compare import explained
    from sim.identify.explain import Reason

    told = explained(SimpleNamespace(reasons=[Reason("resistance", -2.4, 0.9, 0.97),
                                              Reason("load_loss", 1.0, 0.5, 0.01)]))  # fmt: skip
    assert "resistance, 2.4 deviations less than in the file" in told
    assert told.endswith(
        "To be sure: measure the winding with an ohmmeter, cold, and identify with --resistance."
    )
    assert "tell them apart" not in told
    told = explained(SimpleNamespace(reasons=[Reason("pretension", -1.7, 0.94, 0.6),
                                              Reason("wrap_loss", -1.2, 0.93, 0.3)]))  # fmt: skip
    assert "This recording can hardly tell them apart." in told
    assert explained(SimpleNamespace(reasons=[])).startswith("Nothing is to blame")


# --- which number is to blame (thirty of each in tests/bench/identify.py)


@pytest.mark.parametrize(
    ("name", "place"),
    [("resistance", 2.0), ("rotor_inertia", -2.0), ("backlash", 2.0), ("sensor_odd", 2.0)],
)
def test_the_number_that_was_changed_is_blamed_first(joint, name, place):
    """Two deviations off; it is found where it is."""
    log = recorded_with(joint, name, place)
    first = reasons(joint, *log)[0]
    assert first.name == name
    assert first.deviations == pytest.approx(place, abs=0.35)
    assert first.plausibility > 0.9


def test_an_unchanged_part_blames_nothing(joint):
    assert reasons(joint, *recorded_with(joint, "none", 0.0)) == []
