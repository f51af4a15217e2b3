"""What commands refuse, clip or say: steps that are made, kinds of joints, numbers of what was measured."""

import json

import pytest

from sim.run import scenarios
from sim.run.closed_loop import simulate
from sim.size.figures import own_bound, size
from tests.properties.conftest import KINDS, joint_with

DEG = scenarios.DEG
NARROW = {"joint": {"range": ["10 deg", "50 deg"]}}


@pytest.mark.parametrize("changes", [{}, NARROW, {"joint": {"range": ["0 deg", "33 deg"]}}])
@pytest.mark.parametrize("way", [1.0, -1.0])
def test_the_largest_step_that_fits_is_made(changes, way):
    """An end that rounding puts beyond the range would be no command at all."""
    joint = joint_with(changes)
    limits = joint.settings.limits
    whole = limits.command_high_rad - limits.command_low_rad
    scene = joint.scenarios(way * whole)["step"]
    angles = [row[2] for row in scene.rows if row[1] == scenarios.schedule.TARGET]
    assert min(scene.start_rad, *angles) >= limits.command_low_rad
    assert max(scene.start_rad, *angles) <= limits.command_high_rad
    trace = simulate(joint, scene)
    assert abs(trace["joint_rad"][-1] - trace["joint_rad"][0]) > 0.9 * whole


@pytest.mark.parametrize("top", ["12 deg", "14 deg", "16 deg", "100 deg"])
def test_every_range_has_a_quickest_step(top):
    joint = joint_with({"joint": {"range": ["0 deg", top]}})
    assert 0.0 < own_bound(joint) < 0.5


def test_a_force_limit_is_kept_where_the_force_was_calibrated():
    """The limit's current is scaled by the factor, and so is what it gives."""
    gentle = {"limits": {"tip_force": "2 N"}}
    plain, mine = joint_with(gentle), joint_with({**gentle, "calibration": {"force_factor": "1.1"}})
    assert size(mine).force_limit_N == pytest.approx(mine.file.limits.tip_force, rel=2e-3)
    assert size(mine).stall_force_N == pytest.approx(1.1 * size(plain).stall_force_N, rel=1e-9)
    narrows = [one.text for one in size(mine).findings if "narrows it" in one.text]
    assert narrows == []
    assert any("narrows it" in one.text for one in size(plain).findings)


def test_values_of_standards_say_that_they_were_read_second_hand():
    strong = joint_with({"limits": {"tip_force": "200 N", "warm": "109 degC"}})
    told = [one.text for one in size(strong).findings if "ISO" in one.text or "IEC" in one.text]
    assert len(told) >= 2
    for text in told:
        assert "second-hand" in text
        assert "conformity is claimed" in text


def test_what_is_held_in_full_ends_where_the_limit_is_lowered():
    """The same heat model at constant current, tick by tick, until derating begins."""
    from controller.joint import heat
    from sim.joint.part import Plant

    joint = joint_with({})
    mine = size(joint)
    told = next(t for amps, _, t in mine.hold_s if abs(amps - mine.force_current_A) < 1e-3)
    plant, t, h = Plant(), 0.0, joint.part.heat
    plant.winding_C = plant.case_C = h.air_C
    while plant.winding_C < joint.settings.heat.warm_C:
        ohm = heat.resistance(h.resistance_25_ohm, plant.winding_C)
        heat.warm_up(h, plant, ohm * mine.force_current_A**2, 0.01)
        t += 0.01
    assert told == pytest.approx(t, rel=0.03)


@pytest.fixture
def at(tmp_path, monkeypatch, capsys):
    """Run a command in a folder with a file of a kind; exit code, output, errors."""
    import sys

    from host.cli import main

    def run(*words, kind=None, name="finger.toml", change=None):
        monkeypatch.chdir(tmp_path)
        if kind is not None:
            done = call("new", "--kind", kind, name)
            assert done[0] == 0
        if change is not None:
            path = tmp_path / name
            text = path.read_text(encoding="utf-8")
            assert change[0] in text
            path.write_text(text.replace(*change), encoding="utf-8")
        return call(*words) if words else None

    def call(*words):
        monkeypatch.setattr(sys, "argv", ["jointloop", *words])
        with pytest.raises(SystemExit) as ended:
            main()
        told = capsys.readouterr()
        return ended.value.code or 0, told.out, told.err

    return run


def test_a_narrow_joint_is_simulated_without_a_word_of_steps(at):
    range_ = ('range = ["0 deg", "100 deg"]', 'range = ["10 deg", "50 deg"]')
    code, out, err = at("simulate", "finger.toml", "--json", kind="finger", change=range_)
    assert (code, err.count("must fit")) == (0, 0)
    assert json.loads(out)["steady_error_rad"] < 1.0 * DEG
    for words in (("--list",), ("--scenario", "small_step")):
        assert at("simulate", "finger.toml", *words)[0] == 0


def test_steps_that_no_command_makes_are_refused(at):
    code, _, err = at(
        "simulate", "wrist.toml", "--step", "300 deg", kind="wrist", name="wrist.toml"
    )
    assert code == 2
    assert "at most 170.0 deg" in err
    at(kind="finger")
    for step, says in (("300 deg", "must fit"), ("-60 deg", "both ways")):
        code, _, err = at("tune", "finger.toml", "--step", step, "--no-write")
        assert code == 2, step
        assert says in err


