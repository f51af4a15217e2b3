"""The commands, as a person or a script calls them."""

import csv
import json
import os
import subprocess
import sys
import tomllib
from pathlib import Path

import jsonschema
import pytest
import tomlkit

ROOT = Path(__file__).resolve().parents[2]
STARTER = (ROOT / "host" / "demo" / "joint.toml").read_text(encoding="utf-8")


def jointloop(*arguments, cwd, timeout=240):
    return subprocess.run(
        [sys.executable, "-m", "host.cli", *map(str, arguments)], cwd=cwd, capture_output=True,
        text=True, timeout=timeout, check=False, env=None,
    )  # fmt: skip


@pytest.fixture
def joint(tmp_path):
    path = tmp_path / "finger.toml"
    path.write_text(STARTER, encoding="utf-8")
    return path


def answer(done):
    assert done.returncode == 0, done.stderr[-1500:]
    return json.loads(done.stdout)


def test_new_writes_a_file_that_size_takes_and_never_overwrites(tmp_path):
    assert jointloop("new", "mine.toml", cwd=tmp_path).returncode == 0
    text = (tmp_path / "mine.toml").read_text(encoding="utf-8")
    assert text == "#:schema ./joint.schema.json\n" + STARTER
    schema = json.loads((tmp_path / "joint.schema.json").read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator.check_schema(schema)
    checker = jsonschema.Draft202012Validator(schema)
    assert list(checker.iter_errors(tomllib.loads(text))) == []
    wrong = tomllib.loads(text.replace("tip_distance", "tip_distnace"))
    assert any("tip_distnace" in one.message for one in checker.iter_errors(wrong))
    again = jointloop("new", "mine.toml", cwd=tmp_path)
    assert again.returncode == 2
    assert "mine.toml: exists already" in again.stderr
    assert (tmp_path / "mine.toml").read_text(encoding="utf-8") == text


def test_size_gives_figures_table_and_findings(joint, tmp_path):
    done = jointloop("size", joint, cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert "What limits, and what to change" in done.stdout
    assert list((tmp_path / "jointloop-runs").glob("*-size.png"))
    found = answer(jointloop("size", joint, "--json", cwd=tmp_path))
    assert found["force_limit_N"] == pytest.approx(3.0, rel=1e-6)
    assert found["cable_strength_N"] == 180.0
    assert all({"weight", "text"} == set(one) for one in found["findings"])


def test_simulate_json_and_trace(joint, tmp_path):
    done = jointloop("simulate", joint, "--json", "--trace", "t.csv", cwd=tmp_path)
    found = answer(done)
    asked = {
        "settling_2pct_s", "settling_count_s", "overshoot_rad", "steady_error_rad", "hunting_rad",
        "peak_tension_N", "peak_tip_force_N", "limit_ticks", "mode", "fault",
    }  # fmt: skip
    assert asked <= set(found)
    assert found["mode"] == "powered"
    assert 0.1 < found["settling_2pct_s"] < 1.0
    with (tmp_path / "t.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert {"time_s", "joint_rad", "allowed_V", "flexor_N"} <= set(rows[0])
    angles = [float(row["joint_rad"]) for row in rows]
    assert max(angles) - min(angles) > 1.0
    # settling, told again from the trace: last time outside 2 % of the step
    target = float(rows[-1]["setpoint_rad"])
    band = 0.02 * 1.0471975511965976
    start = next(k for k, row in enumerate(rows) if float(row["time_s"]) >= 0.12 - 1e-9)
    out = max(k for k in range(start, len(rows)) if abs(angles[k] - target) > band)
    assert found["settling_2pct_s"] == pytest.approx((out - start + 1) * found["tick_s"])


def test_a_time_that_never_comes_is_null(joint, tmp_path):
    done = jointloop("simulate", joint, "--scenario", "wiper_open", "--json", cwd=tmp_path)
    assert done.returncode == 1, "the joint tripped"
    found = json.loads(done.stdout)
    assert found["settling_2pct_s"] is None
    for name in ("overshoot_rad", "steady_error_rad", "hunting_rad"):
        assert found[name] is None, "nothing was measured"
    assert found["mode"] == "tripped"
    assert 0.17 <= found["fault_s"] < 0.2


def test_runtimes_agree_and_single_precision_is_near(joint, tmp_path):
    scene = ("simulate", joint, "--json", "--scenario", "grip", "--runtime")
    rows = [
        answer(jointloop(*scene, one, cwd=tmp_path)) for one in ("compiled", "python", "single")
    ]
    for row in rows:
        row.pop("runtime")
    assert rows[0] == rows[1]
    assert rows[2]["peak_tip_force_N"] == pytest.approx(rows[0]["peak_tip_force_N"], rel=0.02)


@pytest.fixture(scope="module")
def tuned(tmp_path_factory):
    folder = tmp_path_factory.mktemp("tune")
    path = folder / "finger.toml"
    path.write_text(STARTER, encoding="utf-8")
    done = jointloop("tune", path, "--effort", "small", "--json", "--seed", 3, cwd=folder)
    return path, answer(done), done.stderr


def test_tune_answers_what_scripts_need(tuned):
    _, found, told = tuned
    assert {"ms", "gain_margin", "phase_margin_deg", "bandwidth_Hz"} <= set(found["margins"])
    for name in ("before", "first_guess", "tuned", "held_out", "single_precision"):
        assert {"median", "p95"} == set(found[name]["overshoot_rad"])
    assert found["evaluations"] > 100
    assert found["elapsed_s"] > 0.0
    assert found["margins"]["ms"] <= 1.7
    assert found["margins"]["resonance_gain_margin"] >= 2.0
    assert found["held_out"]["settling_2pct_s"]["p95"] < found["before"]["settling_2pct_s"]["p95"]
    assert "race" in told


def test_tune_writes_gains_and_keeps_every_comment(tuned, tmp_path):
    path, found, _ = tuned
    text = path.read_text(encoding="utf-8")
    assert text.startswith(STARTER.rstrip("\n"))
    table = tomlkit.parse(text)["gains"]
    assert table["kp"] == f"{found['gains']['kp']!r} V/rad"
    assert "jointloop tune" in table["provenance"]["made_by"]
    used = answer(jointloop("simulate", path, "--json", cwd=tmp_path))
    assert used["settling_2pct_s"] is not None


def test_gains_of_an_edited_joint_are_refused(tuned, tmp_path):
    path, _, _ = tuned
    other = tmp_path / "other.toml"
    text = path.read_text(encoding="utf-8")
    other.write_text(
        text.replace('tip_distance = "40 mm"', 'tip_distance = "50 mm"'), encoding="utf-8"
    )
    done = jointloop("simulate", other, cwd=tmp_path)
    assert done.returncode == 2
    assert "gains.digest" in done.stderr
    assert "tune again" in done.stderr


def test_gains_file_leaves_the_joint_file_alone(joint, tmp_path, tuned):
    from host.files import write_whole

    gains = tomlkit.document()
    gains["gains"] = tomlkit.parse(tuned[0].read_text(encoding="utf-8"))["gains"]
    write_whole(tmp_path / "g.toml", tomlkit.dumps(gains))
    assert joint.read_text(encoding="utf-8") == STARTER
    used = answer(jointloop("simulate", joint, "--gains", "g.toml", "--json", cwd=tmp_path))
    assert used["mode"] == "powered"


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("size", "missing.toml"), ("missing.toml", "no such file")),
        (("size", "."), ("is a folder",)),
        (("size", "bytes.toml"), ("bytes.toml", "UTF-8")),
        (("size", "broken.toml"), ("broken.toml", "not valid TOML")),
        (("simulate", "finger.toml", "--scenario", "dance"), ("--scenario", "dance", "step")),
        (("simulate", "finger.toml", "--step", "60"), ("--step", "unit")),
        (("simulate", "finger.toml", "--step", "nan deg"), ("--step",)),
        (
            ("simulate", "finger.toml", "--step", "120 deg"),
            ("--step", "120 deg", "at most 100.0 deg"),
        ),
        (("simulate", "finger.toml", "--step", "0 deg"), ("--step", "at least")),
        (("simulate", "finger.toml", "--part", "best"), ("--part", "nominal")),
        (("simulate", "finger.toml", "--runtime", "fast"), ("--runtime", "compiled")),
        (("simulate", "finger.toml", "--trace", "no/where.csv"), ("--trace", "no such folder")),
        (("simulate", "finger.toml", "--out", "finger.toml"), ("finger.toml", "folder")),
        (("simulate", "finger.toml", "--gains", "finger.toml"), ("gains", "missing")),
        (("tune", "finger.toml", "--effort", "enormous"), ("--effort", "full")),
        (("tune", "finger.toml", "--into", "no/where.toml"), ("--into", "no such folder")),
        (("tune", "finger.toml", "--seed", "-1"), ("seed",)),
        (("tune",), ("Missing argument",)),
        (("dance",), ('no command "dance"', "allowed: new, size")),
    ],
)
def test_bad_input_is_one_clear_line_and_exit_2(arguments, words, joint, tmp_path, inside):
    (tmp_path / "bytes.toml").write_bytes(b'[joint]\nname = "\xff\xfe"\n')
    (tmp_path / "broken.toml").write_text(STARTER[:700] + '\nname = "', encoding="utf-8")
    done = inside(*arguments)
    assert done.returncode == 2, (done.stdout, done.stderr)
    assert "Traceback" not in done.stderr
    for word in words:
        assert word in done.stderr
    assert joint.read_text(encoding="utf-8") == STARTER


