"""``jointloop stream`` and ``record`` on a virtual board in another process."""

import json
import os
import signal
import struct
import subprocess
import sys
import threading
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from controller.joint import faults
from controller.wire import framing
from controller.wire import messages as m
from host.commands.shared.loading import load
from host.errors import RefusedError, StoppedError
from host.link.bridge import Bridge
from host.link.session import Session
from host.link.setpoint_stream import arm_and_wait
from host.link.transport import open_url
from host.recordings.recorder import Run
from sim.documentation import fault_table
from sim.errors import InputError
from sim.model import schedule, sensor
from tests.bridge.conftest import freshen
from tests.waiting import until

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(params=["python", "c"])
def board(request, processes):
    """URL of a virtual board with one joint, its tick in Python and translated to C."""
    as_c = {"as_c": True} if request.param == "c" else {}
    return freshen(processes(f"one, {request.param}", **as_c).url)


def csv_of(tmp_path, *degrees, step_s=0.4):
    path = tmp_path / "moves.csv"
    rows = "".join(f"{k * step_s:g},{angle}\n" for k, angle in enumerate(degrees))
    path.write_text("time_s,setpoint_deg\n" + rows, encoding="utf-8")
    return path


def power(session):
    """Settings, telemetry, armed."""
    session.send_settings()
    session.telemetry(["angle_rad", "mode", "fault"])
    arm_and_wait(session)


@pytest.mark.parametrize("next_kind", ["CLEAR", "ARM", "DRIVE_OFF", "RELEASE"])
def test_what_follows_a_stop_within_the_tick_does_not_undo_it(next_kind, board, joint_file):
    """STOP and another order arrive together: the joint is tripped all the same."""
    joint = load(joint_file)
    kind = getattr(m, next_kind)
    with Session([joint], [board]) as session:
        power(session)
        bridge = session.bridges[0]
        body = {m.ARM: struct.pack("<HI", 1, session.boards[0].digest)}
        stop = bytes((m.STOP, 201)) + struct.pack("<HB", 0xFFFF, 0)
        other = bytes((kind, 202)) + body.get(kind, struct.pack("<H", 1))
        modes, stopped, later = [], threading.Event(), threading.Event()

        def take(rows):
            modes.append(rows.values[-1][0][1:])
            if modes[-1] == [4.0, faults.STOP_PRESSED]:
                stopped.set()
            if stopped.is_set() and len(modes) > 10:
                later.set()

        bridge.on_rows.append(take)
        bridge._send(framing.encode(stop) + framing.encode(other))
        assert stopped.wait(20.0)
        assert later.wait(20.0)
        assert modes[-1] == [4.0, faults.STOP_PRESSED]


def test_a_stream_is_followed_and_recorded(board, joint_file, inside, tmp_path):
    csv_of(tmp_path, 30, 60, 45)
    done = inside("stream", joint_file, "--port", board, "--csv", "moves.csv", "--rate", "40 Hz",
                  "--repeats", "2", "--folder", "run", "--json")  # fmt: skip
    found = done.json
    assert found["virtual"] is True
    assert found["stopped"] is None
    assert found["jitter"]["worst_s"] >= found["jitter"]["median_s"] >= 0.0
    assert found["joints"][0]["rms_rad"] < np.deg2rad(8.0)
    run = Run(tmp_path / "run")
    assert run.about["rate_Hz"] == 40.0
    assert run.about["move"] == "moves.csv"
    assert run.about["yes_option"] is False
    angle = np.rad2deg(run["angle_rad"][run["mode"] == 2])
    assert angle.max() > 55.0
    assert run["mode"][-1] in (0, 3)
    want = np.rad2deg(run["setpoint_rad"][run["mode"] == 2])
    assert (want > 57.0).any()
    assert np.count_nonzero(np.diff((want > 52.0).astype(int)) == 1) == 2, "two repeats, two peaks"
    marks = [event["what"] for event in run.events if event["event"] == "mark"]
    assert marks == ["stream begins"]
    assert any(event["event"] == "settings" for event in run.events)


def test_a_torn_wire_stops_the_stream_and_the_exit_code_says_so(
    board, joint_file, inside, tmp_path, monkeypatch
):
    from host.link import setpoint_stream

    honest = setpoint_stream.stream

    def tear(session, moves, rate, repeats, tell):
        def told(t, whole):
            if abs(t - 0.2) < 1e-9:
                session.bridges[0].tell(
                    m.MEDDLE, struct.pack("<BBfff", 0, schedule.SENSOR, sensor.OPEN, 0, 0)
                )
            tell(t, whole)

        return honest(session, moves, rate, repeats, told)

    monkeypatch.setattr(setpoint_stream, "stream", tear)
    done = inside("stream", joint_file, "--port", board, "--shape", "sine", "--duration", "20 s",
                  "--folder", "run", "--json")  # fmt: skip
    assert done.returncode == 1
    found = json.loads(done.stdout)
    assert "nominal class of the plant study: " in found["stopped"]
    run = Run(tmp_path / "run")
    assert run["mode"][-1] == 4
    assert run["allowed_V"][-1] == 0.0
    assert run["fault"][-1] in (faults.WIPER_RAIL, faults.SENSOR_JUMP)
    assert [event for event in run.events if event["event"] == "stopped"]


