"""Recordings: written while they happen, read back whatever became of the writer."""

import errno
import json
import os
import signal
import struct
import subprocess
import sys
import textwrap
import threading
from pathlib import Path

import numpy as np
import pytest

from controller.wire import messages as m
from host.link.bridge import Bridge, Rows
from host.link.transport import open_url
from host.recordings.recorder import FLUSH_S, Recorder, Run, write_simulated
from sim.errors import InputError
from tests.waiting import until

ROOT = Path(__file__).resolve().parents[2]
FIELDS = ["angle_rad", "mode"]
PROMISED_S = 0.5


def rows(ticks, joints=(0,), value=0.5):
    ticks = list(ticks)
    values = [[[value + tick * 1e-3, 2.0] for _ in joints] for tick in ticks]
    return Rows(ticks, list(joints), FIELDS, values, 0, 0.0)


def written(folder, *blocks, joints=1, every=1):
    recorder = Recorder(folder, {"seed": 3}, joints, FIELDS, 0.002, every)
    for block in blocks:
        recorder.rows(*block) if isinstance(block, tuple) else recorder.rows(block)
    recorder.close()
    return Run(folder)


def test_what_was_taken_is_read_back(tmp_path):
    run = written(tmp_path / "run", rows(range(10, 20)), rows(range(20, 30)))
    assert run.columns == ["tick", "time_s", *FIELDS]
    np.testing.assert_array_equal(run["tick"], np.arange(10, 30))
    np.testing.assert_allclose(run["time_s"], np.arange(10, 30) * 0.002)
    np.testing.assert_allclose(run["angle_rad"], 0.5 + np.arange(10, 30) * 1e-3, rtol=1e-8)
    assert not run.torn
    assert run.about["seed"] == 3
    assert run.about["fields"] == FIELDS
    assert run.events == []


def test_values_stand_under_their_own_names(tmp_path):
    """The wire has an order of its own; a recording asked for in another is right all the same."""
    block = Rows([1, 2], [0], FIELDS, [[[0.25, 2.0]], [[0.5, 4.0]]], 0, 0.0)
    recorder = Recorder(tmp_path / "run", {}, 1, FIELDS[::-1], 0.002)
    recorder.rows(block)
    recorder.close()
    run = Run(tmp_path / "run")
    np.testing.assert_array_equal(run["angle_rad"], [0.25, 0.5])
    np.testing.assert_array_equal(run["mode"], [2.0, 4.0])


def test_every_column_of_record_holds_what_its_name_says(board, joint_file, inside, tmp_path):
    """Nothing is armed, nothing is wrong, and the sensor reads about a third of its 16380 counts."""
    inside("record", joint_file, "--port", board, "--duration", "0.3 s", "--folder", "run")
    run = Run(tmp_path / "run")
    assert (run["mode"] == 0).all()
    assert (run["fault"] == 0).all()
    assert 1000.0 < np.median(run["counts"]) < 15000.0
    assert run["supply_V"] == pytest.approx(5.0, abs=0.3)


def test_single_precision_survives_the_text(tmp_path):
    """Nine decimal digits tell every float32 from its neighbours (IEEE 754-2008, 5.12.2)."""
    random = np.random.default_rng(4)
    values = random.integers(0, 2**32, 4000, dtype=np.uint32).view(np.float32)
    values = values[np.isfinite(values)]
    block = Rows(list(range(len(values))), [0], FIELDS, [[[float(v), 2.0]] for v in values], 0, 0.0)
    run = written(tmp_path / "run", block)
    np.testing.assert_array_equal(run["angle_rad"].astype(np.float32), values)


def test_ticks_that_never_came_are_marked_and_left_open(tmp_path):
    run = written(tmp_path / "run", rows(range(5)), rows(range(9, 12)))
    np.testing.assert_array_equal(run["tick"], [0, 1, 2, 3, 4, 9, 10, 11])
    (gap,) = [event for event in run.events if event["event"] == "gap"]
    assert (gap["from_tick"], gap["to_tick"]) == (4, 9)


