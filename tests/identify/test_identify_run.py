"""From a recording to the joint file and back: `identify RUN`, `compare`, what tuning then knows."""

import json
import shutil
import sys
from pathlib import Path

import numpy as np
import pytest
import tomlkit

from host.commands.identify_run import look_at, warmth_of
from host.recordings.comparison import powered_rows
from host.recordings.recorder import Run, write_simulated
from sim.errors import InputError
from sim.identify.excite import excitation
from sim.identify.products import friction_by_drive, inertia_by_drive
from sim.joint import spread
from sim.joint.identified import known
from sim.joint.result_tables import IdentifiedTable
from sim.run.closed_loop import Fleet, load_joint, simulate
from sim.schema import of_file, read
from tests.identify.hidden import hidden_parts

SECONDS = 14.0
STARTER = Path(__file__).resolve().parents[2] / "host" / "demo" / "joint.toml"
STARTER_TEXT = STARTER.read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    """A joint file with remarks, a hidden part, and the recording of its excitation."""
    folder = tmp_path_factory.mktemp("bench")
    path = folder / "finger.toml"
    path.write_text(STARTER_TEXT, encoding="utf-8")
    joint = load_joint(path)
    part = hidden_parts(joint, 3, 21)[2]
    plan = excitation(joint.settings, SECONDS)
    trace = simulate(joint, plan.scenario(), part, seed=3)
    about = {"joint_files": [{"path": "finger.toml", "file": STARTER_TEXT}],
             "excitation": [{"seconds": SECONDS, "pieces": plan.pieces}]}  # fmt: skip
    write_simulated(folder / "run", trace, about)
    return path, folder / "run", part


@pytest.fixture(scope="module")
def written(bench, tmp_path_factory):
    """The joint file after `identify --into`, and what the command answered."""
    folder = tmp_path_factory.mktemp("written")
    path = folder / "finger.toml"
    shutil.copy(bench[0], path)
    from host.cli import main

    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        patch.setattr(sys, "argv", ["jointloop", "identify", str(bench[1]), "--into", str(path),
                                    "--resistance", "6.3 ohm", "--json"])  # fmt: skip
        out = folder / "out.json"
        with out.open("w") as stream:
            patch.setattr(sys, "stdout", stream)
            with pytest.raises(SystemExit) as end:
                main()
            assert end.value.code in (0, None)
    return path, json.loads(out.read_text()), folder


def test_it_answers_with_intervals_response_and_figure(written):
    _, answer, folder = written
    assert (folder / answer["figure"]).stat().st_size > 20_000
    for one in answer["combinations"]:
        assert one["low"] < one["value"] < one["high"]
    names = {one["name"]: one for one in answer["values"]}
    assert names["resistance"]["low"] < 6.3 * 259.5 / 256.5 < names["resistance"]["high"]
    spectrum = answer["frequency_response"]
    assert spectrum["hertz"] == [0.5, 0.9, 1.5, 2.4, 3.7, 5.3]
    # the fitted plant, friction and all, answers each tone as the recorded one does, to the
    # scatter of six periods with stick and slip (seen: up to 12 %)
    assert spectrum["simulated_rad_V"] == pytest.approx(spectrum["measured_rad_V"], rel=0.2)
    assert answer["held_out_fit"] > 0.95


def test_what_the_winding_was_taken_as_is_told(written):
    """A simulated run records its winding; the words say what a warm one does (IEC 60028: 3.9 % in 10 degC)."""
    from host.commands.identify_run import warmth_told

    told = [one for one in written[1]["remarks"] if "winding" in one and "when it began" in one]
    assert len(told) == 1
    assert "25 degC" in told[0]
    assert "3.9 % of resistance" in told[0]
    assert "a cold motor" in told[0]
    assert written[1]["winding_begun_C"]["value"] == pytest.approx(25.0, abs=6.0)
    rows = {"time_s": np.arange(3.0), "winding_C": np.array([26.0, 27.0, 28.0])}
    assert warmth_of(rows, 60.0) == pytest.approx([60.0, 61.0, 62.0])
    assert warmth_of({"time_s": np.arange(2.0)}, None) == pytest.approx([25.0, 25.0])
    assert "as you say" in warmth_told(60.0, True, True)


