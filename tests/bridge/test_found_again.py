"""A link opened again: whatever ended it, the drive is off, nothing arms, ticks go on."""

import socket
import struct
import time

import pytest

from controller.wire import messages as m
from host.commands.shared.loading import load
from host.errors import NoAnswerError
from host.link.bridge import Bridge
from host.link.session import Session
from host.link.setpoint_stream import arm_and_wait
from sim.errors import InputError
from sim.model import schedule
from tests.waiting import until


@pytest.fixture
def session(board, joint_file):
    with Session([load(joint_file)], [board]) as made:
        made.send_settings()
        made.telemetry(["angle_rad", "mode"])
        yield made


def stands(bridge):
    """Whether the board's loop stands still: its beats bring no later tick."""
    before = bridge.board_tick
    return not until(lambda: bridge.board_tick != before, 0.2)


def reopened(session):
    """The link opened again, as often as it takes until the board's loop runs again."""
    for _ in range(60):
        try:
            return session.reopen(0)
        except InputError:
            continue
    raise AssertionError("it never came back")


def modes(bridge):
    """What the board tells of its joint's mode from now on."""
    seen = []
    bridge.on_rows.append(lambda rows: seen.extend(int(row[0][-1]) for row in rows.values))
    return seen


def test_a_connection_cut_for_less_than_the_lease_comes_back_with_the_drive_off(session):
    """The board never falls silent: only the new link's first word can take the drive off."""
    arm_and_wait(session)
    old = session.bridges[0]
    assert until(lambda: old.powered == 1)
    old.transport.socket.shutdown(socket.SHUT_RDWR)
    assert until(lambda: old.lost is not None)
    found = session.reopen(0)
    assert found is session.bridges[0] is session.board_of(0)[0].bridge
    seen = modes(found)
    session.send_settings()  # refused while anything is driven
    session.telemetry(["angle_rad", "mode"])
    assert until(lambda: len(seen) > 50)
    first_off = seen.index(0)  # rows of before the cut may still have waited in the board
    assert first_off < 20
    assert 2 not in seen[first_off:]
    assert found.powered == 0


def test_ticks_of_a_link_found_again_count_on(session):
    old = session.bridges[0]
    assert until(lambda: old.board_tick > 0)
    old.transport.socket.shutdown(socket.SHUT_RDWR)
    assert until(lambda: old.lost is not None)
    before, at = old.board_tick, time.monotonic()
    found = session.reopen(0, 4)
    assert found.tick_base % 4 == 0
    after = until(lambda: found.board_tick) and found.board_tick
    passed = (time.monotonic() - at) / session.joints[0].settings.tick_s
    assert before < after < before + passed + 100


def test_a_stop_that_is_not_answered_counts_as_a_lost_link_that_can_be_found(session):
    arm_and_wait(session)
    bridge = session.bridges[0]
    freeze = struct.pack(m.LAYOUT[m.MEDDLE], 0, schedule.STALL, 0.95, 0.0, 0.0)
    bridge.tell(m.MEDDLE, freeze)
    assert until(lambda: stands(bridge))
    session.stop()
    assert bridge.lost == "did not answer a STOP"
    found = reopened(session)
    assert until(lambda: found.board_tick > 0 and found.powered == 0)  # at its next tick
    session.send_settings()


def test_a_board_that_never_echoes_is_not_taken_for_found(session):
    old = session.bridges[0]
    assert until(lambda: old.tick_zero_us is not None)
    silent = Bridge.__new__(Bridge)
    silent.tick_zero_us, silent.lost, silent.identity = None, None, old.identity
    with pytest.raises(NoAnswerError):
        silent.continue_from(old, 1)


def test_boards_of_different_rates_are_refused(processes, board, joint_file, tmp_path):
    text = joint_file.read_text(encoding="utf-8")
    assert 'rate = "500 Hz"' in text
    other = tmp_path / "slow.toml"
    other.write_text(text.replace('rate = "500 Hz"', 'rate = "250 Hz"'), encoding="utf-8")
    slow = processes("slow", [other]).url
    with pytest.raises(InputError, match="one rate"):
        Session([load(joint_file), load(other)], [board, slow])