def test_rows_of_every_second_tick_are_no_gaps(tmp_path):
    run = written(tmp_path / "run", rows(range(0, 40, 2)), every=2)
    assert run.events == []
    assert len(run["tick"]) == 20


def test_joints_in_frames_of_their_own_share_a_row(tmp_path):
    blocks = (
        rows(range(4), (0, 1), 0.1), rows(range(4), (2,), 0.7),
        rows(range(4, 8), (2,), 0.7), rows(range(4, 8), (0, 1), 0.1),
    )  # fmt: skip
    run = written(tmp_path / "run", *blocks, joints=3)
    np.testing.assert_array_equal(run["tick"], np.arange(8))
    np.testing.assert_allclose(run.joint(1, "angle_rad"), 0.1 + np.arange(8) * 1e-3)
    np.testing.assert_allclose(run.joint(2, "angle_rad"), 0.7 + np.arange(8) * 1e-3)
    assert run.events == []


def test_a_lost_part_of_a_row_is_a_blank_not_a_number(tmp_path):
    run = written(tmp_path / "run", rows(range(4), (0,)), rows(range(1, 4), (1,)), joints=2)
    assert np.isnan(run.joint(1, "angle_rad")[0])
    assert np.isfinite(run.joint(1, "angle_rad")[1:]).all()
    assert np.isfinite(run.joint(0, "angle_rad")).all()


def test_the_second_board_counts_its_joints_on(tmp_path):
    run = written(tmp_path / "run", (rows(range(3)), 0), (rows(range(3), value=0.9), 1), joints=2)
    np.testing.assert_allclose(run.joint(1, "angle_rad"), 0.9 + np.arange(3) * 1e-3)


def test_events_keep_their_order_and_a_time(tmp_path):
    recorder = Recorder(tmp_path / "run", {}, 1, FIELDS, 0.002)
    for k in range(5):
        recorder.event("mark", {"what": f"number {k}"})
    recorder.close()
    events = Run(tmp_path / "run").events
    assert [event["what"] for event in events] == [f"number {k}" for k in range(5)]
    times = [event["t"] for event in events]
    assert times == sorted(times)


def test_a_folder_that_holds_something_is_refused_and_left_alone(tmp_path):
    folder = tmp_path / "run"
    written(folder, rows(range(3)))
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    with pytest.raises(InputError, match="holds a run already"):
        Recorder(folder, {}, 1, FIELDS, 0.002)
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == before


def test_an_empty_folder_is_taken(tmp_path):
    (tmp_path / "run").mkdir()
    assert len(written(tmp_path / "run", rows(range(3)))["tick"]) == 3


def test_a_folder_that_is_a_file_is_told(tmp_path):
    (tmp_path / "run").write_text("mine", encoding="utf-8")
    with pytest.raises(InputError, match="run"):
        Recorder(tmp_path / "run", {}, 1, FIELDS, 0.002)
    assert (tmp_path / "run").read_text(encoding="utf-8") == "mine"


# --- damage


@pytest.fixture
def whole(tmp_path):
    run = written(tmp_path / "run", rows(range(50)))
    return run.folder


def test_the_last_line_torn_anywhere_costs_that_line_alone(whole):
    path = whole / "telemetry.csv"
    data = path.read_bytes()
    last = data.rstrip(b"\r\n").rfind(b"\n") + 1
    for cut in range(last + 1, len(data.rstrip())):
        path.write_bytes(data[:cut])
        run = Run(whole)
        assert run.torn
        np.testing.assert_array_equal(run["tick"], np.arange(49))


def test_a_file_torn_at_a_line_s_end_is_whole(whole):
    path = whole / "telemetry.csv"
    data = path.read_bytes()
    path.write_bytes(data[: data.rstrip(b"\r\n").rfind(b"\n") + 1])
    run = Run(whole)
    assert not run.torn
    assert len(run["tick"]) == 49


