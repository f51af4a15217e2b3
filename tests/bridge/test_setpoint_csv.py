"""Setpoint files: good ones are followed, broken ones refused in one line before anything moves."""

from math import pi

import numpy as np
import pytest

from host.commands.shared.loading import load
from host.commands.stream import Wish, moves_of
from host.link.moves import from_csv
from sim.errors import InputError

DEG = pi / 180.0
GOOD = "time_s,setpoint_deg\n0,10\n0.5,20\n1.0,60\n"


@pytest.fixture
def write(tmp_path):
    def put(text, name="moves.csv"):
        path = tmp_path / name
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return path

    return put


def test_rows_are_met_and_joined_by_straight_lines(write):
    (move,) = from_csv(write(GOOD), 1)
    assert move.name == "moves.csv"
    assert move.seconds == 1.0
    assert not move.jumps
    for t, degrees in ((0.0, 10.0), (0.5, 20.0), (1.0, 60.0), (0.25, 15.0), (0.75, 40.0)):
        assert move.at(t)[0] == pytest.approx(degrees * DEG, abs=1e-12)


def test_the_speed_is_the_slope_of_the_line(write):
    (move,) = from_csv(write(GOOD), 1)
    assert move.at(0.2)[1] == pytest.approx(20.0 * DEG)
    assert move.at(0.7)[1] == pytest.approx(80.0 * DEG)
    assert move.at(1.5) == (pytest.approx(60.0 * DEG), 0.0)


def test_before_the_first_row_it_waits_at_the_first_angle(write):
    (move,) = from_csv(write("time_s,setpoint_deg\n0.4,10\n1,20\n"), 1)
    assert move.at(0.1) == (pytest.approx(10.0 * DEG), 0.0)


def test_a_column_a_joint_in_degrees_or_radians(write):
    text = "time_s, first_deg, second_rad\n0, 10, 0.5\n1, 30, 0.7\n"
    first, second = from_csv(write(text), 2)
    assert first.at(0.5)[0] == pytest.approx(20.0 * DEG)
    assert second.at(0.5)[0] == pytest.approx(0.6)


@pytest.mark.parametrize(
    "text",
    [
        b"\xef\xbb\xbf" + GOOD.encode(),
        GOOD.replace("\n", "\r\n"),
        GOOD.replace("\n0.5", "\n\n0.5"),
        GOOD + "\n\n",
        GOOD.rstrip("\n"),
        "time_s,setpoint_deg\n0,1e1\n+0.5, 20 \n1.,6.0e1\n",
    ],
    ids=["mark", "crlf", "blank line", "blank end", "no last newline", "number forms"],
)
def test_what_spreadsheets_make_of_it_is_taken_too(text, write):
    (move,) = from_csv(write(text), 1)
    assert move.at(0.75)[0] == pytest.approx(40.0 * DEG, abs=1e-9)


BROKEN = {
    "torn in a number": ("time_s,setpoint_deg\n0,10\n0.5,20\n0.", ("line 4",)),
    "torn after a comma": ("time_s,setpoint_deg\n0,10\n0.5,20\n1.0,", ("line 4",)),
    "word": ("time_s,setpoint_deg\n0,10\n0.5,abc\n1,20\n", ("line 3", "numbers")),
    "not a number": ("time_s,setpoint_deg\n0,10\n0.5,nan\n1,20\n", ("line 3", "finite")),
    "time not a number": ("time_s,setpoint_deg\n0,10\nnan,11\n1,20\n", ("line 3", "finite")),
    "infinite": ("time_s,setpoint_deg\n0,10\n0.5,inf\n1,20\n", ("line 3", "finite")),
    "decimal comma": ("time_s,setpoint_deg\n0,10\n0,5,20\n1,30\n", ("line 3",)),
    "blank cell": ("time_s,setpoint_deg\n0,10\n0.5,\n1,20\n", ("line 3",)),
    "time stands": ("time_s,setpoint_deg\n0,10\n0.5,20\n0.5,21\n1,22\n", ("time_s", "rise")),
    "time falls": ("time_s,setpoint_deg\n0,10\n0.5,20\n0.4,21\n", ("time_s", "rise")),
    "time before zero": ("time_s,setpoint_deg\n-1,10\n0.5,20\n", ("time_s", "from 0 on")),
    "no time": ("t,setpoint_deg\n0,10\n1,20\n", ("time_s",)),
    "no unit": ("time_s,setpoint\n0,10\n1,20\n", ("setpoint", "_deg or _rad")),
    "no header": ("0,10\n0.5,20\n1,30\n", ("time_s",)),
    "other separator": ("time_s;setpoint_deg\n0;10\n1;20\n", ("time_s",)),
    "column too many": ("time_s,a_deg,b_deg\n0,1,2\n1,2,3\n", ("1 setpoint column",)),
    "column too few": ("time_s\n0\n1\n", ("1 setpoint column",)),
    "header alone": ("time_s,setpoint_deg\n", ("at least two rows",)),
    "one row": ("time_s,setpoint_deg\n0,10\n", ("at least two rows",)),
    "empty": ("", ("at least two rows",)),
    "not utf-8": (b"time_s,setpoint_deg\n0,10\n1,\xff\xfe\n", ("UTF-8",)),
    "binary": (bytes(range(256)) * 40, ("UTF-8",)),
}


