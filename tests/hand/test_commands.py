"""`hand` and `sweep` as a person calls them; a lost worker; a Dask cluster."""

import csv
import json
import os
import shutil
import signal
from pathlib import Path

import numpy as np
import pytest

from host.recordings.recorder import Run
from sim.errors import InputError
from sim.reading import parse_toml, read_text
from sim.run.executors import open_executor
from sim.size.sweep import pareto, points, read_axis, sweep

DEMO = Path(__file__).resolve().parents[2] / "host" / "demo"


@pytest.fixture
def jointloop(inside, tmp_path):
    """Commands in a folder that holds the demo's hand."""
    for name in ("hand.toml", "joint.toml"):
        shutil.copy(DEMO / name, tmp_path / name)
    return inside


def test_hand_reckons_draws_and_reports(jointloop, tmp_path):
    code, out, err = jointloop("hand", "hand.toml", "--report", "--json")
    assert code == 0, err
    found = json.loads(out)
    assert found["sequences"][0]["margin_V"] > 0.0
    assert found["cost"] == pytest.approx(8 * 14.5)
    assert (tmp_path / found["figure"]).is_file()
    page = (tmp_path / found["report"]).read_text(encoding="utf-8")
    assert page.count("<svg") >= 9
    assert "index_end" in page
    assert "<script" not in page


def test_what_does_not_fit_exits_with_1(jointloop, tmp_path):
    text = (tmp_path / "hand.toml").read_text(encoding="utf-8")
    (tmp_path / "hand.toml").write_text(
        text.replace('wire_resistance = "0.04 ohm"', 'wire_resistance = "0.9 ohm"')
    )
    code, _, err = jointloop("hand", "hand.toml", "--json")
    assert code == 1
    assert "brown out" in err.replace("\n", " ").replace("  ", " ") or "tripped" in err


def test_a_bad_hand_is_one_line(jointloop, tmp_path):
    (tmp_path / "hand.toml").write_text("[hand]\nname = 3\n")
    code, _, err = jointloop("hand", "hand.toml")
    assert code == 2
    assert "Traceback" not in err
    code, _, err = jointloop("hand", "none.toml")
    assert code == 2


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (
            ("hand", "hand.toml", "--stream", "--runtime", "quick"),
            "must be one of cpython, micropython, c",
        ),
        (("stream", *["joint.toml"] * 17), "a board has at most 16"),
        (("size", "joint.toml", "joint.toml"), "is named twice"),
        (("challenge", "joint.toml", "--cluster", ""), "must be such as tcp://host:8786"),
    ],
)
def test_what_no_board_and_no_cluster_can_be_is_one_clear_line(jointloop, arguments, words):
    code, _, err = jointloop(*arguments)
    assert code == 2
    assert words in err
    assert "Traceback" not in err


@pytest.mark.parametrize("runtime", ["cpython", "micropython", "c"])
def test_a_hand_is_streamed_to_its_boards_in_step(jointloop, tmp_path, runtime):
    """Eight joints on three virtual boards, crossing cables and all: nothing trips, all follow."""
    code, out, err = jointloop("hand", "hand.toml", "--stream", "--folder", "run", "--json",
                               "--runtime", runtime)  # fmt: skip
    assert code == 0, err
    run = Run(tmp_path / "run")
    assert run.about["joints"] == 8
    assert run.about["names"][0] == "index_base"
    found = json.loads(out)
    assert found["stopped"] is None
    for k in range(8):  # at the end of the last posture they stand where they are wanted
        driven = run.joint(k, "mode") == 2.0
        away = np.abs(run.joint(k, "setpoint_rad") - run.joint(k, "angle_rad"))[driven]
        assert np.nanmedian(away[-20:]) < np.radians(1.5)
    modes = np.array([run.joint(k, "mode") for k in range(8)])
    last = modes[:, ~np.isnan(modes).any(axis=0)][:, -1]
    assert np.isin(last, (0.0, 3.0)).all(), "at the end every drive goes off"
    angle = run.joint(run.about["names"].index("index_base"), "angle_rad")
    assert np.nanmax(angle) > np.radians(70.0)


