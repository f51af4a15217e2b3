"""`challenge`, `size --faults` and scenario files, as a person or a script calls them."""

import json
from pathlib import Path

import numpy as np
import pytest
import tomlkit

from sim.challenge.attack import attack
from sim.errors import InputError
from sim.run import scenario_file
from sim.run.closed_loop import load_joint

STARTER = (Path(__file__).resolve().parents[2] / "host" / "demo" / "joint.toml").read_text(
    encoding="utf-8"
)
SOUND = """
[scenario]
name = "a torn wire in a move"
start = "20 deg"
duration = "0.6 s"

[[step]]
at = "0.12 s"
do = "move"
angle = "60 deg"

[[step]]
at = "0.2 s"
do = "inject"
fault = "wiper torn off"
"""


@pytest.fixture
def finger(tmp_path):
    path = tmp_path / "finger.toml"
    path.write_text(STARTER, encoding="utf-8")
    return path


@pytest.fixture
def weak(tmp_path):
    """A joint whose cable cannot bear its own motor."""
    tables = tomlkit.parse(STARTER)
    tables["cable"]["breaking_strength"] = "45 N"
    path = tmp_path / "weak.toml"
    path.write_text(tomlkit.dumps(tables), encoding="utf-8")
    return path


def test_challenge_of_a_sound_joint_tells_what_it_tried(finger, inside, tmp_path):
    done = inside("challenge", finger, "--scenarios", 60, "--parts", 4, "--json")
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    assert found["broken"] is None
    assert found["runs"] == 4 * found["scenarios"]
    assert set(found["worst_share"]) == {"tension", "travel", "force", "heat"}
    assert all(0.0 <= share < 1.0 for share in found["worst_share"].values())
    assert found["worst_share"]["tension"] > 0.1
    assert sum(found["kinds"].values()) > 60
    assert (tmp_path / found["figure"]).is_file()
    assert found["first_result_s"] < found["elapsed_s"]


def test_a_breach_exits_with_1_and_replays_to_the_same_bits(weak, inside, tmp_path):
    done = inside("challenge", weak, "--scenarios", 300, "--parts", 8, "--json")
    assert done.returncode == 1, done.stderr
    found = json.loads(done.stdout)
    assert found["broken"] == "tension"
    written = tmp_path / found["breach"]["scenario"]
    assert (tmp_path / found["breach"]["figure"]).is_file()
    again = inside("simulate", weak, "--scenario", written, "--json")
    assert again.returncode == 1, "a limit is broken, as in the search"
    replay = json.loads(again.stdout)
    search = attack(load_joint(weak), seed=1, examples=300, parts=8)
    o = search.outcome
    batch = search.fleet.run(search.joint.settings, o.breach)
    assert replay["peak_tension_N"] == batch.plants["peak_cable_N"][o.part]
    assert replay["peak_tension_N"] > search.rules.pull_N


def test_a_part_alone_has_the_bits_it_has_in_a_batch(finger):
    """Also on a pulse board, whose frames begin at another phase in every part."""
    from sim.challenge.crew import crew_fleet
    from sim.run.closed_loop import joint_of

    tables = tomlkit.parse(STARTER).unwrap()
    for kind in ({}, {"kind": "pulse"}):
        tables["drive"].update(kind)
        joint = joint_of(tables, "finger.toml")
        fleet = crew_fleet(joint, 5, 9)
        scene = joint.scenarios()["small_step"]
        batch = fleet.run(joint.settings, scene)
        for k in (0, 4, 8):
            alone = fleet.trace(joint, scene, k)
            assert alone.metrics.peak_tension_N == batch.plants["peak_cable_N"][k], (kind, k)
        more = crew_fleet(joint, 5, 12)
        assert np.array_equal(more.shifts[:9], fleet.shifts)
        assert np.array_equal(more.words[:9], fleet.words)


def test_faults_study_tells_times_and_false_alarms(finger, inside, tmp_path):
    done = inside("size", finger, "--faults", "--json")
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    rows = {row["name"]: row for row in found["faults"]["rows"]}
    assert rows["wiper_open"]["seen_worst_s"] < 0.02
    assert rows["wiper_open"]["peak_tension_N"] < 1.1 * found["faults"]["allowed_pull_N"]
    assert found["faults"]["false_alarms"] == {}
    assert found["faults"]["hours"] > 0.0