def test_the_table_keeps_remarks_and_says_where_it_is_from(written, bench):
    text = written[0].read_text(encoding="utf-8")
    for line in STARTER_TEXT.splitlines():
        assert line in text
    table = tomlkit.parse(text)["identified"]
    assert table["provenance"]["recording"] == bench[1].name
    assert "6.2" in table["provenance"]["winding_measured"] or "6.3" in table["provenance"]["winding_measured"]  # fmt: skip
    assert "0." in table["provenance"]["inertia_by_drive"]


def test_the_joint_is_then_the_identified_one_and_its_spread_is_narrow(written, bench):
    joint, before = load_joint(written[0]), load_joint(bench[0])
    hidden = bench[2]
    for what in (inertia_by_drive, friction_by_drive):
        assert abs(np.log(what(joint.part) / what(hidden))) < abs(
            np.log(what(before.part) / what(hidden))
        )
    parts, _ = spread.draw_parts(joint.part, spread.spread_of(joint.file), 200, 1)
    wide, _ = spread.draw_parts(before.part, spread.spread_of(before.file), 200, 1)
    for what in (inertia_by_drive, friction_by_drive):
        narrow = np.std([np.log(what(one)) for one in parts])
        assert narrow < 0.35 * np.std([np.log(what(one)) for one in wide])
    # drawn together: the product is known far better than its factors
    own = np.std([np.log(one.motor.inertia) for one in parts])
    assert np.std([np.log(inertia_by_drive(one)) for one in parts]) < 0.8 * own


def test_compare_explains_more_with_what_was_identified(written, bench, inside, tmp_path, monkeypatch):  # fmt: skip
    monkeypatch.chdir(tmp_path)
    code, out, err = inside("compare", bench[1], "--joint-file", written[0], "--json")
    assert code == 0, err
    answer = json.loads(out)
    assert answer["identified"] is True
    assert answer["fit"] > answer["datasheet_fit"]
    assert answer["inside_share"] > 0.9
    code, out, err = inside("compare", bench[1], "--json")
    reasons = json.loads(out)["reasons"]
    assert reasons[0]["share"] >= reasons[-1]["share"] >= 0.0


@pytest.mark.parametrize(
    ("name", "change"),
    [
        ("backlash", {"backlash": 1.6}),
        ("torque_constant", {"torque_constant": 1.1}),
        ("rotor_inertia", {"rotor_inertia": 1.4}),
        ("resistance", {"resistance": 1.12}),
    ],
)
def test_a_gap_is_laid_at_the_door_of_what_made_it(name, change, bench, tmp_path):
    """One number moved: the comparison must name it first, its way, and lay most on it."""
    from host.recordings.comparison import compare
    from sim.joint.identified import part_with

    joint = load_joint(bench[0])
    part = part_with(joint.part, change)
    trace = simulate(joint, excitation(joint.settings, 10.0).scenario(), part, seed=2)
    run = Run(write_simulated(tmp_path / "run", trace, {}))
    first = compare(joint, run, 0, parts=[joint.part, part]).reasons[0]
    assert first.name == name
    assert first.share > 0.8
    assert first.deviations > 0.0


def test_what_is_blamed_is_plausible_and_may_be_the_sensor(bench, tmp_path):
    """A phalanx five times as heavy, and a sensor bent by its datasheet's bound: each is named first."""
    from host.recordings.comparison import compare
    from sim.joint.identified import part_with

    joint = load_joint(bench[0])
    heavy, bent = part_with(joint.part, {"joint_inertia": 5.0}), part_with(joint.part, {})
    bent.sensor.odd_error = joint.file.sensor.linearity
    for name, part in (("joint_inertia", heavy), ("sensor_odd", bent)):
        trace = simulate(joint, excitation(joint.settings, 10.0).scenario(), part, seed=2)
        run = Run(write_simulated(tmp_path / name, trace, {}))
        found = compare(joint, run, 0, parts=[joint.part, part]).reasons
        assert found[0].name == name
        assert found[0].deviations > 0.0
        assert max(abs(one.deviations) for one in found) <= 3.0


