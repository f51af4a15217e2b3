"""Constants of a motor on the table, from logs through the command into a joint file's [motor]."""

import csv
import json
import sys
import tomllib

import numpy as np
import pytest

from host.cli import main
from sim import units
from sim.joint.file import check
from tests.identify.axis_logs import drive_of, moved
from tests.properties.conftest import NOMINAL, joint_with

STEP_S = 0.002
COLUMNS = "time=t[s],drive=u[{}],angle=q[rad]"


@pytest.fixture
def hidden():
    """A motor whose constants are not the file's: R, K, J, b, F at the output."""
    m = joint_with({}).part.motor
    return {"resistance": 1.1 * m.resistance_25_ohm, "torque_constant": 0.95 * m.emf_V_s,
            "output_inertia": 1.2 * m.inertia, "viscous": 1.2 * m.viscous_Nms,
            "coulomb": 0.8 * m.coulomb_Nm}  # fmt: skip


def written_log(path, hidden, by, kind="stair"):
    """A log of the motor alone, 12-bit angle, driven by voltage, current or torque."""
    r, k, j, b, f = (hidden[one] for one in ("resistance", "torque_constant", "output_inertia",
                                             "viscous", "coulomb"))  # fmt: skip
    t = np.arange(0.0, 20.0, STEP_S)
    volt = drive_of(kind, t, np.random.default_rng(1))
    scale = {"V": k / r, "A": k, "N*m": 1.0}[by]
    damping = b + k * k / r if by == "V" else b
    drive = volt if by == "V" else 0.02 * volt / scale  # gentle: without back-EMF it runs away
    angle, _ = moved(drive, STEP_S, 0.0, j / scale, damping / scale, f / scale, 0.0)
    step = 2.0 * np.pi / 4096
    with path.open("w", newline="", encoding="utf-8") as file:
        out = csv.writer(file)
        out.writerow(["t", "u", "q"])
        out.writerows(zip(t.round(4), drive, np.round(angle / step) * step, strict=True))


def identified(monkeypatch, capsys, *words):
    monkeypatch.setattr(sys, "argv", ["jointloop", "identify", *map(str, words), "--json"])
    with pytest.raises(SystemExit) as ended:
        main()
    told = capsys.readouterr()
    return ended.value.code or 0, told


@pytest.fixture
def file(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    path = tmp_path / "finger.toml"
    path.write_text(NOMINAL.read_text(encoding="utf-8"), encoding="utf-8")
    return path


@pytest.mark.parametrize("by", ["V", "A", "N*m"])
def test_what_the_intervals_say_holds_the_truth_and_the_file_gets_it(
    by, hidden, file, tmp_path, monkeypatch, capsys
):
    written_log(tmp_path / "free.csv", hidden, by)
    words = ["free.csv", "--columns", COLUMNS.format(by), "--into", file]
    if by == "V":
        words += ["--resistance", f"{hidden['resistance']:.4f} ohm", "--temperature", "25 degC"]
    code, told = identified(monkeypatch, capsys, *words)
    assert code == 0
    found = json.loads(told.out)["motor"]
    mechanics = ("output_inertia", "coulomb")
    for key in ("torque_constant", *mechanics) if by == "V" else mechanics:
        assert abs(found["values"][key] - hidden[key]) <= found["half_95"][key], key
    if by == "N*m":
        for key in mechanics:
            assert found["half_95"][key] < 0.02 * hidden[key], "torque tells mechanics exactly"
    text = file.read_text(encoding="utf-8")
    assert "# before: stall_torque" in text
    assert "# identified from free.csv" in text
    made = check(tomllib.loads(text), "finger.toml").motor
    for key, value in found["values"].items():
        assert getattr(made, key) == pytest.approx(value, rel=1e-4)
    assert made.stall_torque is None


def test_a_log_that_tells_no_inertia_and_one_that_is_no_motor_are_refused(
    hidden, file, tmp_path, monkeypatch, capsys
):
    written_log(tmp_path / "free.csv", hidden, "V")
    before = file.read_text(encoding="utf-8")
    code, told = identified(monkeypatch, capsys, "free.csv", "--columns",
                            "time=t[s],drive=u[N],angle=q[m]", "--into", file)  # fmt: skip
    assert code == 2
    assert "a motor turns" in told.err
    assert file.read_text(encoding="utf-8") == before


def test_keys_go_into_a_table_with_its_remarks_kept(tmp_path):
    from host.files import put_keys

    path = tmp_path / "one.toml"
    seen = '[motor] # mine\n# note\na = "1 V"  # old\nb = 2\n\n# about c\n[c]\na = 1\n'
    path.write_text(seen, encoding="utf-8")
    put_keys(path, "motor", {"a": '"3 V"'}, "from a log", ("b",), seen)
    assert path.read_text(encoding="utf-8") == (
        '[motor] # mine\n# note\n# before: a = "1 V"  # old\n# before: b = 2\n'
        'a = "3 V"  # from a log\n\n# about c\n[c]\na = 1\n'
    )
    assert units.parse("3 V", "V", "") == 3.0
