"""Goals over the spread, and the smallest changes that reach them."""

import json
import re
import sys
import tomllib
from pathlib import Path

import numpy as np
import pytest

from host.cli import main
from sim.errors import InputError
from sim.joint import physics
from sim.joint.spread import draw_parts, spread_of
from sim.run.closed_loop import joint_of, load_joint, simulate
from sim.run.scenarios import step, step_ends
from sim.size import goals
from sim.size.goals import judge
from sim.size.reach import free_of, reach
from sim.size.sweep import Axis
from sim.units import DEG

STARTER = Path(__file__).resolve().parents[2] / "host" / "demo" / "joint.toml"


def tables_with(wanted, **limits):
    tables = tomllib.loads(STARTER.read_text(encoding="utf-8"))
    tables["limits"].update({"tip_force": "8 N", **limits})
    tables["goals"] = wanted
    return tables


@pytest.fixture
def at(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)

    def run(*words):
        monkeypatch.setattr(sys, "argv", ["jointloop", *map(str, words)])
        with pytest.raises(SystemExit) as ended:
            main()
        told = capsys.readouterr()
        return ended.value.code or 0, told.out, told.err

    return run


def file_with(path, wanted, limit="8 N"):
    text = STARTER.read_text(encoding="utf-8").replace(
        'tip_force = "3 N"', f'tip_force = "{limit}"', 1
    )
    ours = re.search(r"\[goals\].*?\n\n", text, re.S)[0]
    path.write_text(text.replace(ours, f"[goals]\n{wanted}\n\n", 1), encoding="utf-8")
    return path


def test_a_force_is_judged_by_what_95_of_100_parts_press_with():
    """By a count of drawn parts: stalled at its own supply, its own resistance, warm as drawn."""
    from controller.joint import heat

    joint = joint_of(tables_with({"tip_force": "3 N"}), "x")
    (found,) = judge(joint, 400, 3)
    parts, warmth = draw_parts(joint.part, spread_of(joint.file), 400, 3)
    pressed = []
    for part, warm in zip(parts, warmth, strict=True):
        ohm = heat.resistance(part.motor.resistance_25_ohm, warm) + part.motor.driver_ohm
        pressed.append(physics.tip_force_of_current(part, part.supply_V / ohm))
    assert np.mean(np.array(pressed) >= found.reached) == pytest.approx(0.95, abs=0.01)
    assert found.margin == pytest.approx(found.reached / 3.0 - 1.0)


def test_a_step_is_judged_by_what_95_of_100_steps_take():
    joint = joint_of(tables_with({"step": "40 deg", "within": "300 ms"}), "x")
    settled = goals.settling(joint, 40.0 * DEG, 30, 2)
    parts, warmth = draw_parts(joint.part, spread_of(joint.file), 30, 2)
    low, high = step_ends(joint.settings, 40.0 * DEG)
    one = simulate(joint, step(low, high, 0.01, 1.0, 0.2), parts[3], warmth[3])
    assert settled[3] == pytest.approx(one.metrics.settling_2pct_s, abs=0.02)
    assert (high - low) / DEG == pytest.approx(40.0)


def test_one_change_is_enough_and_none_smaller_of_its_kind_is():
    tables = tables_with({"tip_force": "3.5 N"})
    found = reach(tables, "x", free_of(tables, []))
    assert not found.present[0].met
    first = found.proposals[0]
    assert len(first.changes) == 1
    assert [one.size for one in found.proposals] == sorted(one.size for one in found.proposals)
    for one in found.proposals:
        assert all(goal.met for goal in one.goals)
        ((key, text),) = one.changes.items()
        table, name = key.split(".")
        before, now = (float(str(value).split()[0]) for value in (tables[table][name], text))
        less = f"{before * (now / before) ** 0.85:.6g} {' '.join(text.split()[1:])}".strip()
        smaller = {**tables, table: {**tables[table], name: less}}
        if key != "motor.gear_ratio":  # whose torque and speed go with it
            assert not judge(joint_of(smaller, "x"))[0].met, f"{key}: a smaller change serves, too"


def test_a_list_is_chosen_from_as_it_is():
    tables = tables_with({"tip_force": "3.5 N"})
    found = reach(
        tables, "x", free_of(tables, [Axis("cable.drum_radius", ("7 mm", "5 mm", "4 mm", "3 mm"))])
    )
    assert found.proposals[0].changes == {"cable.drum_radius": "4 mm"}


def test_goals_that_nothing_reaches_name_the_nearest_and_what_bars_it(at, tmp_path):
    path = file_with(tmp_path / "one.toml", 'tip_force = "90 N"', "100 N")
    code, out, _ = at("reach", path, "--json")
    found = json.loads(out)
    assert code == 1
    assert found["proposals"] == []
    assert len(found["nearest"]["changes"]) == 2
    code, out, _ = at("reach", path)
    assert "Nothing of what may change reaches all goals" in " ".join(out.split())
    assert "tip force" in out