def test_full_circle_tuned_on_what_was_identified(written, bench):
    """Record, identify, tune, record again: the hidden part behaves as its tuning foretold."""
    from sim.tune.search import Effort
    from sim.tune.tuning import report_table, tune, with_gains

    joint = load_joint(written[0])
    quick = Effort(6, 4, 16, 8, 12, 5, 3, 12, 60, 2)
    found = tune(joint, seed=1, effort=quick)
    told = found.tables["held_out"]
    fleet = Fleet([bench[2]] * 8, [25.0] * 8, joint.settings.tick_s, joint.delay_s, 5)
    settings = with_gains(joint.settings, found.gains, found.profile)
    measured = report_table(joint, fleet, settings, found.step_rad)
    for name in ("settling_2pct_s", "overshoot_rad", "steady_error_rad"):
        low, high = np.nanquantile(told[name], [0.0, 1.0])
        middle = float(np.nanmedian(measured[name]))
        assert 0.9 * low - 1e-3 <= middle <= 1.1 * high + 1e-3, (name, low, middle, high)


def test_a_changed_datasheet_value_asks_to_identify_again(written, tmp_path):
    path = tmp_path / "changed.toml"
    text = written[0].read_text(encoding="utf-8")
    path.write_text(text.replace('gear_ratio = 250', 'gear_ratio = 200'), encoding="utf-8")  # fmt: skip
    with pytest.raises(InputError, match=r"changed\.toml: identified\.digest.*identify again"):
        load_joint(path)
    path.write_text(text.replace('tip_force = "3 N"', 'tip_force = "2.5 N"'), encoding="utf-8")
    assert load_joint(path).file.limits.tip_force == 2.5


SOUND = {"names": ["resistance", "backlash"], "middle": [0.1, 0.2], "covariance": [[0.01, 0.0], [0.0, 0.02]]}  # fmt: skip


@pytest.mark.parametrize(
    ("key", "value", "words"),
    [
        ("names", ["resistance", "resistance"], "different names"),
        ("names", ["resistance", "haste"], "haste.*unknown; allowed"),
        ("names", ["resistance", "gravity_cos"], "both gravity_cos and gravity_sin"),
        ("names", [], "different names"),
        ("middle", [0.1], "2 finite numbers"),
        ("middle", [0.1, "much"], "must be a number"),
        ("middle", [0.1, float("nan")], "2 finite numbers"),
        ("middle", [0.1, 40.0], "-5 .. 5"),
        ("covariance", [[0.01, 0.0]], "2 x 2 finite"),
        ("covariance", [[0.01, 0.5], [0.0, 0.02]], "symmetric"),
        ("covariance", [[-0.01, 0.0], [0.0, 0.02]], "negative variance"),
        ("mood", 3, "unknown key"),
    ],
)
def test_a_spoiled_table_is_refused(key, value, words):
    with pytest.raises(InputError, match=words) as refused, of_file("finger.toml"):
        known(read(IdentifiedTable, {**SOUND, key: value}, "finger.toml", "identified."))
    assert str(refused.value).startswith("finger.toml: identified.")


# --- recordings that cannot be used


def spoiled(run, folder, change):
    """A copy of a run whose telemetry lines went through ``change``."""
    target = folder / "spoiled"
    shutil.copytree(run, target)
    lines = (target / "telemetry.csv").read_text().split("\n")
    (target / "telemetry.csv").write_text("\n".join(change(lines)))
    return target


def flipped(lines):
    """The angle's sign turned about its middle: as with swapped motor wires."""
    at = lines[0].split(",").index("angle_rad")
    rows = [line.split(",") for line in lines[1:] if line]
    for row in rows:
        row[at] = repr(1.75 - float(row[at]))
    return [lines[0], *[",".join(row) for row in rows], ""]