def test_a_tail_of_zero_octets_is_a_torn_line(whole):
    """What a file system may leave after a power cut."""
    path = whole / "telemetry.csv"
    path.write_bytes(path.read_bytes() + b"\0" * 700)
    run = Run(whole)
    assert run.torn
    assert len(run["tick"]) == 50


def test_a_torn_last_event_costs_that_event_alone(tmp_path):
    recorder = Recorder(tmp_path / "run", {}, 1, FIELDS, 0.002)
    recorder.event("mark", {"what": "first"})
    recorder.event("mark", {"what": "second"})
    recorder.close()
    path = tmp_path / "run" / "events.jsonl"
    path.write_bytes(path.read_bytes()[:-9])
    assert [event["what"] for event in Run(tmp_path / "run").events] == ["first"]


@pytest.mark.parametrize(
    ("line", "words"),
    [("7,0.014,0.5", "line 9: .*has 3 cells, not 4"), ("7,0.014,x,2", "line 9: .*not a number")],
)
def test_damage_in_the_middle_is_told_with_its_line(whole, line, words):
    path = whole / "telemetry.csv"
    lines = path.read_text(encoding="utf-8").splitlines()
    lines[8] = line
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    with pytest.raises(InputError, match=words):
        Run(whole)


def test_a_recording_of_the_first_format_is_read_by_its_new_names(whole):
    about = json.loads((whole / "run.json").read_text(encoding="utf-8"))
    assert about["format"] == 2
    (whole / "run.json").write_text(json.dumps(about | {"format": 1}), encoding="utf-8")
    (whole / "telemetry.csv").write_text(
        "tick,time_s,angle_rad,want_rad\n1,0.002,0.5,0.7\n", encoding="utf-8"
    )
    run = Run(whole)
    assert run.columns == ["tick", "time_s", "angle_rad", "setpoint_rad"]
    assert run["setpoint_rad"].tolist() == [0.7]


@pytest.mark.parametrize(
    ("name", "text", "words"),
    [
        ("run.json", None, "holds no run"),
        ("run.json", "{", "cannot be read"),
        ("run.json", '{"format": 3}', "not a recording of this version"),
        ("run.json", "[]", "not a recording of this version"),
        ("telemetry.csv", None, "cannot be read"),
        ("telemetry.csv", "", "no header"),
        ("telemetry.csv", "tick,tim", "no header"),
    ],
)
def test_what_is_no_recording_is_told(whole, name, text, words):
    (whole / name).unlink()
    if text is not None:
        (whole / name).write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=words):
        Run(whole)


WRITER = textwrap.dedent(
    """
    import sys, time
    from pathlib import Path
    from host.link.bridge import Rows
    from host.recordings.recorder import Recorder

    fields = ["angle_rad", "mode"]
    recorder = Recorder(Path(sys.argv[1]), {}, 1, fields, 0.002)
    begun, tick = time.monotonic(), 0
    while True:
        ticks = list(range(tick, tick + 8))
        recorder.rows(Rows(ticks, [0], fields, [[[0.5, 2.0]]] * 8, 0, 0.0))
        recorder.event("mark", {"tick": tick})
        tick += 8
        print(tick, time.monotonic() - begun, flush=True)
        time.sleep(max(0.0, begun + tick * 0.002 - time.monotonic()))
    """
)


def test_a_killed_writer_loses_no_more_than_promised(tmp_path):
    """500 rows a second for a while, then SIGKILL: what is older than 0.5 s is there, in order."""
    process = subprocess.Popen(
        [sys.executable, "-c", WRITER, str(tmp_path / "run")], stdout=subprocess.PIPE, text=True,
        cwd=ROOT,
    )  # fmt: skip
    told = []
    while not told or told[-1][1] < 1.3:
        tick, t = process.stdout.readline().split()
        told.append((int(tick), float(t)))
    os.kill(process.pid, signal.SIGKILL)
    for line in process.stdout.read().splitlines():
        if len(line.split()) == 2:
            told.append((int(line.split()[0]), float(line.split()[1])))
    process.stdout.close()
    process.wait()
    run = Run(tmp_path / "run")
    np.testing.assert_array_equal(run["tick"], np.arange(len(run["tick"])))
    end = told[-1][1]
    old_enough = max(tick for tick, t in told if t <= end - PROMISED_S - FLUSH_S / 2)
    assert len(run["tick"]) >= old_enough > 100
    marks = [event["tick"] for event in run.events]
    assert marks == list(range(0, 8 * len(marks), 8))
    assert 8 * len(marks) >= old_enough