def test_the_file_that_is_written_reaches_the_goals(at, tmp_path):
    path = file_with(tmp_path / "one.toml", 'tip_force = "3.5 N"')
    code, out, _ = at("reach", path, "--into", "two.toml", "--json")
    assert code == 0
    made = load_joint(tmp_path / "two.toml")
    (now,) = judge(made)
    assert now.met
    assert now.reached == pytest.approx(json.loads(out)["proposals"][0]["goals"][0]["reached"])
    assert "# hinge to the point that touches" in (tmp_path / "two.toml").read_text(
        encoding="utf-8"
    )
    code, _, err = at("reach", path, "--into", "two.toml")
    assert code == 2
    assert "exists already" in err


def test_size_says_met_or_missed_and_what_to_do_next(at, tmp_path):
    path = file_with(tmp_path / "one.toml", 'tip_force = "3.5 N"\nsupply_current = "2 A"')
    out = at("size", path)[1]
    assert "missed, by" in out
    assert "met, by" in out
    assert "Next: jointloop reach" in out
    found = json.loads(at("size", path, "--json")[1])["goals"]
    assert [one["met"] for one in found] == [False, True]


@pytest.mark.parametrize(
    ("wanted", "says"),
    [('tip_force = "9 N"', "more than limits.tip_force allows"), ('step = "60 deg"', "belong together"),
     ('cost = 9', "needs motor.cost"), ('mass = "9 g"', "needs motor.mass"), ('force = "9 N"', "tip_force")],
)  # fmt: skip
def test_goals_that_make_no_sense_are_refused(at, tmp_path, wanted, says):
    code, _, err = at("reach", file_with(tmp_path / "one.toml", wanted))
    assert code == 2
    assert says in err


def test_a_joint_without_goals_is_told_how_to_have_some(at, tmp_path):
    path = tmp_path / "one.toml"
    text = STARTER.read_text(encoding="utf-8")
    path.write_text(
        text.replace(re.search(r"\[goals\].*?\n\n", text, re.S)[0], ""), encoding="utf-8"
    )
    code, _, err = at("reach", path)
    assert code == 2
    assert '[goals] tip_force = "5 N"' in err


MOTORS = """name,voltage,stall_torque,stall_current,no_load_speed,no_load_current,gear_ratio,rotor_inertia,cost
strong,6 V,4.5 kgf*cm,1.3 A,500 deg/s,0.15 A,300,2e-8 kg*m^2,9
"""


def test_a_motor_of_a_list_is_a_change_like_others(at, tmp_path):
    path = file_with(tmp_path / "one.toml", 'tip_force = "3.2 N"')
    (tmp_path / "motors.csv").write_text(MOTORS, encoding="utf-8")
    code, out, _ = at("reach", path, "--motors", "motors.csv", "--vary", "cable.drum_radius=6 mm,7 mm",
                      "--into", "two.toml", "--json")  # fmt: skip
    assert code == 0
    assert json.loads(out)["proposals"][0]["changes"] == {"motor": "strong"}
    made = tomllib.loads((tmp_path / "two.toml").read_text(encoding="utf-8"))
    assert made["motor"]["stall_torque"] == "4.5 kgf*cm"
    assert made["motor"]["backlash"] == "1.5 deg", "what the list does not say stays"


def test_a_list_of_motors_with_missing_values_names_each_row(at, tmp_path):
    path = file_with(tmp_path / "one.toml", 'tip_force = "3.2 N"')
    bad = (
        MOTORS
        + "weak,6 V,,1.3 A,500 deg/s,0.15 A,300,2e-8 kg*m^2,9\nodd,6 V,1 furlong,1.3 A,5 deg/s,0.1 A,3,1e-8 kg*m^2,x\n"
    )
    (tmp_path / "motors.csv").write_text(bad, encoding="utf-8")
    code, _, err = at("reach", path, "--motors", "motors.csv")
    assert code == 2
    assert "line 3 (weak)" in err
    assert "stall_torque" in err
    assert "line 4" in err


def test_goals_and_prices_leave_gains_valid():
    from sim.joint.gains import joint_digest

    tables = tables_with({"tip_force": "3 N"})
    bare = {key: value for key, value in tables.items() if key != "goals"}
    priced = {**bare, "motor": {**bare["motor"], "cost": 5.0, "mass": "9 g"}}
    assert joint_digest(tables) == joint_digest(bare) == joint_digest(priced)


def test_an_empty_table_of_goals_is_refused():
    with pytest.raises(InputError, match="missing or empty"):
        reach(tables_with({}), "x", [])