def test_ctrl_c_takes_the_drive_off_first_and_the_recording_is_whole(board, joint_file, tmp_path):
    process = subprocess.Popen(
        [sys.executable, "-m", "host.cli", "stream", str(joint_file), "--port", board, "--shape", "sine",
         "--duration", "60 s", "--folder", str(tmp_path / "run")], stdout=subprocess.PIPE,
        stderr=subprocess.PIPE, text=True, cwd=tmp_path, env={**os.environ, "PYTHONPATH": str(ROOT)},
    )  # fmt: skip
    events = tmp_path / "run" / "events.jsonl"
    assert until(lambda: events.exists() and "stream begins" in events.read_text(encoding="utf-8"))
    process.send_signal(signal.SIGINT)
    out, err = process.communicate(timeout=60.0)
    assert process.returncode == 130
    assert "STOP: stopped: " in out
    assert "Traceback" not in err
    run = Run(tmp_path / "run")
    assert not run.torn
    ticks = run["tick"]
    assert (np.diff(ticks) >= 1).all()
    off = run["mode"] == 4
    assert off.any(), "the recording shows the stop"
    assert (run["allowed_V"][off] == 0.0).all()
    assert run["fault"][-1] == faults.STOP_PRESSED


def test_after_a_stop_the_next_run_can_arm_again(board, joint_file, inside):
    """A latched stop is cleared by the person who starts the next run, on the same board."""
    joint = load(joint_file)
    with Session([joint], [board]) as session:
        power(session)
        session.stop()
        assert until(lambda: session.bridges[0].powered == 0)
    done = inside("stream", joint_file, "--port", board, "--duration", "0.4 s", "--frequency", "2 Hz",
                  "--folder", "again")  # fmt: skip
    assert done.returncode == 0, done.stdout[-300:]


def test_a_latched_fault_is_told_to_the_next_host_by_name(board, joint_file):
    """Whoever arms a tripped joint hears what it tripped on, not that time ran out."""
    joint = load(joint_file)
    with Session([joint], [board]) as session:
        power(session)
        assert session.stop().words().startswith("stopped")
    with Session([joint], [board]) as session, pytest.raises(StoppedError, match="stop"):
        power(session)


def test_a_rate_beyond_the_budget_is_refused_before_anything_is_armed(
    board, joint_file, inside, tmp_path, monkeypatch
):
    """A board that says it takes six octets a tick."""
    greet = Bridge.greet
    monkeypatch.setattr(Bridge, "greet", lambda self, *wait: replace(greet(self, *wait), inbound=6))
    url = board
    done = inside("stream", joint_file, "--port", url, "--rate", "200 Hz", "--folder", "run")
    assert done.returncode == 2
    assert done.stderr.count("\n") == 1
    assert "--rate" in done.stderr
    assert "inbound budget" in done.stderr
    assert not (tmp_path / "run").exists()


@pytest.mark.parametrize(
    ("option", "value"),
    [("--rate", "1 kHz"), ("--shape", "spiral"), ("--amplitude", "70 deg"), ("--duration", "0.1 s"),
     ("--duration", "nan s"), ("--repeats", "0"), ("--runtime", "fast"), ("--seed", "-1")],
)  # fmt: skip
def test_bad_options_end_with_2_and_leave_nothing(option, value, joint_file, inside, tmp_path):
    done = inside("stream", joint_file, option, value, "--folder", "run")
    assert done.returncode == 2
    assert "Traceback" not in done.stderr
    assert not (tmp_path / "run").exists()


def test_a_folder_with_brackets_is_named_as_it_is(board, joint_file, inside, tmp_path):
    done = inside(
        "record", joint_file, "--port", board, "--duration", "0.3 s", "--folder", "run[a]"
    )
    assert done.returncode == 0
    assert (tmp_path / "run[a]" / "telemetry.csv").exists()
    assert "run[a]" in done.stdout


def test_a_link_lost_while_recording_is_no_success(board, joint_file, inside, monkeypatch):
    """What came until then is kept and said; the exit code says that it ended early."""
    from host.link.bridge import Bridge as Link

    take = Link._take

    def broken(self, payload):
        take(self, payload)
        if self.counters.rows > 60:
            time.sleep(0.05)
            self.transport.close()

    monkeypatch.setattr(Link, "_take", broken)
    done = inside(
        "record", joint_file, "--port", board, "--duration", "30 s", "--folder", "run", "--json"
    )
    found = json.loads(done.stdout)
    assert "the link was lost" in found["stopped"]
    assert found["rows"] > 40
    assert done.returncode != 0