def test_a_disk_that_takes_no_more_is_told(board, joint_file, inside, monkeypatch):
    """A recording that cannot be written must not end as if it had been."""
    import csv

    real = csv.writer

    class Full:
        def __init__(self, file):
            self.rows, self.real = 0, real(file)

        def writerow(self, row):
            self.rows += 1
            if self.rows > 20:
                raise OSError(28, "No space left on device")
            self.real.writerow(row)

    monkeypatch.setattr(csv, "writer", Full)
    monkeypatch.setattr("threading.excepthook", lambda _args: None)
    done = inside("record", joint_file, "--port", board, "--duration", "0.4 s", "--folder", "run")
    assert done.returncode != 0
    assert "No space left" in done.stderr
    assert "Traceback" not in done.stderr


# --- one format for simulated and recorded runs


def test_a_simulated_run_is_read_by_the_same_reader(tmp_path, joint_file):
    from host.commands.shared.loading import load
    from sim.run.closed_loop import simulate
    from sim.run.scenarios import step

    joint = load(joint_file)
    trace = simulate(joint, step(0.4, 0.9, 0.01), joint.part, 25.0, 1, "compiled")
    folder = write_simulated(tmp_path / "run", trace, {"seed": 1})
    run = Run(folder)
    assert run.about["simulated"] is True
    assert len(run["tick"]) == len(trace["time_s"])
    np.testing.assert_allclose(run["time_s"], trace["time_s"], atol=1e-9)
    np.testing.assert_allclose(run["angle_rad"], trace["angle_rad"], rtol=1e-8, atol=1e-12)
    np.testing.assert_allclose(run["supply_V"], trace["bus_V"], rtol=1e-8)
    assert [event for event in run.events if event["event"] == "gap"] == []
    with pytest.raises(InputError, match="holds a run already"):
        write_simulated(folder, trace, {})


def test_recording_of_a_board_and_simulated_run_have_the_same_columns(
    board, joint_file, inside, tmp_path
):
    from host.commands.shared.loading import load
    from host.recordings.session_recording import about
    from sim.run.closed_loop import simulate
    from sim.run.scenarios import step

    done = inside("record", joint_file, "--port", board, "--duration", "0.4 s", "--folder", "run",
                  "--json")  # fmt: skip
    assert done.json["rows"] == len(Run(tmp_path / "run")["tick"]) >= 50
    recorded = Run(tmp_path / "run")
    joint = load(joint_file)
    trace = simulate(joint, step(0.4, 0.9, 0.01), joint.part, 25.0, 1, "compiled")
    simulated = Run(write_simulated(tmp_path / "simulated", trace, {}))
    shared = set(recorded.columns) & set(simulated.columns)
    assert {"tick", "time_s", "angle_rad", "setpoint_rad", "allowed_V", "mode", "fault"} <= shared
    for name in ("begun", "joints", "fields", "tick_s", "every", "format"):
        assert type(recorded.about[name]) is type(simulated.about[name])
    assert callable(about)


