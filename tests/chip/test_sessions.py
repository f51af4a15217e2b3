"""The board's program on an RP2040's released firmware, emulated: what a host does to it, in the chip's own time.

Every bound is of the chip's clock: a busy computer changes nothing.
"""

import struct

import pytest

from controller.joint import faults
from controller.node import cells
from controller.wire import framing
from controller.wire import messages as m
from host.link import deployment
from host.link.deployment import stage_files
from host.link.wiring import Wiring
from sim.translate import image
from tests.chip import board as chip

pytestmark = chip.needed
TICKS = {1: 1000, 4: 2000}
HEAD = {name: k for k, name in enumerate(cells.HEAD)}
STOP_US = 20_000
ALL = 0xFFFF


@pytest.fixture(scope="module")
def flashes(tmp_path_factory):
    """Flash images of boards with one and with four joints, as ``deploy`` lays their files out."""
    made = {}
    for joints, tick_us in TICKS.items():
        folder = tmp_path_factory.mktemp(f"board{joints}")
        wiring = Wiring(folder / "board.json", chip.wiring(joints, tick_us))
        deployment.check_rate(wiring, image.CHIPS[0])
        (folder / "files").mkdir()
        names = stage_files(wiring, folder / "files", False, image.CHIPS[0])
        files = [(name, (folder / "files" / name).read_bytes()) for name in names]
        made[joints] = chip.written(folder / "flash.img", files)
    return made


@pytest.fixture
def board(flashes, request):
    """A board that has started: ``board(joints)``; with ``torn_us`` its first wiper tears off then."""
    made = []

    def start(joints, **more):
        one = chip.Board(flashes[joints], **more)
        made.append(one)
        one.boot()
        return one

    yield start
    for one in made:
        one.close()


def powered(one, joints):
    """Settings, beats, telemetry of every tick, armed. Returns how long arming took (us)."""
    tick_us = TICKS[joints]
    digest = one.settle(chip.settings(tick_us), joints)
    mask = (1 << joints) - 1
    assert one.ask(m.TELEMETRY, "<HHBB", mask, m.USUAL_FIELDS, 1, 12) == m.DONE
    begun = one.us
    assert one.ask(m.ARM, "<HI", mask, digest) == m.DONE
    took = one.us - begun
    one.run(20_000)
    return took


def rows(one, joints):
    """Rows that were heard: tick, and the fields of every joint."""
    width = 4 + 4 * 4 * joints
    found = []
    for payload in one.of_kind(m.ROWS):
        for at in range(8, len(payload), width):
            found.append(struct.unpack_from(f"<I{4 * joints}f", payload, at))
    return found


def memory(one, joints):
    """The head of the memory that interrupt and program share, found by what stands in it."""
    data = one.memory()
    mark = struct.pack("<ii", joints, TICKS[joints])
    at = data.find(mark)
    while at >= 0:
        head = struct.unpack_from(f"<{len(cells.HEAD)}i", data, at)
        if head[HEAD["lease_us"]] == 80_000 and head[HEAD["turns"]] > 0:
            return head
        at = data.find(mark, at + 4)
    raise AssertionError("no such memory")


@pytest.mark.parametrize("joints", [1, 4])
def test_a_session_from_greeting_to_stop(board, joints):
    """HELLO, settings, ARM, moves of all joints at once, telemetry of every tick, STOP."""
    one = board(joints)
    assert one.identity[:2] == (m.VERSION, 1)
    assert one.identity[2] == m.SINGLE
    assert (one.identity[3], one.identity[4]) == (joints, TICKS[joints])
    assert powered(one, joints) <= 50_000, "ARM is answered"
    assert one.duties(joints) == [0.0] * joints
    orders = [
        framing.encode(bytes((m.TARGET, 100 + k)) + struct.pack("<BBfh", k, 0, 2.0, 0))
        for k in range(joints)
    ]
    one.emulator.send(framing.padded(b"".join(orders)))  # all at once
    before = len(rows(one, joints))
    one.run(700_000)
    found = rows(one, joints)
    for k in range(joints):
        assert abs(found[-1][1 + 4 * k] - 2.0) < 0.05, "it has arrived"
    late = memory(one, joints)
    assert late[HEAD["late"]] == 0, "no tick was missed"
    assert late[HEAD["most_late_us"]] <= 200
    ticks = [row[0] for row in found[before:]]
    assert len(ticks) >= 0.9 * 700_000 / TICKS[joints]
    missing = ticks[-1] - ticks[0] + 1 - len(ticks)
    assert missing <= late[HEAD["dropped"]]
    assert missing <= 0.02 * len(ticks), "the row of every tick"
    most_us = max(m.parse(payload)[1] for payload in one.of_kind(m.HEALTH))
    assert most_us <= 0.95 * TICKS[joints], "also when all plan a move in the same ticks"
    assert not one.of_kind(m.FAULT)
    for k in range(joints):
        assert one.ask(m.TARGET, "<BBfh", k, 0, 1.0, 0) == m.DONE
    one.run(60_000)
    assert not one.of_kind(m.FAULT)
    assert sum(one.duties(joints)) < -0.05, "it drives back"
    one.send(m.STOP, struct.pack("<HB", ALL, 0))
    assert one.until_off(joints) <= STOP_US
    one.run(150_000)
    told = {m.parse(payload)[1:3] for payload in one.of_kind(m.FAULT)}
    assert told == {(k, faults.STOP_PRESSED) for k in range(joints)}


