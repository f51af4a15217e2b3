"""The node, turn by turn in simulated time: requests, lease, stops, faults."""

import struct
from itertools import pairwise

import pytest

from controller.joint import faults
from controller.wire import messages as m
from controller.wire import table
from sim.model import schedule, sensor
from sim.model.schedule import RAISE, STALL

TARGET = struct.pack("<BBfh", 0, 0, 1.3, 0)


def test_identity_tells_who_it_is_without_a_lease(make_bench):
    bench = make_bench(joints=2)
    bench.send(m.HELLO, b"\x01")
    bench.run(0.02)
    (payload,) = bench.of_kind(m.IDENTITY)
    body = m.parse(payload)
    assert body[0] == m.VERSION
    assert body[2] & m.VIRTUAL
    assert body[3] == 2
    assert body[4] == 2000


def test_nothing_is_driven_or_told_without_a_lease(make_bench):
    bench = make_bench()
    digest = bench.send_settings()
    assert bench.ask(m.ARM, struct.pack("<HI", 1, digest)) == (m.NO_LEASE, 0)
    bench.ask(m.TELEMETRY, struct.pack("<HHBB", 1, 15, 1, 4))
    bench.frames.clear()
    bench.run(0.3)
    assert bench.frames == []


def test_arming_needs_the_very_settings(make_bench):
    bench = make_bench()
    digest = bench.send_settings()
    bench.beating = True
    bench.run(0.05)
    assert bench.ask(m.ARM, struct.pack("<HI", 1, digest ^ 1)) == (m.DIFFERS, 0)
    assert bench.report.mode == 0
    assert bench.ask(m.ARM, struct.pack("<HI", 1, digest)) == (m.DONE, 0)
    bench.run(0.02)
    assert bench.report.mode == 2


def test_move_and_stop(make_bench):
    bench = make_bench()
    bench.power()
    assert bench.ask(m.TARGET, TARGET) == (m.DONE, 0)
    bench.run(0.5)
    assert bench.report.angle_rad == pytest.approx(1.3, abs=0.03)
    assert bench.ask(m.TARGET, struct.pack("<BBfh", 0, 0, 0.4, 0)) == (m.DONE, 0)
    bench.run(0.03)
    assert bench.duty != 0.0
    assert bench.ask(m.STOP, struct.pack("<HB", 0xFFFF, 0)) == (m.DONE, 0)
    assert bench.duty == 0.0
    assert (bench.report.mode, bench.report.fault) == (4, faults.STOP_PRESSED)


def test_stop_takes_the_drive_within_one_tick(make_bench):
    bench = make_bench()
    bench.power()
    bench.ask(m.TARGET, TARGET)
    bench.run(0.03)
    assert bench.duty != 0.0
    bench.send(m.STOP, struct.pack("<HB", 0xFFFF, 0))
    start = bench.clock.us
    while bench.duty != 0.0:
        bench.node.turn()
        bench.clock.us += 50
        assert bench.clock.us - start <= bench.node.tick_us + 200


@pytest.mark.parametrize(("kind", "more", "fault"), [
    (m.STOP, b"\x00", faults.STOP_PRESSED), (m.STOP, b"\x01", faults.NONE), (m.DRIVE_OFF, b"", faults.NONE),
])  # fmt: skip
def test_what_takes_the_drive_away_does_so_though_the_mask_names_an_absent_joint(
    make_bench, kind, more, fault
):
    bench = make_bench(joints=2)
    bench.power()
    bench.ask(m.TARGET, TARGET)
    bench.run(0.03)
    assert bench.duty != 0.0
    assert bench.ask(kind, struct.pack("<H", 0b1001) + more) == (m.DONE, 0)
    bench.run(1.0)
    assert bench.duty == 0.0
    assert bench.report.mode == (4 if fault else 0)
    assert bench.report.fault == fault
    assert bench.node.joints.slots[1].report.mode == 2


def test_a_silent_link_ends_the_drive_within_its_time(make_bench):
    """link_silence 100 ms in the file: zero at the latest one tick after it."""
    bench = make_bench()
    bench.power()
    bench.ask(m.TARGET, TARGET)
    bench.run(0.02)
    assert bench.duty != 0.0
    bench.beating = False
    start = bench.clock.us
    while bench.duty != 0.0 or bench.report.mode == 2:
        bench.run(0.002)
        assert bench.clock.us - start < 110_000
    assert bench.report.fault == faults.LINK_SILENT