def test_a_move_into_the_gap_and_a_start_beyond_the_stops_are_refused(at, tmp_path):
    at(kind="wrist", name="wrist.toml")
    at(kind="finger")
    scene = '[scenario]\nname = "one"\nstart = "{}"\nduration = "1 s"\n\n[[step]]\nat = "0.1 s"\ndo = "move"\nangle = "{}"\n'
    for file, start, angle, says in (
        ("finger.toml", "150 deg", "60 deg", "150.0 deg"),
        ("wrist.toml", "20 deg", "250 deg", "dead gap"),
    ):
        (tmp_path / "scene.toml").write_text(scene.format(start, angle), encoding="utf-8")
        code, _, err = at("simulate", file, "--scenario", "scene.toml")
        assert code == 2, err
        assert says in err


def test_what_was_not_measured_is_no_number(at):
    at(kind="finger")
    out = json.loads(at("simulate", "finger.toml", "--scenario", "wiper_open", "--json")[1])
    assert out["tracking_rad"] is None
    assert out["drive_noise_V"] is None
    for name in ("slow_ramp", "grip", "hard_object"):
        out = json.loads(at("simulate", "finger.toml", "--scenario", name, "--json")[1])
        assert out["settling_2pct_s"] is None, name
        assert out["overshoot_rad"] is None, name


def test_a_direct_joint_has_no_cable_in_any_table(at):
    at(kind="direct", name="direct.toml")
    assert "cable tension" not in at("simulate", "direct.toml")[1]
    code, _, err = at("sweep", "direct.toml", "--vary", "cable.joint_radius=4 mm..8 mm/3")
    assert code == 2
    assert "no cable" in err


def test_files_of_every_kind_have_names_of_their_own(at, tmp_path):
    for kind in ("hand", "board", "scenario"):
        assert at("new", "--kind", kind)[0] == 0
    assert {"hand.toml", "joint.toml", "board.json", "scenario.toml"} <= {
        one.name for one in tmp_path.iterdir()
    }
    code, _, err = at("new", "--kind", "hand", "sub/joint.toml")
    assert code == 2
    assert "joint.toml" in err


@pytest.mark.parametrize(("values", "code"), [("1:100,1:298", 0), ("0,100", 2), ("abc,100", 2)])
def test_gear_ratios_are_varied_as_catalogues_write_them(at, values, code):
    found, _, err = at(
        "sweep", "finger.toml", "--vary", f"motor.gear_ratio={values}", kind="finger"
    )
    assert found == code
    assert "Traceback" not in err


def test_margins_are_told_of_the_loop_that_the_gains_are_in():
    from host.commands.tune import margin_words
    from sim.tune import margins

    for kind, changes in (("builtin", {"drive": {"kind": "builtin"}}), ("direct", KINDS["direct"])):
        joint = joint_with(changes)
        s = joint.settings
        found = margins.margins(joint.part, s.gains, s.tick_s, joint.delay_s).as_dict()
        found["resonance_gain_margin"] = float("inf") if kind == "direct" else 3.0
        swing = margins.worst_swing(joint.part, s.gains, s.tick_s, joint.delay_s)
        found["swing_ms"], found["swing_phase_margin_deg"], found["swing_rad"] = swing
        words = margin_words(joint, found)
        assert "inf" not in " ".join(words)
        assert ("none" in words[0]) == (kind == "builtin")
        assert "resonance" not in " ".join(words)


def test_what_happened_is_said_before_the_table(at):
    """The sentences' numbers are the run's."""
    at(kind="finger")
    out = " ".join(at("simulate", "finger.toml")[1].split())
    found = json.loads(at("simulate", "finger.toml", "--json")[1])
    settled = f"It settles to 2 % in {1e3 * found['settling_2pct_s']:.0f} ms"
    assert 0 < out.index(settled) < out.index("greatest cable tension")
    assert f"pulled with up to {found['peak_tension_N']:.1f} N of the 60 N allowed" in out
    out = " ".join(at("simulate", "finger.toml", "--scenario", "hard_object")[1].split())
    found = json.loads(at("simulate", "finger.toml", "--scenario", "hard_object", "--json")[1])
    assert f"The drive went off after {found['fault_s']:.2f} s: blocked" in out
    assert "clear the way, or command a grip" in out
    assert f"presses with up to {found['peak_tip_force_N']:.1f} N" in out


@pytest.mark.parametrize("settles", [True, False])
def test_tuning_begins_with_its_verdict(settles):
    from types import SimpleNamespace

    from host.commands.tune import verdict

    p95 = {"held_out": 0.202 if settles else None, "before": 0.281}
    tuning = SimpleNamespace(
        step_rad=60.0 * DEG, tables={"held_out": 1}, outside=[] if settles else ["Ms 1.72, bound 1.7"],
        summary=lambda name: {"settling_2pct_s": {"p95": p95[name]}},
    )  # fmt: skip
    found, good = verdict(tuning)
    assert "(before: 281 ms)" in found
    assert ("within 202 ms" in found) == settles
    assert ("do not all settle" in found) != settles
    assert good == (
        "All bounds are kept." if settles else "1 bound(s) are not kept: Ms 1.72, bound 1.7."
    )