def test_every_command_helps_with_an_example(inside):
    top = inside("--help").stdout
    for name in ("new", "size", "simulate", "tune", "demo"):
        assert name in top
        done = inside(name, "--help")
        assert done.returncode == 0
        assert f"Example: jointloop {name}" in done.stdout


def test_a_simulated_run_is_written_as_recordings_are(joint, inside, tmp_path):
    from host.recordings.recorder import Run

    done = inside("simulate", joint, "--recording", "run")
    assert done.returncode == 0, done.stderr
    run = Run(tmp_path / "run")
    assert run.about["simulated"] is True
    assert len(run["angle_rad"]) > 1000
    again = inside("compare", "run", "--parts", "5", "--json")
    assert json.loads(again.stdout)["fit"] > 0.9
    assert inside("simulate", joint, "--recording", "run").returncode == 2


@pytest.mark.parametrize("kind", ["finger", "wrist", "spring_return", "direct", "pulse", "winch"])
def test_every_kind_of_joint_is_begun_by_a_file_that_works(kind, inside, tmp_path):
    assert inside("new", "mine.toml", "--kind", kind).returncode == 0
    assert (
        (tmp_path / "mine.toml")
        .read_text(encoding="utf-8")
        .startswith("#:schema ./joint.schema.json\n")
    )
    found = inside("size", "mine.toml", "--json").json
    assert found["force_limit_N"] > 0.0
    assert inside("simulate", "mine.toml").returncode == 0, "a step of it does not trip"