def test_a_shorter_lease_is_kept(make_bench):
    bench = make_bench()
    bench.power()
    bench.send(m.BEAT, struct.pack("<IHB", 0, 40, 0))
    bench.beating = False
    bench.run(0.05)
    assert bench.report.mode == 4


def test_a_host_that_does_not_read_loses_rows_not_ticks(make_bench):
    """Write refused: the loop goes on, rows are dropped and counted; credit does the same."""
    bench = make_bench()
    bench.power()
    bench.ask(m.TELEMETRY, struct.pack("<HHBB", 1, 15, 1, 4))
    bench.wire.reading = False
    ticks = bench.node.tick
    bench.run(0.5)
    assert bench.node.tick - ticks >= 245
    assert bench.node.telemetry.dropped > 100
    assert len(bench.node.telemetry.waiting) < 12
    assert len(bench.node.telemetry.answers) < 12


def test_a_dead_reader_stays_dead_however_the_clock_turns(make_bench):
    """The clock's difference turns round after 2^29 us: an old sign of life must not look young."""
    bench = make_bench()
    bench.power()
    bench.ask(m.TELEMETRY, struct.pack("<HHBB", 1, 15, 1, 4))
    stuck = bench.last_sequence()
    bench.last_sequence = lambda: stuck
    bench.run(1.0)
    assert bench.report.mode == 4
    assert not bench.node.has_lease
    for _ in range(25):  # one turn and a quarter of the clock, with a beat now and then
        bench.clock.us += 2**30 // 20
        bench.beat_due = 0
        bench.run(0.05)
        assert not bench.node.has_lease
        assert bench.ask(m.ARM, struct.pack("<HI", 1, 0)) == (m.NO_LEASE, 0)


def test_rows_hold_what_was_asked_for_and_say_what_is_missing(make_bench):
    bench = make_bench(joints=3)
    bench.power()
    bench.ask(m.TELEMETRY, struct.pack("<HHBB", 0b101, 0b0110, 2, 5))
    bench.frames.clear()
    bench.run(0.2)
    rows = bench.of_kind(m.ROWS)
    assert len(rows) >= 8
    ticks = []
    for payload in rows:
        mask, fields, dropped = struct.unpack_from("<HHH", payload, 2)
        assert (mask, fields, dropped) == (0b101, 0b0110, 0)
        assert len(payload) == 8 + 5 * (4 + 2 * 2 * 4)
        ticks += [struct.unpack_from("<I", payload, 8 + 20 * k)[0] for k in range(5)]
    assert all(b - a == 2 for a, b in pairwise(ticks))


def test_sixteen_joints_are_sent_in_frames_that_fit(make_bench):
    bench = make_bench(joints=16)
    bench.beating = True
    bench.run(0.05)
    bench.ask(m.TELEMETRY, struct.pack("<HHBB", 0xFFFF, 15, 1, 8))
    bench.frames.clear()
    bench.run(0.05)
    seen = 0
    for payload in bench.of_kind(m.ROWS):
        assert len(payload) <= 248
        seen |= struct.unpack_from("<H", payload, 2)[0]
    assert seen == 0xFFFF


def test_settings_are_refused_whole_and_the_cell_is_named(make_bench):
    bench = make_bench()
    bench.send_settings()
    before = table.pack_table(bench.node.joints.slots[0].settings)
    kp = table.cell_of(type(bench.joint.settings), "gains.kp")
    ki = table.cell_of(type(bench.joint.settings), "gains.ki")
    bench.ask(m.SETTING, struct.pack("<BHf", 0, ki, 12.0))
    assert bench.ask(m.SETTING, struct.pack("<BHf", 0, kp, 5e6)) == (m.DONE, 0)
    staged = bytearray(before)
    struct.pack_into("<f", staged, 4 * kp, 5e6)
    struct.pack_into("<f", staged, 4 * ki, 12.0)
    answer = bench.ask(m.APPLY, struct.pack("<BI", 0, table.digest(bytes(staged))))
    assert answer == (m.OUT_OF_RANGE, kp)
    assert table.pack_table(bench.node.joints.slots[0].settings) == before
    assert bench.ask(m.APPLY, struct.pack("<BI", 0, 1)) == (m.DIFFERS, 0)