def test_run_json_is_enough_to_know_what_was_recorded(board, joint_file, inside, tmp_path, figures):
    inside("record", joint_file, "--port", board, "--duration", "0.3 s", "--folder", "run")
    told = json.loads((tmp_path / "run" / "run.json").read_text(encoding="utf-8"))
    assert told["joint_files"][0]["file"] == joint_file.read_text(encoding="utf-8")
    assert told["ports"] == [board]
    assert told["virtual"] is True
    assert told["seed"] == 1
    assert told["boards"][0]["tick_us"] == 2000
    assert told["boards"][0]["version"] == 1
    settings = bytes.fromhex(told["joint_files"][0]["settings"])
    from controller.joint.settings.settings import Settings
    from controller.wire import table

    made = Settings()
    table.unpack_table(settings, made)
    assert made.limits.command_high_rad == pytest.approx(np.deg2rad(100.0), rel=1e-6)
    assert table.digest(settings) == told["joint_files"][0]["settings_digest"]
    assert (tmp_path / "run" / "run.png").stat().st_size > 1000


@pytest.mark.parametrize("seconds", ["0.05", "-1", "nan", "100000"])
def test_lengths_that_make_no_sense_are_refused(seconds, joint_file, inside):
    done = inside("record", joint_file, "--seconds", seconds)
    assert done.returncode == 2
    assert "--seconds" in done.stderr
    assert "Traceback" not in done.stderr


def test_recording_into_a_run_is_refused_before_anything_is_written(
    board, joint_file, inside, tmp_path
):
    (tmp_path / "run").mkdir()
    (tmp_path / "run" / "telemetry.csv").write_text("mine\n", encoding="utf-8")
    done = inside("record", joint_file, "--port", board, "--duration", "0.3 s", "--folder", "run")
    assert done.returncode == 2
    assert "holds a run already" in done.stderr
    assert [path.name for path in (tmp_path / "run").iterdir()] == ["telemetry.csv"]
    assert (tmp_path / "run" / "telemetry.csv").read_text(encoding="utf-8") == "mine\n"


# --- a recording never ends in silence


class FullDisk:
    """Stands for a file: there is room for so many octets, then there is none."""

    def __init__(self, real, room):
        self.real, self.room = real, room

    def write(self, text):
        self.room -= len(text)
        if self.room < 0:
            raise OSError(errno.ENOSPC, "No space left on device")
        return self.real.write(text)

    def flush(self):
        self.real.flush()

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.real.close()


@pytest.fixture
def full_disk(monkeypatch):
    """The table of recordings gets a disk with little room."""
    real = Path.open

    def opened(path, mode="r", **more):
        file = real(path, mode, **more)
        return FullDisk(file, 2000) if path.name == "telemetry.csv" and "w" in mode else file

    monkeypatch.setattr(Path, "open", opened)


def some_rows(first, count=8):
    ticks = list(range(first, first + count))
    return Rows(ticks, [0], ["angle_rad"], [[[0.5]]] * count, 0, 0.0)


def test_a_full_disk_is_told_at_once_and_what_was_written_can_be_read(tmp_path, full_disk):
    recorder = Recorder(tmp_path / "run", {}, 1, ["angle_rad"], 0.002)
    for k in range(100):
        recorder.rows(some_rows(8 * k))
    assert until(lambda: recorder.failed is not None)
    with pytest.raises(InputError, match="cannot be written: No space left on device"):
        recorder.check()
    with pytest.raises(InputError, match="No space left"):
        recorder.close()
    run = Run(tmp_path / "run")
    assert 50 < len(run["tick"]) < 800
    assert run["tick"].tolist() == list(range(len(run["tick"])))


def test_a_full_disk_ends_the_run_with_exit_code_2(board, joint_file, inside, full_disk, tmp_path):
    done = inside("record", joint_file, "--port", board, "--duration", "3600 s", "--folder", "run")
    assert done.returncode == 2
    assert "No space left on device" in done.stderr
    assert "Traceback" not in done.stderr
    assert len(Run(tmp_path / "run")["tick"]) > 10