def test_hand_scenario_and_board_are_begun_by_files_that_work(inside, tmp_path):
    from host.link.wiring import read_wiring

    assert inside("new", "hand.toml", "--kind", "hand").returncode == 0
    assert inside("hand", "hand.toml").returncode == 0
    assert inside("new", "torn.toml", "--kind", "scenario").returncode == 0
    assert inside("simulate", "joint.toml", "--scenario", "torn.toml").returncode == 1, (
        "it trips, rightly"
    )
    assert inside("new", "board.json", "--kind", "board").returncode == 0
    assert read_wiring(tmp_path / "board.json").data["tick_us"] == 2000
    done = inside("new", "x.toml", "--kind", "wirst")
    assert done.returncode == 2
    assert 'did you mean "wrist"' in done.stderr


@pytest.mark.parametrize(
    ("typed", "offered"),
    [("jointloop si", {"size", "simulate"}), ("jointloop tune --ac", {"--accept"})],
)
def test_the_shell_completes_commands_and_options(typed, offered, tmp_path):
    asked = {**os.environ, "_JOINTLOOP_COMPLETE": "complete_bash", "COMP_WORDS": typed,
             "COMP_CWORD": str(len(typed.split()) - 1), "_TYPER_COMPLETE_ARGS": typed}  # fmt: skip
    done = subprocess.run(
        [str(Path(sys.executable).parent / "jointloop")], cwd=tmp_path, capture_output=True, text=True,
        timeout=240, check=False, env=asked,
    )  # fmt: skip
    assert set(done.stdout.split()) == offered