def test_a_stop_behind_other_frames_is_found_first(board):
    """Four joints streamed, and a stop that comes last in one piece with four setpoint frames."""
    one = board(4)
    powered(one, 4)
    for k in range(4):
        one.ask(m.TARGET, "<BBfh", k, 0, 2.5, 0)
    one.run(60_000)
    stream = struct.pack("<HB", 15, 20) + struct.pack("<Hh", 40_000, 0) * 4
    frames = b"".join(framing.encode(bytes((m.SETPOINTS, 0)) + stream) for _ in range(4))
    stop = framing.encode(bytes((m.STOP, 200)) + struct.pack("<HB", ALL, 0))
    one.emulator.send(framing.padded(frames + stop))
    assert one.until_off(4) <= STOP_US


@pytest.mark.parametrize("joints", [4])
def test_a_host_that_falls_silent_loses_the_drive_within_the_lease_and_a_tick(board, joints):
    one = board(joints)
    powered(one, joints)
    for k in range(joints):
        one.ask(m.TARGET, "<BBfh", k, 0, 2.5, 0)
    one.run(50_000)
    assert all(one.duties(joints))
    one.run(one.beat_us - one.us + 1000)  # the next beat has just gone
    one.beating = False
    spent = one.until_off(joints)
    assert spent <= 80_000 + TICKS[joints] + 1000
    assert spent > 40_000
    assert memory(one, joints)[HEAD["has_lease"]] == 0


def test_a_wiper_that_tears_off_trips_its_joint(board):
    """The reading falls to the rail, in the middle of a move."""
    one = board(1, torn_us=4_000_000)
    powered(one, 1)
    one.ask(m.TARGET, "<BBfh", 0, 0, 2.5, 0)
    one.run(4_000_000 - one.us)
    one.ask(m.TARGET, "<BBfh", 0, 0, 0.6, 0)
    spent = one.until_off(1, 60_000)
    assert spent <= 60_000
    one.run(150_000)
    (told,) = {m.parse(payload)[2] for payload in one.of_kind(m.FAULT)}
    assert told in (faults.WIPER_RAIL, faults.SENSOR_JUMP)


def test_ctrl_c_ends_the_drive(board):
    """From any terminal: 0x03 never stands inside a frame."""
    one = board(1)
    powered(one, 1)
    one.ask(m.TARGET, "<BBfh", 0, 0, 2.5, 0)
    one.run(30_000)
    assert one.duties()[0] != 0.0
    one.emulator.send(b"\x03")
    assert one.until_off(1) <= STOP_US


def test_leaving_while_driven_ends_the_drive_for_good(board):
    """No tick after it puts the drive on again; the prompt comes by a reset, for the watchdog runs."""
    one = board(1)
    powered(one, 1)
    one.ask(m.TARGET, "<BBfh", 0, 0, 2.5, 0)
    one.run(40_000)
    assert one.duties()[0] != 0.0
    one.send(m.LEAVE, struct.pack("<I", m.LEAVE_MAGIC))
    one.beating = False
    assert one.until_off(1) <= STOP_US
    for _ in range(100):
        one.emulator.run(1000)
        assert not any(one.duties(1))
    one.run(1_500_000)
    assert one.emulator.last["resets"] == 1
    one.emulator.send(b"\r\n")
    one.run(300_000)
    assert b">>> " in one.text[-40:], one.text[-40:]


def test_a_program_that_hangs_loses_the_drive_within_100_ms_and_the_chip_is_reset(
    flashes, tmp_path
):
    """The lease is judged in the interrupt; the watchdog is fed by the program only."""
    made = chip.emulator("--flash", flashes[1])
    made.run(2_500_000)
    made.talk(b"\x03", ">>> ")
    made.raw()
    made.exec("import os\nos.rename('main.py', 'then.py')")
    made.put(b"""
import sys
from controller import node
beat, beats = node.Answering.beat, [0]
def hang(self, payload):
    beats[0] += 1
    while beats[0] > 60:
        pass
    beat(self, payload)
node.Answering.beat = hang
import then
""", "main.py")  # fmt: skip
    made.ctl(flash=str(tmp_path / "hang.img"))
    made.close()
    one = chip.Board(tmp_path / "hang.img")
    try:
        one.boot()
        powered(one, 1)
        one.ask(m.TARGET, "<BBfh", 0, 0, 2.5, 0)
        spent, driven = None, False
        while one.emulator.last["resets"] == 0 and one.us < 8_000_000:
            heard = one.us if one.frames else 0
            echoes = len(one.of_kind(m.ECHO))
            one.run(2000)
            if len(one.of_kind(m.ECHO)) > echoes:
                last = one.us
            driven = driven or one.duties()[0] != 0.0
            if driven and one.duties()[0] == 0.0 and one.us - last > 30_000 and spent is None:
                spent = one.us - last
        assert driven
        assert heard
        assert one.emulator.last["resets"] == 1
        assert spent is not None
        assert spent <= 20_000 + 100_000, (
            "after the last beat that was heard: the one that hung came 20 ms later"
        )
        one.beating = False
        one.run(300_000)
        identity = m.parse(one.ask(m.HELLO, "<B", m.VERSION, us=3_000_000))
        assert identity[2] & m.WAS_RESET
        assert one.duties()[0] == 0.0
    finally:
        one.close()