def test_a_scenario_file_runs(finger, inside, tmp_path):
    path = tmp_path / "torn.toml"
    path.write_text(SOUND, encoding="utf-8")
    done = inside("simulate", finger, "--scenario", path, "--json")
    assert done.returncode == 1, "the joint tripped"
    found = json.loads(done.stdout)
    assert found["mode"] == "tripped"
    assert 0.2 < found["fault_s"] < 0.22


BAD = [
    ('do = "move"', 'do = "dance"', "step.0.do", "allowed: move"),
    ('at = "0.2 s"', 'at = "0.1 s"', "step.1.at", "in order of time"),
    ('at = "0.12 s"', 'at = "-1 s"', "step.0.at", "at least 0 s"),
    ('at = "0.2 s"', 'at = "7 s"', "step.1.at", "none after the end (0.6 s)"),
    ('at = "0.2 s"', "", "step.1.at", "is missing"),
    ('angle = "60 deg"', 'angle = "60 m"', "step.0.angle", "60 m"),
    ('angle = "60 deg"', 'angle = "nan deg"', "step.0.angle", "nan"),
    ('angle = "60 deg"', 'angle = "99999 deg"', "step.0.angle", "-4.011e+04 deg and at most"),
    ('angle = "60 deg"', 'angle = "800 deg"', "at 0.12 s", "800.0 deg"),
    ('angle = "60 deg"', "", "step.0.angle", "is missing"),
    ('angle = "60 deg"', 'angle = "60 deg"\nhaste = "1 s"', "step.0.haste", "unknown key"),
    ('fault = "wiper torn off"', 'fault = "wiper torn of"', "step.1.fault", 'did you mean "wiper torn off"?'),
    ('do = "inject"\nfault = "wiper torn off"', 'do = "request"\nwhat = "ease"', "step.1.what", "renamed to controlled_stop"),
    ('start = "20 deg"', 'start = "20 N"', "scenario.start", "20 N"),
    ('duration = "0.6 s"', 'duration = "0 s"', "scenario.duration", "at least 0.05 s and at most 600 s"),
    ('duration = "0.6 s"', 'duration = "0.6 s"\nself_test = 3', "scenario.self_test", "true or false"),
    ("[scenario]", "[part]\nseed = 1.5\nnumber = 1\n[scenario]", "part.seed", "whole number"),
    ("[scenario]", "[part]\nseed = 1\nnumber = 5000\n[scenario]", "part.number", "below 1000"),
    ("[scenario]", "[cast]\n[scenario]", "cast", "unknown key"),
    ("[scenario]", "[scenario", "line", "TOML"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "key", "words"), BAD, ids=[f"{b[2]}-{b[3]}" for b in BAD])
def test_a_bad_scenario_file_is_one_clear_line(old, new, key, words, finger, inside, tmp_path):
    path = tmp_path / "odd.toml"
    assert SOUND.count(old) >= 1
    path.write_text(SOUND.replace(old, new, 1), encoding="utf-8")
    done = inside("simulate", finger, "--scenario", path)
    assert done.returncode == 2
    assert "odd.toml" in done.stderr
    assert key in done.stderr
    assert words in done.stderr
    assert "Traceback" not in done.stderr


def test_a_scenario_file_without_a_head_or_absent(tmp_path):
    path = tmp_path / "empty.toml"
    path.write_text("", encoding="utf-8")
    with pytest.raises(InputError, match=r"scenario.*is missing"):
        scenario_file.read(path, 0.002)
    with pytest.raises(InputError, match=r"none\.toml"):
        scenario_file.read(tmp_path / "none.toml", 0.002)


def test_challenge_refuses_gains_of_another_joint(finger, inside, tmp_path):
    tables = tomlkit.parse(STARTER)
    tables["gains"] = {"kp": "10 V/rad", "digest": "0123456789ab"}
    other = tmp_path / "other.toml"
    other.write_text(tomlkit.dumps(tables), encoding="utf-8")
    done = inside("challenge", finger, "--gains", other, "--scenarios", 5)
    assert done.returncode == 2
    assert "other.toml" in done.stderr
    assert "another joint" in done.stderr
    for wrong in ("0", "-3", "20000"):
        assert inside("challenge", finger, "--duration", wrong).returncode == 2