def test_a_full_disk_stops_a_stream(board, joint_file, inside, full_disk):
    done = inside("stream", joint_file, "--port", board, "--duration", "3600 s", "--folder", "run")
    assert done.returncode == 2
    assert "No space left on device" in done.stderr
    bridge = Bridge(open_url(board), board)
    try:
        bridge.greet()
        bridge.beat()
        assert until(lambda: bridge.board_tick > 0)
        assert bridge.powered == 0
    finally:
        bridge.close()


def test_any_error_of_the_writing_thread_counts(tmp_path):
    recorder = Recorder(tmp_path / "run", {}, 1, ["angle_rad"], 0.002)
    recorder.rows(Rows([1], [0], ["angle_rad"], [[["no number"]]], 0, 0.0))
    recorder.rows(Rows([2], [0], ["angle_rad"], [[[object()]]], 0, 0.0))
    assert until(lambda: recorder.failed is not None)
    with pytest.raises(InputError, match="cannot be written"):
        recorder.close()


def test_a_disk_that_does_not_keep_up_is_told_and_memory_stays_bounded(tmp_path, monkeypatch):
    hold = threading.Event()
    monkeypatch.setattr("host.recordings.recorder.MOST_WAITING", 50)
    real = Recorder._take
    monkeypatch.setattr(Recorder, "_take", lambda *a: (hold.wait(60.0), real(*a))[1])
    recorder = Recorder(tmp_path / "run", {}, 1, ["angle_rad"], 0.002)
    for k in range(200):
        recorder.rows(some_rows(8 * k))
    with pytest.raises(InputError, match="does not keep up"):
        recorder.check()
    assert recorder._queue.qsize() <= 50
    hold.set()
    with pytest.raises(InputError):
        recorder.close()


def test_of_two_recordings_of_one_folder_one_has_it(tmp_path):
    first = Recorder(tmp_path / "run", {}, 1, ["angle_rad"], 0.002)
    with pytest.raises(InputError, match="holds a run already"):
        Recorder(tmp_path / "run", {}, 1, ["angle_rad"], 0.002)
    first.close()


def test_line_ends_that_were_converted_are_read(tmp_path):
    recorder = Recorder(tmp_path / "run", {}, 1, ["angle_rad"], 0.002)
    recorder.rows(some_rows(0))
    recorder.close()
    table = tmp_path / "run" / "telemetry.csv"
    want = Run(tmp_path / "run").table
    for ends in (b"\n", b"\r\n", b"\r\r\n"):
        table.write_bytes(
            table.read_bytes()
            .replace(b"\r\r\n", b"\n")
            .replace(b"\r\n", b"\n")
            .replace(b"\n", ends)
        )
        assert (Run(tmp_path / "run").table == want).all()
        assert not Run(tmp_path / "run").torn


def test_ticks_go_on_where_the_link_s_count_comes_round(wire):
    """The link tells 32 bits of a tick: after 2**32 rows go on."""
    bridge, _ = wire.bridge()
    seen = []
    bridge.on_rows.append(lambda rows: seen.extend(rows.ticks))

    def frame(tick):
        head = struct.pack("<BBHHH", m.ROWS, 9, 1, 1, 0)
        return head + struct.pack("<If", tick, 0.5)

    bridge.greet()
    for tick in (2**32 - 2, 2**32 - 1, 0, 1):
        bridge._echo(m.build(m.ECHO, 1, 0, 0, tick, 0))
        bridge._take(frame(tick))
    assert np.diff(seen).tolist() == [1, 1, 1]
    assert seen[0] > 0


def test_a_change_of_mode_is_an_event(tmp_path):
    """Off, then powered, then tripped: told once each, with the tick it was first seen in."""
    blocks = [Rows([tick], [0], FIELDS, [[[0.5, mode]]], 0, 0.0)
              for tick, mode in enumerate((0.0, 0.0, 2.0, 2.0, 4.0))]  # fmt: skip
    run = written(tmp_path / "run", *blocks)
    told = [(e["joint"], e["tick"], e["from"], e["to"]) for e in run.events if e["event"] == "mode"]
    assert told == [(0, 2, "off", "powered"), (0, 4, "powered", "tripped")]
