"""Joints on several boards: one session, one recording, one STOP for all."""

import os
import signal
import struct

import numpy as np
import pytest

from controller.joint import faults
from controller.joint.modes import OFF, TRIPPED
from controller.wire import messages as m
from host.commands.shared.loading import load
from host.errors import StoppedError
from host.link.bridge import Bridge
from host.link.moves import sine
from host.link.session import Session
from host.link.setpoint_stream import arm_and_wait, stream
from host.link.transport import open_url
from host.recordings.recorder import Run
from sim.model import schedule, sensor
from tests.waiting import until


def latched(url):
    """(fault, powered) of a board, asked by a new host."""
    bridge = Bridge(open_url(url), url)
    seen = []

    def take(rows):
        if rows.fields == ["mode", "fault"]:  # not what the last host has asked for
            seen.append(rows.values[-1][0])

    bridge.on_rows.append(take)
    try:
        bridge.greet()
        bridge.beat()
        fields = 1 << m.FIELDS.index("mode") | 1 << m.FIELDS.index("fault")
        bridge.request(m.TELEMETRY, struct.pack("<HHBB", 1, fields, 1, 1))
        assert until(lambda: seen and seen[-1][0] in (OFF, TRIPPED))
        return seen[-1][1], seen[-1][0]
    finally:
        bridge.close()


@pytest.fixture
def both(two_boards, joint_file):
    joints = [load(joint_file), load(joint_file)]
    with Session(joints, two_boards) as session:
        session.send_settings()
        session.telemetry(["angle_rad", "mode"])
        yield session


def test_joints_are_numbered_over_the_boards_in_the_order_of_the_ports(both, two_boards):
    placed = [both.board_of(k) for k in (0, 1)]
    assert [board.bridge.url for board, _ in placed] == two_boards
    assert [place for _, place in placed] == [0, 0]
    assert both.first_joint(both.bridges[1]) == 1
    assert both.masks() == [(both.boards[0], 1), (both.boards[1], 1)]
    assert both.masks([1]) == [(both.boards[1], 1)]
    assert both.virtual


def test_one_stop_reaches_every_board(both, two_boards):
    arm_and_wait(both)
    done = both.stop()
    assert done.silent == ()
    assert done.words() == f"stopped: all 2 boards answered within {done.took_s * 1e3:.0f} ms"
    both.close()
    for url in two_boards:
        assert latched(url) == (faults.STOP_PRESSED, 4)


def test_a_trip_on_one_board_ends_the_stream_for_both(both, two_boards):
    both.joints[1].file.joint.name = "the other one"
    arm_and_wait(both)
    moves = {0: sine(0.6, 0.1, 1.0, 20.0), 1: sine(0.6, 0.1, 1.0, 20.0)}

    def tear(t, _whole):
        if abs(t - 0.2) < 1e-9:
            both.bridges[1].tell(
                m.MEDDLE, struct.pack("<BBfff", 0, schedule.SENSOR, sensor.OPEN, 0.0, 0.0)
            )

    with pytest.raises(StoppedError, match="the other one:"):
        stream(both, moves, 50.0, tell=tear)
    both.stop()
    both.close()
    assert latched(two_boards[0]) == (faults.STOP_PRESSED, 4)
    fault, mode = latched(two_boards[1])
    assert mode == 4
    assert fault in (faults.WIPER_RAIL, faults.SENSOR_JUMP)


def test_a_dead_board_does_not_keep_the_stop_from_the_other(both, two_boards, processes):
    """The second board stands still: the first is stopped, the second loses its lease."""
    arm_and_wait(both)
    frozen = processes("two").process
    os.kill(frozen.pid, signal.SIGSTOP)
    try:
        done = both.stop()
        assert done.silent == (1,)
        assert done.words() == "no answer from board 1: it may still be driving. Supply switch!"
        assert latched_now(both, 0) == faults.STOP_PRESSED
        assert not both.bridges[1]._beating.is_set()
    finally:
        os.kill(frozen.pid, signal.SIGCONT)
    both.close()
    assert latched(two_boards[1])[1] != 2


def latched_now(session, number):
    """The fault that a board of an open session reports."""
    bridge = session.bridges[number]
    assert until(lambda: bridge.faults)
    return bridge.faults[0][0]


def test_a_link_lost_is_told_whichever_board_it_was(both):
    arm_and_wait(both)
    both.bridges[1].transport.close()
    with pytest.raises(StoppedError, match="the link was lost"):
        stream(both, {0: sine(0.6, 0.1, 1.0, 20.0)}, 50.0)


def test_rows_of_two_boards_belong_to_the_same_moment(two_boards, joint_file, inside, tmp_path):
    """Boards were switched on seconds apart; a row holds what both did at one time."""
    done = inside("record", joint_file, joint_file, "--port", two_boards[0], "--port", two_boards[1],
                  "--duration", "1 s", "--folder", "run")  # fmt: skip
    assert done.returncode == 0
    run = Run(tmp_path / "run")
    both = np.isfinite(run.joint(0, "angle_rad")) & np.isfinite(run.joint(1, "angle_rad"))
    assert both.mean() > 0.9
    assert (np.diff(run["time_s"]) > 0.0).all()
    assert 0.5 < run["time_s"][-1] - run["time_s"][0] < 3.0


def test_each_joint_of_two_boards_is_recorded_under_its_number(
    two_boards, joint_file, inside, tmp_path
):

    for url, angle in zip(two_boards, (0.4, 1.2), strict=True):
        bridge = Bridge(open_url(url), url)
        bridge.greet()
        bridge.request(m.MEDDLE, struct.pack("<BBfff", 0, schedule.MOVE_BY_HAND, angle, 0.0, 0.0))
        bridge.close()
    inside("record", joint_file, joint_file, "--port", two_boards[0], "--port", two_boards[1],
           "--duration", "0.5 s", "--folder", "run")  # fmt: skip
    run = Run(tmp_path / "run")
    for k, angle in enumerate((0.4, 1.2)):
        seen = run.joint(k, "angle_rad")
        assert np.nanmedian(seen) == pytest.approx(angle, abs=0.08)