def test_hard_limits_of_the_board_cannot_be_widened(make_bench):
    bench = make_bench(hard=[("limits.current_A", 0.0, 0.2)])
    data = table.pack_table(bench.joint.settings)
    for at in range(0, len(data), 40):
        bench.ask(m.SETTING, struct.pack("<BH", 0, at // 4) + data[at : at + 40])
    cell = table.cell_of(type(bench.joint.settings), "limits.current_A")
    assert bench.ask(m.APPLY, struct.pack("<BI", 0, table.digest(data))) == (m.OUT_OF_RANGE, cell)


def test_settings_are_not_taken_over_while_powered(make_bench):
    bench = make_bench()
    digest = bench.power()
    assert bench.ask(m.APPLY, struct.pack("<BI", 0, digest))[0] == m.NOT_NOW


def test_settings_can_be_read_back(make_bench):
    bench = make_bench()
    bench.send_settings()
    bench.frames.clear()
    bench.send(m.READ, struct.pack("<BHB", 0, 3, 10))
    bench.run(0.02)
    (payload,) = bench.of_kind(m.VALUES)
    assert payload[5:] == table.pack_table(bench.joint.settings)[12:52]
    assert bench.ask(m.READ, struct.pack("<BHB", 0, 60000, 10))[0] == m.OUT_OF_RANGE


@pytest.mark.parametrize(
    ("kind", "body", "result"),
    [
        (0x55, b"", m.UNKNOWN),
        (m.ARM, b"\x01", m.BAD_LENGTH),
        (m.SETTING, b"\x00\x00\x00\x01", m.BAD_LENGTH),
        (m.TARGET, struct.pack("<BBfh", 7, 0, 0.5, 0), m.NO_JOINT),
        (m.APPLY, struct.pack("<BI", 9, 0), m.NO_JOINT),
        (m.STOP, struct.pack("<HB", 1, 2), m.OUT_OF_RANGE),
        (m.CLEAR, struct.pack("<H", 0x10), m.NO_JOINT),
        (m.LEAVE, struct.pack("<I", 5), m.OUT_OF_RANGE),
        (m.TARGET, TARGET, m.NOT_NOW),
    ],
)
def test_nonsense_is_answered_as_such(make_bench, kind, body, result):
    bench = make_bench()
    assert bench.ask(kind, body)[0] == result


@pytest.mark.parametrize("angle", [9.0, -1.0, float("nan"), float("inf")])
def test_targets_out_of_range_are_refused(make_bench, angle):
    bench = make_bench()
    bench.power()
    want = bench.report.setpoint_rad
    assert bench.ask(m.TARGET, struct.pack("<BBfh", 0, 0, angle, 0)) == (m.REFUSED, 0)
    bench.run(0.05)
    assert bench.report.setpoint_rad == want


def test_a_repeated_request_is_answered_again_and_done_once(make_bench):
    bench = make_bench()
    bench.power()
    bench.send(m.STOP, struct.pack("<HB", 1, 0), 77)
    bench.run(0.02)
    bench.ask(m.CLEAR, struct.pack("<H", 1))
    assert bench.report.mode == 0
    bench.frames.clear()
    bench.send(m.CLEAR, struct.pack("<H", 1), bench.sequence)
    bench.run(0.02)
    assert len(bench.of_kind(m.ANSWER)) == 1


def test_setpoints_are_followed_and_renew_the_lease(make_bench):
    bench = make_bench()
    bench.power()
    bench.beating = False
    low, high = (
        bench.joint.settings.limits.command_low_rad,
        bench.joint.settings.limits.command_high_rad,
    )
    for k in range(60):
        angle = bench.report.setpoint_rad + 0.02 if k < 40 else 1.2
        share = round((angle - low) / (high - low) * 65535)
        bench.send(m.SETPOINTS, struct.pack("<HBHh", 1, 20, share, 0))
        bench.run(0.02)
    assert bench.report.mode == 2
    assert bench.report.angle_rad == pytest.approx(1.2, abs=0.03)


@pytest.mark.parametrize("body", [b"", b"\x01\x00", struct.pack("<HBHh", 1, 0, 5, 5),
                                  struct.pack("<HBHh", 4, 20, 5, 5), struct.pack("<HB", 1, 20)])  # fmt: skip
def test_broken_setpoints_change_nothing_and_renew_nothing(make_bench, body):
    bench = make_bench()
    bench.power()
    bench.beating = False
    for _ in range(12):
        bench.send(m.SETPOINTS, body)
        bench.run(0.01)
    assert bench.report.fault == faults.LINK_SILENT


def test_an_error_in_the_tick_ends_with_the_drive_off(make_bench):
    bench = make_bench()
    bench.power()
    bench.ask(m.TARGET, TARGET)
    bench.run(0.03)
    assert bench.duty != 0.0
    bench.ask(m.MEDDLE, struct.pack("<BBfff", 0, RAISE, 0, 0, 0))
    assert bench.duty == 0.0
    assert (bench.report.mode, bench.report.fault) == (4, faults.TICK_ERROR)
    bench.run(0.2)
    assert b"injected error" in b"".join(bench.of_kind(m.TEXT))


def test_a_frozen_loop_is_cut_by_the_second_watch(make_bench):
    """The plant has no drive from 20 ms of standstill on; the trip is counted."""
    bench = make_bench()
    bench.power()
    bench.ask(m.TARGET, TARGET)
    bench.run(0.04)

    assert bench.duty > 0.3
    mechanism = bench.node.board.mechanism
    spans = []
    run = mechanism._run
    mechanism._run = lambda span: (spans.append((span, mechanism.duties[0])), run(span))
    bench.ask(m.MEDDLE, struct.pack("<BBfff", 0, STALL, 0.3, 0, 0))
    assert max(spans) == (pytest.approx(0.28), 0.0), "without a drive"
    driven = [span for span, duty in spans if duty != 0.0]
    assert max(driven) == pytest.approx(0.02 - bench.joint.settings.tick_s, abs=0.002)
    assert bench.node.board.trips == 1


def test_a_torn_wire_is_told_until_seen(make_bench):
    bench = make_bench()
    bench.power()
    bench.ask(m.MEDDLE, struct.pack("<BBfff", 0, schedule.SENSOR, sensor.OPEN, 0, 0))
    bench.run(0.35)
    told = bench.of_kind(m.FAULT)
    assert len(told) >= 2
    _, joint, fault, mode = m.parse(told[0])
    assert (joint, mode) == (0, 4)
    assert fault in (faults.WIPER_RAIL, faults.SENSOR_JUMP)
    bench.ask(m.SEEN, struct.pack("<BB", 0, fault))
    bench.run(0.3)
    assert bench.of_kind(m.FAULT) == []


def test_leaving_ends_the_loop_with_the_drive_off(make_bench):
    bench = make_bench()
    bench.power()
    bench.ask(m.TARGET, TARGET)
    bench.run(0.02)
    bench.ask(m.LEAVE, struct.pack("<I", m.LEAVE_MAGIC))
    assert bench.node.leaving
    assert bench.duty == 0.0


def test_a_tick_that_does_not_fit_refuses_to_arm(make_bench):
    bench = make_bench()
    digest = bench.send_settings()
    bench.node.timing.fits = False
    bench.beating = True
    bench.run(0.05)
    assert bench.ask(m.ARM, struct.pack("<HI", 1, digest))[0] == m.TOO_SLOW


def test_late_ticks_are_counted_and_told_to_the_joint(make_bench):
    bench = make_bench()
    bench.power()
    bench.node.timing.reset()
    bench.clock.us += 7000
    bench.node.turn()
    assert bench.node.timing.late == 3
    assert bench.node.joints.slots[0].readings.steps == 4


def test_health_is_told_twice_a_second(make_bench):
    bench = make_bench()
    bench.beating = True
    bench.run(1.6)
    assert 2 <= len(bench.of_kind(m.HEALTH)) <= 4


def test_self_test_at_arming_powers_a_sound_joint_and_refuses_a_swapped_one(make_bench):
    sound = make_bench(self_test=True)
    sound.power()
    assert sound.report.mode == 1
    sound.run(1.2)
    assert sound.report.mode == 2
    swapped = make_bench(self_test=True)
    swapped.ask(m.MEDDLE, struct.pack("<BBfff", 0, schedule.WIRED_WRONG, 1, 0, 0))
    swapped.power()
    swapped.run(1.2)
    assert (swapped.report.mode, swapped.report.fault) == (4, faults.REVERSED)


def test_an_arming_that_comes_with_a_clear_in_one_tick_is_not_lost(make_bench):
    """The tick takes one of them: the other is refused, not forgotten behind a "done"."""
    bench = make_bench()
    bench.power()
    assert bench.ask(m.STOP, struct.pack("<HB", 1, 0))[0] == m.DONE
    digest = table.digest(table.pack_table(bench.node.joints.slots[0].settings))
    bench.send(m.CLEAR, struct.pack("<H", 1))
    bench.send(m.ARM, struct.pack("<HI", 1, digest))
    bench.run(0.02)
    answers = {payload[2]: payload[4] for payload in bench.of_kind(m.ANSWER)[-2:]}
    assert answers[m.CLEAR] == m.DONE
    armed = bench.report.mode in (1, 2)
    assert answers[m.ARM] == (m.DONE if armed else m.NOT_NOW)
    bench.send(m.ARM, struct.pack("<HI", 1, digest))
    bench.run(0.3)
    assert bench.report.mode == 2
