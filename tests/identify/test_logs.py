"""Logs of all kinds, read: separators, decimal commas, units, counts, gaps, several pieces; and what is refused."""

import numpy as np
import pytest

from sim.errors import InputError
from sim.identify.axis import log as logs
from sim.identify.axis.log import parse_columns, read_log, understood

GOOD = "time=t[s],drive=u[V],angle=q[deg]"


def write(tmp_path, text, name="log.csv"):
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    return path


def rows(count=200, step=0.01, head="t,u,q", sep=",", comma=False, **spoil):
    lines = [head]
    for k in range(count):
        t, u, q = k * step, np.sin(k / 7.0), 30.0 * np.sin(k / 9.0)
        line = sep.join(f"{one:.6f}" for one in (t, u, q))
        lines.append(spoil.get(f"row{k}", line.replace(".", ",") if comma else line))
    return "\n".join(lines) + "\n"


def test_a_log_is_read_in_si_units(tmp_path):
    log = read_log(write(tmp_path, rows()), GOOD)
    assert log.motion.max() == pytest.approx(np.deg2rad(30.0), rel=0.01)
    assert (log.drive_unit, log.motion_unit, log.is_speed) == ("V", "rad", False)
    assert log.step_s == pytest.approx(0.01)


@pytest.mark.parametrize(
    ("head", "sep", "comma"),
    [
        ("t;u;q", ";", True), ("t;u;q", ";", False), ("t\tu\tq", "\t", True),
        ("# a remark\n# another\nt,u,q", ",", False), ("# t,u,q", ",", False),
        ("made by hand\nt [s],u [V],q [deg]", ",", False), ("t;u;q\ns;V;deg", ";", True),
        ("t;u;q\n[s];[V];[deg]", ";", True),
    ],
)  # fmt: skip
def test_the_same_numbers_whatever_the_dialect(tmp_path, head, sep, comma):
    plain = read_log(write(tmp_path, rows()), GOOD)
    other = read_log(write(tmp_path, rows(head=head, sep=sep, comma=comma), "other.csv"), GOOD)
    np.testing.assert_array_equal(other.motion, plain.motion)
    if "V" in head:  # the file's own units
        own = read_log(tmp_path / "other.csv", "time=t,drive=u,angle=q")
        np.testing.assert_array_equal(own.motion, plain.motion)


def test_counts_and_speeds_and_currents(tmp_path):
    path = write(tmp_path, rows(head="t,i,n"))
    log = read_log(path, "time=t[s],drive=i[A],angle=n[count]", "0.5 deg")
    assert log.motion.max() == pytest.approx(np.deg2rad(15.0), rel=0.01)
    assert any("mechanics alone" in one for one in log.remarks)
    log = read_log(path, "time=t[s],drive=i[A],speed=n[rpm]")
    assert log.is_speed
    assert log.motion_unit == "rad/s"
    with pytest.raises(InputError, match="per-count"):
        read_log(path, "time=t[s],drive=i[A],angle=n[count]")
    with pytest.raises(InputError, match="must be an angle or a length"):
        read_log(path, "time=t[s],drive=i[A],angle=n[count]", "3 V")


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("time=t[s],drive=u[V]", "needs the role angle, or the role speed"),
        (
            "time=t[s],drive=u[V],angle=q[deg],speed=q[rpm]",
            "needs the role angle, or the role speed",
        ),
        ("drive=u[V],angle=q[deg]", "lacks the role time"),
        ("time=t[s],drive=u[V],angle=q[kg]", "is no unit of angle"),
        ("time=t[s],drive=u[V],angle=q", "has no unit, here or in the file"),
        ("time=t[s],drve=u[V],angle=q[rad]", 'did you mean "drive"'),
        ("time=t[s],time=u[s],angle=q[rad]", "twice"),
        ("time=t[s],drive=x[V],angle=q[rad]", "no such column; allowed: t, u, q"),
    ],
)
def test_columns_that_cannot_be_are_refused(tmp_path, text, says):
    with pytest.raises(InputError) as caught:
        read_log(write(tmp_path, rows()), text)
    assert says in str(caught.value)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "needs a header"),
        ("t,u,q\n", "needs a header"),
        ("no numbers\nat all\n", "needs a header"),
        ("1,2,3\n" * 100, "has no header of 3 names"),
        (rows(3), "too few"),
        (rows(row50="0.5,x,1"), "line 52"),
        (rows(row50="0.5,1"), "has 2 cells"),
        (rows(row50="0.3,1,1"), "must rise from row to row"),
        (rows(row50="0.49,1,1"), "must rise from row to row"),
        (rows(row50="nan,1,1"), "is no number"),
        (rows(**{f"row{k}": f"{k / 100},nan,1" for k in range(40, 160)}), "hold no number"),
        ("t,u,q\n" + "".join(f"{k / 100},1.0,{k % 7}\n" for k in range(100)), "is constant"),
        ("t,u,q\n" + "".join(f"{k / 100},{k % 5},2.0\n" for k in range(100)), "is constant"),
        ("t,u,q\n" + "".join(f"{k / 100 + 5 * (k // 10)},{k % 5},{k % 7}\n" for k in range(100)), "long enough"),
    ],
)  # fmt: skip
def test_a_bad_log_is_refused_by_name_and_place(tmp_path, text, says):
    path = write(tmp_path, text)
    with pytest.raises(InputError) as caught:
        read_log(path, GOOD)
    assert says in str(caught.value)
    assert str(path) in str(caught.value)