def unpowered(lines):
    at = lines[0].split(",").index("mode")
    rows = [line.split(",") for line in lines[1:] if line]
    for row in rows:
        row[at] = "0"
    return [lines[0], *[",".join(row) for row in rows], ""]


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (flipped, "swapped"),
        (unpowered, "was not powered"),
        (lambda lines: [*lines[:1500], ""], "too short"),
        (lambda lines: [*lines[:3], ""], "was not powered"),
        (lambda lines: [lines[0], *["x" * 9 + line for line in lines[1:]]], "is not a number"),
        (lambda lines: [lines[0], ""], "was not powered"),
    ],
)
def test_recordings_that_tell_nothing_are_refused(change, words, bench, tmp_path, inside, monkeypatch):  # fmt: skip
    monkeypatch.chdir(tmp_path)
    code, _, err = inside("identify", spoiled(bench[1], tmp_path, change))
    assert code == 2
    assert words in err.replace("\n", " ")
    assert "Traceback" not in err


def test_missing_rows_and_a_torn_line_are_told(bench, tmp_path):

    target = spoiled(bench[1], tmp_path, lambda lines: [*lines[:2000], *lines[2040:-1], "77,0.1"])
    run, joint = Run(target), load_joint(bench[0])
    told = " ".join(look_at(run, 0, powered_rows(run, 0, joint)))
    assert "last line was torn" in told
    assert "40 rows" in told


def test_a_recording_with_more_than_a_tenth_missing_is_refused(bench, tmp_path):
    """One row of six gone, as a link that keeps dropping loses them."""

    def thinned(lines):
        return [one for k, one in enumerate(lines) if k % 6 != 3 or k == 0]

    run, joint = Run(spoiled(bench[1], tmp_path, thinned)), load_joint(bench[0])
    with pytest.raises(InputError, match="more than a tenth"):
        look_at(run, 0, powered_rows(run, 0, joint))


def test_another_joints_recording_is_refused_with_the_difference_told(bench, inside, tmp_path, monkeypatch):  # fmt: skip
    """A direct thumb against the recording of a cable finger: nothing is written without a yes."""
    monkeypatch.chdir(tmp_path)
    path = tmp_path / "thumb.toml"
    text = STARTER_TEXT.replace('kind = "pair"', 'kind = "direct"').replace('"index middle', '"thumb middle')  # fmt: skip
    path.write_text(text, encoding="utf-8")
    code, _, err = inside("identify", bench[1], "--into", path)
    said = " ".join(err.split())
    assert code == 2
    assert "is not the joint that was recorded" in said
    assert "cable.kind is pair in the recording, direct in the file" in said
    assert "joint.name is index middle" in said
    assert path.read_text(encoding="utf-8") == text


def test_a_file_that_was_put_right_since_is_taken_with_a_yes(bench, tmp_path):
    from host.commands.identify_run import same_joint
    from host.commands.shared.terminal import Terminal

    path = tmp_path / "finger.toml"
    path.write_text(STARTER_TEXT.replace('"6 mm"', '"0.006 m"'), encoding="utf-8")
    run = Run(bench[1])
    assert same_joint(Terminal(True), run, 0, load_joint(path), False) == [], (
        "the same, otherwise written"
    )
    path.write_text(STARTER_TEXT.replace("gear_ratio = 250", "gear_ratio = 298"), encoding="utf-8")
    told = same_joint(Terminal(True), run, 0, load_joint(path), True)
    assert len(told) == 1
    assert "motor.gear_ratio is 250 in the recording, 298 in the file" in told[0]
    with pytest.raises(InputError, match="gear_ratio"):
        same_joint(Terminal(True), run, 0, load_joint(path), False)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--joint-file", "a.toml", "--into", "b.toml"), "names the joint file already"),
        (("--resistance", "6.3 kg"), "6.3 kg"),
        (("--resistance", "0 ohm"), "0.05 .. 1000"),
        (("--winding", "900 degC"), "-20 .. 200"),
        (("--winding", "warm"), "warm"),
        (("--resistance", "6 ohm", "--temperature", "400 degC"), "-20 .. 80"),
        (("--joint", "3"), "must be 0 .. 0"),
        (("--into", "none.toml"), "none.toml"),
    ],
)
def test_bad_options_are_one_clear_line(arguments, words, bench, inside, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    code, _, err = inside("identify", bench[1], *arguments)
    assert code == 2
    assert words in err


def test_excite_refuses_a_length_that_holds_no_excitation(bench, inside):
    code, _, err = inside("record", bench[0], "--excite", "--duration", "3 s")
    assert code == 2
    assert "at least 8 s and at most 600 s" in err