def test_a_sequence_that_is_not_there_is_told(jointloop):
    code, _, err = jointloop("hand", "hand.toml", "--stream", "--sequence", "dance")
    assert code == 2
    assert "wrap, press, hold a card" in err


# --- sweeps

JOINT = DEMO / "joint.toml"


def test_axes_are_read_and_refused():
    axis = read_axis("cable.joint_radius=4 mm..8 mm/5")
    assert axis.values == ("4 mm", "5 mm", "6 mm", "7 mm", "8 mm")
    assert read_axis("motor.gear_ratio=200,250").values == ("200", "250")
    assert len(points([axis, read_axis("motor.gear_ratio=200,250")])) == 10
    for text in ("cable", "cable.x", "a.b.c=1", "cable.joint_radius=4 mm..8 mm", "cable.joint_radius=..8/3",
                 "cable.joint_radius=4 mm..8 mm/1"):  # fmt: skip
        with pytest.raises(InputError):
            read_axis(text)


def test_the_front_is_what_nothing_beats():
    values = np.array([[1.0, 5.0], [2.0, 4.0], [2.0, 3.0], [0.5, 5.0], [3.0, 1.0], [3.0, np.inf]])
    assert pareto(values[:5]).tolist() == [True, True, False, False, True]
    assert not pareto(values)[5], "what is not finite is no variant to choose"


def rows(runner, axes):
    return list(sweep(parse_toml(read_text(JOINT), str(JOINT)), axes, str(JOINT), runner))


AXES = [read_axis("cable.joint_radius=4 mm..8 mm/30"), read_axis("limits.tip_force=1 N,2 N,3 N")]


@pytest.fixture(scope="module")
def reference():
    with open_executor(workers=1) as runner:
        return rows(runner, AXES)


def test_a_killed_worker_loses_nothing(reference):
    with open_executor(workers=2) as runner:
        got = []
        for number, row in enumerate(
            sweep(parse_toml(read_text(JOINT), str(JOINT)), AXES, str(JOINT), runner)
        ):
            got.append(row)
            if number == 5:
                victim = next(iter(runner.executor._processes))
                os.kill(victim, signal.SIGKILL)
        assert got == reference


def test_a_dask_cluster_gives_the_same_even_when_it_loses_a_worker(reference):
    distributed = pytest.importorskip("distributed")
    with (
        distributed.LocalCluster(
            n_workers=2, threads_per_worker=1, dashboard_address=None
        ) as cluster,
        open_executor(cluster.scheduler_address) as runner,
    ):
        got = []
        for number, row in enumerate(
            sweep(parse_toml(read_text(JOINT), str(JOINT)), AXES, str(JOINT), runner)
        ):
            got.append(row)
            if number == 5:
                os.kill(next(iter(cluster.workers.values())).pid, signal.SIGKILL)
    assert got == reference


def test_sweep_writes_table_figure_and_front(jointloop, tmp_path):
    code, out, err = jointloop("sweep", "joint.toml", "--vary", "cable.joint_radius=4 mm..40 mm/6", "--vary",
                               "cable.drum_radius=4 mm,6 mm", "--workers", "1", "--json")  # fmt: skip
    assert code == 0, err
    found = json.loads(out)
    assert found["variants"] == 12
    with (tmp_path / found["table"]).open() as stream:
        table = list(csv.DictReader(stream))
    assert len(table) == 12
    assert float(table[0]["no_load_speed_rad_s"]) > 0.0
    assert (tmp_path / found["figure"]).is_file()
    assert 1 <= len(found["front"]) <= 12


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ((), "--vary"),
        (("--vary", "cable.colour=red,blue"), "colour"),
        (("--vary", "mood.x=1,2"), "must be a key of joint"),
        (("--vary", "cable.joint_radius=4 mm,5 mm", "--trade", "speed,beauty"), "must be two of"),
        (("--vary", "cable.joint_radius=4 mm,5 mm", "--cluster", "tcp://127.0.0.1:9"), "cannot be reached"),
    ],
)  # fmt: skip
def test_bad_sweeps_are_one_clear_line(arguments, words, jointloop):
    code, _, err = jointloop("sweep", "joint.toml", *arguments)
    assert code == 2
    assert words in err
    assert "Traceback" not in err