# --- settings and their digest


def test_settings_in_force_are_those_of_the_file(board, joint_file):
    from controller.joint.settings.settings import Settings
    from controller.wire import table

    joint = load(joint_file)
    with Session([joint], [board]) as session:
        session.send_settings()
        bridge = session.bridges[0]
        octets = b""
        for at in range(0, table.cells(Settings), 40):
            count = min(40, table.cells(Settings) - at)
            octets += bridge.request(m.READ, struct.pack("<BHB", 0, at, count))[5:]
        assert octets == table.pack_table(joint.settings)
        assert bridge.greet().settings == table.digest(octets)


def test_settings_changed_behind_the_host_s_back_refuse_to_arm(board, joint_file):
    from controller.wire import table

    joint = load(joint_file)
    other = load(joint_file)
    other.settings.gains.kp *= 0.5
    with Session([joint], [board]) as session:
        session.send_settings()
        session._send_table(0, table.pack_table(other.settings))
        with pytest.raises(RefusedError) as caught:
            session.arm()
        assert caught.value.result == m.DIFFERS
        with pytest.raises(StoppedError, match="arming was refused: settings digest differs"):
            arm_and_wait(session)
        session._send_table(0, table.pack_table(joint.settings))
        session.arm()
    assert table.digest(b"") != table.digest(b"\0")


def test_a_contradiction_is_refused_by_the_host_and_by_the_board(board, joint_file):
    from controller.wire import table

    joint = load(joint_file)
    with Session([joint], [board]) as session:
        session.send_settings()
        before = session.bridges[0].greet().settings
        joint.settings.limits.command_low_rad = 9.0
        with pytest.raises(InputError) as caught:
            session.send_settings()
        assert str(joint_file) in str(caught.value)
        with pytest.raises(InputError, match="the board refused the settings"):
            session._send_table(0, table.pack_table(joint.settings))
        assert session.bridges[0].greet().settings == before


def test_another_rate_than_the_board_s_is_told_as_such(board, joint_file, inside):
    text = joint_file.read_text(encoding="utf-8").replace('rate = "500 Hz"', 'rate = "250 Hz"')
    joint_file.write_text(text, encoding="utf-8")
    done = inside("record", joint_file, "--port", board, "--duration", "0.3 s")
    assert done.returncode == 2
    assert "control.rate" in done.stderr
    assert "500 Hz" in done.stderr


def test_a_board_with_other_control_code_is_told_before_it_is_armed(processes, joint_file, inside):
    """What was tuned here is not what runs there: refused or said, but not silent."""
    url = processes("other build", build=12345).url
    done = inside("stream", joint_file, "--port", url, "--duration", "0.4 s", "--frequency", "2 Hz",
                  "--folder", "run")  # fmt: skip
    assert "deploy" in done.stdout + done.stderr


def test_more_joints_than_places_are_refused(board, joint_file, inside):
    done = inside("record", joint_file, joint_file, "--port", board, "--duration", "0.3 s")
    assert done.returncode == 2
    assert "2 joints" in done.stderr
    assert "--port" in done.stderr


def test_targets_are_checked_by_the_board(board, joint_file):
    joint = load(joint_file)
    with Session([joint], [board]) as session:
        with pytest.raises(RefusedError):
            session.target(0, 0.5)
        power(session)
        session.target(0, 0.5)
        for wrong in (9.0, -2.0, float("nan")):
            with pytest.raises(RefusedError) as caught:
                session.target(0, wrong)
            assert caught.value.result == m.REFUSED


def test_leaving_a_session_takes_the_drive_off(board, joint_file):
    joint = load(joint_file)
    with Session([joint], [board]) as session:
        power(session)
    bridge = Bridge(open_url(board), board)
    try:
        bridge.greet()
        bridge.beat()
        assert until(lambda: bridge.board_tick)
        assert bridge.board_tick
        assert bridge.powered == 0
    finally:
        bridge.close()


def test_arming_with_a_latched_open_wiper_says_what_is_in_the_way(board, joint_file, inside):
    """The board has told its fault to an earlier host, and tells it no second time."""
    with Session([load(joint_file)], [board]) as session:
        session.send_settings()
        bridge = session.bridges[0]
        bridge.request(m.MEDDLE, struct.pack("<BBfff", 0, schedule.SENSOR, sensor.OPEN, 0.0, 0.0))
        with pytest.raises(StoppedError):
            arm_and_wait(session)
        assert bridge.faults
    done = inside("stream", joint_file, "--port", board, "--duration", "1 s", "--folder", "run")
    assert done.returncode == 1
    names = [row["name"] for row in fault_table()
             if row["number"] in (faults.WIPER_RAIL, faults.SENSOR_JUMP)]  # fmt: skip
    assert any(
        f"Stopped: nominal class of the plant study: {name} (" in " ".join(done.stdout.split())
        for name in names
    )