@pytest.mark.parametrize("case", BROKEN)
def test_broken_files_are_refused_in_one_line_that_says_where(case, write, joint_file, inside):
    text, words = BROKEN[case]
    path = write(text)
    before = path.read_bytes()
    done = inside("stream", joint_file, "--csv", "moves.csv")
    assert done.returncode == 2
    assert done.stderr.count("\n") == 1
    assert "moves.csv" in done.stderr
    for word in words:
        assert word in done.stderr
    assert path.read_bytes() == before
    assert not (path.parent / "jointloop-runs").exists()


def test_a_row_whose_time_does_not_rise_is_named(write):
    """A file of ten thousand rows with one wrong one: which?"""
    rows = [f"{k / 10},{10 + k % 7}" for k in range(1000)]
    rows[499] = "1.0,10"
    with pytest.raises(InputError) as caught:
        from_csv(write("time_s,setpoint_deg\n" + "\n".join(rows) + "\n"), 1)
    assert "line 501" in str(caught.value)


@pytest.mark.parametrize("name", ["folder", "missing.csv"])
def test_a_folder_or_a_missing_file_is_told(name, tmp_path, joint_file, inside):
    (tmp_path / "folder").mkdir()
    done = inside("stream", joint_file, "--csv", name)
    assert done.returncode == 2
    assert done.stderr.count("\n") == 1
    assert f"{name}: cannot be read" in done.stderr


def test_a_blank_first_line_is_told(write):
    with pytest.raises(InputError, match=r"moves\.csv"):
        from_csv(write("\n" + GOOD), 1)


def test_a_cell_larger_than_any_number_is_told(write):
    text = GOOD + "2.0," + "7" * 200000 + "\n"
    with pytest.raises(InputError, match=r"moves\.csv.*line 5"):
        from_csv(write(text), 1)


def wish(path):
    return Wish("sine", path, None, "20 deg", "0.5 Hz", "4 Hz", 6.0)


def test_setpoints_outside_the_travel_are_refused_with_time_and_range(write, joint_file):
    path = write("time_s,setpoint_deg\n0,10\n1,90\n2,110\n3,20\n")
    with pytest.raises(InputError) as caught:
        moves_of(wish(path), [load(joint_file)])
    assert "must lie within 0.0 .. 100.0 deg" in str(caught.value)
    late = float(str(caught.value.value).split(" at ")[1].split()[0])
    assert 1.4 <= late <= 2.6


def test_the_ends_of_the_travel_are_allowed(write, joint_file):
    path = write("time_s,setpoint_deg\n0,0\n1,100\n2,0\n")
    (move,) = moves_of(wish(path), [load(joint_file)]).values()
    assert move.at(1.0)[0] == pytest.approx(100.0 * DEG)


def test_one_wild_row_in_a_long_file_is_refused_too(write, joint_file):
    """A row in 12,000 that leaves the travel: no setpoint between two looks goes unseen."""
    times = np.arange(12000) * 0.005
    angles = np.full(12000, 50.0)
    angles[6001] = 170.0
    rows = "\n".join(f"{t:.3f},{a:g}" for t, a in zip(times, angles, strict=True))
    path = write("time_s,setpoint_deg\n" + rows + "\n")
    with pytest.raises(InputError, match="must lie within"):
        moves_of(wish(path), [load(joint_file)])