def test_bytes_that_are_no_text_are_refused(tmp_path):
    path = tmp_path / "log.csv"
    path.write_bytes(b"t,u,q\n\xff\xfe\x00\n" * 100)
    with pytest.raises(InputError, match="is not UTF-8 text"):
        read_log(path, GOOD)


def test_what_was_cut_is_told_and_nothing_is_bridged(tmp_path, monkeypatch):
    text = rows(row60="0.60,,1").rstrip("\n") + "\n2.00,0.5"
    log = read_log(write(tmp_path, text), GOOD)
    told = " ".join(log.remarks)
    assert "torn" in told
    assert "1 rows without a number are left out" in told
    assert [len(piece.drive) for piece in log.pieces] == [60, 139]
    kept = rows().split("\n")
    log = read_log(write(tmp_path, "\n".join(kept[:100] + kept[105:])), GOOD)
    assert "1 gaps (5 rows)" in " ".join(log.remarks)
    assert len(log.pieces) == 2
    monkeypatch.setattr(logs, "MOST_ROWS", 120)
    log = read_log(write(tmp_path, rows()), GOOD)
    assert len(log.motion) == 120
    assert "only the first 120 rows are used" in " ".join(log.remarks)


def test_uneven_time_stamps_are_laid_on_even_ones(tmp_path):
    rng = np.random.default_rng(1)
    times = np.cumsum(0.01 + 0.002 * rng.uniform(-1.0, 1.0, 300))
    text = "t,u,q\n" + "".join(f"{t:.6f},{np.sin(t):.6f},{30 * np.sin(3 * t):.6f}\n" for t in times)
    log = read_log(write(tmp_path, text), GOOD)
    assert any("uneven" in one for one in log.remarks)
    aim = np.deg2rad(30.0 * np.sin(3.0 * (times[0] + log.step_s * np.arange(len(log.motion)))))
    assert np.abs(log.motion - aim).max() < 0.001


def test_what_was_understood_is_told_before_anything_is_fitted(tmp_path):
    said = dict(understood(read_log(write(tmp_path, rows(1000)), GOOD)))
    assert said["rows"] == "1000 in 1 piece(s)"
    assert said["time"] == "10.0 s at 100 Hz"
    assert said["motion"] == "-30 .. 30 deg"
    assert int(said["reversals"]) == pytest.approx(1000 / 9 / np.pi, abs=2)


def test_columns_are_parsed_whatever_the_order():
    assert parse_columns("angle=q[m], time=t [s],drive=f[N]")["angle"] == ("q", "m")
