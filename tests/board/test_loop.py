"""The node's own loop on a board's pins, in simulated time: every way out is a drive of zero.

The joint stands still at 2 rad and is asked for 3 rad, so it is driven for as
long as the drive is on. Bounds are of the world's clock, never of ours.
"""

import struct

import pytest

from controller.joint import faults, modes
from controller.node import node as node_module
from controller.wire import framing, table
from controller.wire import messages as m

TICK_US = 2000
DEADMAN_US = 20_000
WRAP = 2**30
ANSWER_US = 400  # what a turn of the loop, and one tick, take of the world's clock


def nonzero_since(world, begun):
    """Times (us) from ``begun`` on at which a pin was driven."""
    return [entry[0] for entry in world.named("duty", "width") if entry[0] > begun and entry[3]]


def first_silence(world, pins=(2, 3)):
    """Replay the log: time from which on the pins have stayed low."""
    level, since = dict.fromkeys(pins, 0), 0
    for us, _, number, amount, *_ in world.named("duty", "width"):
        was = any(level.values())
        level[number] = amount
        if was and not any(level.values()):
            since = us
    return since


@pytest.fixture
def driven(make_node, host, world, run_for):
    """A node whose joints are driven at 1 rad from their target: ``driven(*joints)``."""

    def make(*joints, **more):
        node = make_node(*joints, **more)
        host.play(host.drive_on(len(node.joints.slots)))
        run_for(node, 1.2)
        node.leaving = False
        assert [slot.report.mode for slot in node.joints.slots] == [modes.POWERED] * len(
            node.joints.slots
        )
        return node

    return make


def test_loop_begins_with_every_output_off_and_measures_without_driving(make_node, world, run_for):
    node = make_node()
    node.board.drive(0, 0.5, False)  # what a program before may have left
    world.log.clear()
    run_for(node, 0.05)
    assert [entry[1:4] for entry in world.log[:2]] == [("duty", 2, 0), ("duty", 3, 0)]
    assert not nonzero_since(world, 0)
    assert node.timing.fits


def test_nothing_is_driven_before_it_is_armed(make_node, host, world, run_for):
    node = make_node()
    host.play(host.settle())
    run_for(node, 0.6)
    assert host.answers(m.APPLY) == [m.DONE]
    assert node.has_lease
    assert not nonzero_since(world, 0)


def test_an_armed_joint_is_driven_towards_its_target(driven, host, world):
    node = driven()
    assert host.answers(m.ARM) == [m.DONE]
    assert host.answers(m.TARGET) == [m.DONE]
    last = [entry for entry in world.named("duty") if entry[3]][-2:]
    assert {entry[2] for entry in last} == {2, 3}
    assert node.joints.slots[0].report.allowed_V > 1.0
    assert world.silent(), "the run has ended"


@pytest.mark.parametrize("sign", [1, -1])
def test_sign_of_the_drive_reaches_the_pins(make_node, host, world, run_for, sign):
    host.settings.drive.sign = sign
    node = make_node()
    host.play(host.drive_on())
    seen = []
    run_for(node, 1.2, (1.19, lambda: seen.append(world.volts(2, 3))))
    assert seen[0] * sign > 0.2
    assert seen[0] * sign == pytest.approx(node.joints.slots[0].report.allowed_V / 5.0, rel=0.2)


def test_pulse_drive_pulses_while_armed_and_not_at_all_otherwise(
    make_node, host, world, run_for, pulse_joint
):
    host.settings.drive.kind = 1
    node = make_node(pulse_joint)
    host.play(host.drive_on())
    stop = lambda: host.send(m.STOP, struct.pack("<HB", 1, 0))  # noqa: E731
    seen = []
    run_for(node, 1.3, (1.19, lambda: seen.append(world.outputs[4].amount)), (1.2, stop))
    assert 1_505_000 < seen[0] <= 1_655_001
    widths = [entry[3] for entry in world.named("width")]
    assert min(widths) >= 1_500_000, "from neutral upwards only"
    assert first_silence(world, (4,)) <= world.us - 100_000 + TICK_US + 12 * ANSWER_US
    assert world.silent()


# --- Ctrl-C


@pytest.mark.parametrize(
    "octets",
    [b"\x03", b"\x03" * 5, framing.encode(b"\x01\x01\x01")[:4] + b"\x03", b"junk\r\n\x03"],
    ids=["alone", "held down", "within a frame", "after junk"],
)
def test_ctrl_c_octet_ends_the_drive_and_the_loop(driven, host, world, octets):
    node = driven()
    pressed = world.us + 30_000

    def press():
        host.to_board += octets

    world.at(pressed, press)
    with pytest.raises(KeyboardInterrupt):
        node.run()
    assert nonzero_since(world, pressed - 10_000), "it was driven until then"
    assert world.silent()
    assert pressed < first_silence(world) <= pressed + TICK_US + ANSWER_US


def test_an_interrupt_at_any_moment_of_a_tick_ends_with_the_drive_off(driven, world):
    """A port raises it anywhere: between the two sides of a bridge, in an answer, in a collection."""
    node = driven()
    for after in range(0, 2 * TICK_US, 67):

        def strike():
            raise KeyboardInterrupt

        world.at(world.us + 20_000 + after, strike)
        with pytest.raises(KeyboardInterrupt):
            node.run()
        assert world.silent(), after
        assert node.joints.slots[0].report.mode == modes.POWERED, "no tick was needed for it"


# --- errors


@pytest.mark.parametrize("error", [OSError(5), ValueError("x"), MemoryError(), ZeroDivisionError()])
def test_an_error_in_a_tick_is_a_drive_of_zero_in_that_tick(driven, host, world, run_for, error):
    node = driven()
    at = []

    def fail():
        if at:
            return 2000
        at.append(world.us)
        raise error

    run_for(node, 0.3, (0.05, lambda: world.analog.update({26: fail})))
    assert first_silence(world) - at[0] <= ANSWER_US
    assert not nonzero_since(world, at[0]), "and it stays off"
    report = node.joints.slots[0].report
    assert (report.mode, report.fault) == (modes.TRIPPED, faults.TICK_ERROR)
    assert report.allowed_V == 0.0
    (text,) = host.of_kind(m.TEXT)
    assert type(error).__name__.encode() in text
    told = m.parse(host.of_kind(m.FAULT)[0])
    assert told[1:] == (0, faults.TICK_ERROR, modes.TRIPPED)


def test_an_error_of_one_joint_takes_the_drive_of_all(driven, world, run_for, bridge_joint):
    """Joint 0 has already put its drive out when joint 1 fails."""
    node = driven(bridge_joint, {"wiper": 27, "out": [6, 7]})

    def fail():
        world.analog[27] = 2000
        raise RuntimeError("converter")

    run_for(node, 0.2, (0.05, lambda: world.analog.update({27: fail})))
    assert [slot.report.fault for slot in node.joints.slots] == [faults.TICK_ERROR] * 2
    for pins in ((2, 3), (6, 7)):
        assert first_silence(world, pins) <= world.us - 140_000
    assert world.silent()


def test_after_an_error_clearing_and_arming_drive_again(driven, host, world, run_for):
    node = driven()

    def fail():
        world.analog[26] = 2000
        raise RuntimeError("once")

    def again():
        host.send(m.CLEAR, struct.pack("<H", 1))
        yield 0.03
        digest = table.digest(table.pack_table(host.settings))
        host.send(m.ARM, struct.pack("<HI", 1, digest))
        yield 0.03
        host.send(m.TARGET, struct.pack("<BBfh", 0, 0, 3.0, 0))

    run_for(node, 0.4, (0.05, lambda: world.analog.update({26: fail})),
            (0.15, lambda: host.play(again())))  # fmt: skip
    assert node.joints.slots[0].report.mode == modes.POWERED
    assert nonzero_since(world, world.us - 50_000)


@pytest.mark.parametrize("where", ["read", "write"])
def test_an_error_of_the_link_ends_the_loop_with_the_drive_off(driven, host, world, where):
    node = driven()

    def fail(_):
        raise OSError(where)

    world.at(world.us + 30_000, lambda: setattr(node.stream, where, fail))
    with pytest.raises(OSError, match=where):
        node.run()
    assert world.silent()


def test_an_error_at_the_very_begin_ends_with_the_drive_off(driven, world, monkeypatch):
    node = driven()

    def fail(_):
        raise MemoryError

    monkeypatch.setattr(node.timing, "measure", fail)
    node.board.drive(0, 0.5, False)
    with pytest.raises(MemoryError):
        node.run()
    assert world.silent()


def test_an_error_in_every_tick_does_not_fill_the_memory(driven, host, world, run_for):
    node = driven()

    def fail():
        raise RuntimeError("for good")

    def go():
        world.analog[26] = fail
        host.reading = False

    run_for(node, 2.0, (0.05, go))
    assert len(node.telemetry.waiting) <= 16


# --- standing still


def freeze_in_converter(world, host, monkeypatch, span):
    world.stall_us = span


def freeze_in_write(world, host, monkeypatch, span):
    """A port blocks for up to half a second where a host holds it and does not read."""
    host.block_us = span


def freeze_in_collection(world, host, monkeypatch, span):
    """One collection that is far longer than any before."""
    left = [span]
    monkeypatch.setattr(node_module, "collect", lambda: world.stand(left.pop() if left else 100))


FREEZES = [freeze_in_converter, freeze_in_write, freeze_in_collection]


@pytest.mark.parametrize("freeze", FREEZES)
def test_a_loop_that_stands_still_has_no_drive_within_20_ms(
    driven, host, world, monkeypatch, freeze
):
    node = driven()
    frozen_at = world.us + 50_000
    beats = []
    alive = node.board.deadman.alive
    monkeypatch.setattr(node.board.deadman, "alive", lambda: (beats.append(world.us), alive()))
    world.at(frozen_at, lambda: freeze(world, host, monkeypatch, 300_000))
    cut = []
    watched = frozen_at + 60_000
    world.at(watched, lambda: cut.append((first_silence(world), world.silent(), beats[-1])))
    world.at(watched, lambda: setattr(node, "leaving", True))
    node.run()
    silent_since, is_silent, last_beat = cut[0]
    assert is_silent
    assert DEADMAN_US - 5000 < silent_since - last_beat <= DEADMAN_US
    assert node.board.deadman_trips() == 1


@pytest.mark.parametrize("freeze", FREEZES)
def test_after_a_standstill_the_drive_stays_off_and_the_cause_is_told(
    driven, host, world, run_for, monkeypatch, freeze
):
    node = driven()
    begun = world.us
    run_for(node, 0.8, (0.05, lambda: freeze(world, host, monkeypatch, 70_000)))
    assert node.joints.slots[0].report.fault == faults.DEADMAN
    assert not nonzero_since(world, begun + 160_000)
    assert m.parse(host.of_kind(m.FAULT)[-1])[2] == faults.DEADMAN


def test_a_loop_that_never_comes_back_is_reset_by_the_watchdog(driven, world, bitten):
    node = driven()
    begun = world.us + 30_000
    world.at(begun, lambda: setattr(world, "stall_us", 10**9))
    with pytest.raises(bitten):
        node.run()
    assert world.us - begun <= 500_000 + 3 * TICK_US
    assert first_silence(world) - begun <= DEADMAN_US + TICK_US


def test_a_host_that_falls_silent_loses_the_drive_within_the_lease(driven, host, world, run_for):
    node = driven()
    silent_at = world.us + 50_000
    run_for(node, 0.4, (0.05, lambda: setattr(host, "beating", False)))
    assert node.joints.slots[0].report.fault == faults.LINK_SILENT
    assert 70_000 < first_silence(world) - silent_at <= 100_000 + TICK_US + ANSWER_US
    assert node.board.deadman_trips() == 0


# --- requests that meet in one tick


def test_stop_removes_the_drive_at_once_and_latches(driven, host, world, run_for):
    node = driven()
    pressed = world.us + 50_000
    run_for(node, 0.2, (0.05, lambda: host.send(m.STOP, struct.pack("<HB", 0xFFFF, 0))))
    assert first_silence(world) - pressed <= TICK_US + ANSWER_US
    assert not nonzero_since(world, pressed + TICK_US + ANSWER_US)
    report = node.joints.slots[0].report
    assert (report.mode, report.fault) == (modes.TRIPPED, faults.STOP_PRESSED)


@pytest.mark.parametrize(
    ("kind", "body"),
    [
        (m.CLEAR, struct.pack("<H", 1)),
        (m.RELEASE, struct.pack("<H", 1)),
        (m.DISARM, struct.pack("<H", 1)),
        (m.ARM, None),
        (m.STOP, struct.pack("<HB", 1, 1)),
    ],
    ids=["clear", "release", "disarm", "arm", "gentle stop"],
)
def test_no_later_request_takes_a_stop_back(driven, host, world, run_for, kind, body):
    """Both frames are taken between two ticks; STOP must win, whatever follows it."""
    node = driven()
    node.answering.bytes_per_tick = 64
    if body is None:
        body = struct.pack("<HI", 1, table.digest(table.pack_table(host.settings)))

    def both():
        host.send(m.STOP, struct.pack("<HB", 0xFFFF, 0))
        host.send(kind, body)

    pressed = world.us + 50_000
    run_for(node, 0.2, (0.05, both))
    assert host.answers(m.STOP)[0] == m.DONE
    assert node.joints.slots[0].report.fault == faults.STOP_PRESSED
    assert not nonzero_since(world, pressed + TICK_US + ANSWER_US)


# --- time


@pytest.fixture
def ticks_of(world, monkeypatch):
    """Times (us, not wrapped) at which the joints of a node are ticked, and their steps."""

    def watch(node):
        seen = []
        tick = node.joints.tick

        def watched(node, steps, now):
            seen.append((world.us, steps))
            tick(node, steps, now)

        monkeypatch.setattr(node.joints, "tick", watched)
        return seen

    return watch


@pytest.mark.parametrize("left_us", [0, 1, 999, 2000, 63_000, 120_000])
def test_ticks_keep_their_grid_across_the_wrap_of_the_clock(
    make_node, world, run_for, ticks_of, left_us
):
    world.us = 3 * WRAP - left_us
    node = make_node()
    seen = ticks_of(node)
    run_for(node, 0.2)
    grid = node.edge - (len(seen)) * TICK_US
    late = [(us - grid) % WRAP - k * TICK_US for k, (us, _) in enumerate(seen)]
    assert len(seen) in (99, 100)
    assert [steps for _, steps in seen] == [1] * len(seen)
    assert all(0 <= one <= 150 for one in late), "each tick at its absolute time: no drift"
    assert node.timing.late == 0
    assert node.tick == len(seen)
    assert 0 <= node.edge < WRAP


@pytest.mark.parametrize("left_us", [0, 40_000, 300_000, 800_000])
def test_a_joint_stays_powered_across_the_wrap(driven, world, host, left_us):
    world.us = 2 * WRAP - left_us
    node = driven()
    assert node.joints.slots[0].report.mode == modes.POWERED
    assert not host.of_kind(m.FAULT)


def test_a_lease_that_ends_across_the_wrap_ends_in_time(driven, world, host, run_for):
    world.us = 2 * WRAP - 1_260_000
    node = driven()
    silent_at = world.us + 5000
    assert silent_at < 2 * WRAP < silent_at + 100_000
    run_for(node, 0.3, (0.005, lambda: setattr(host, "beating", False)))
    assert node.joints.slots[0].report.fault == faults.LINK_SILENT
    assert 70_000 < first_silence(world) - silent_at <= 100_000 + TICK_US + ANSWER_US


def test_a_silence_of_a_whole_period_of_the_clock_is_no_fresh_lease(
    make_node, world, host, run_for
):
    """The beat's age wraps to a small number 18 minutes later: the lease is gone all the same."""
    node = make_node()
    host.play(host.settle())
    run_for(node, 0.6)
    assert node.has_lease
    host.beating, host.to_board = False, b""
    node.leaving = False
    run_for(node, 0.2)
    world.us += WRAP - 250_000
    node.leaving = False
    run_for(node, 0.1)
    assert not node.has_lease
    assert node.joints.slots[0].readings.link_age_s > 100.0


@pytest.mark.parametrize("stall_us", [4500, 7000, 15_000])
@pytest.mark.parametrize("wrap_in_us", [10**6, 52_000])
def test_a_late_tick_stands_for_its_periods_and_the_grid_is_kept(
    make_node, world, run_for, ticks_of, stall_us, wrap_in_us
):
    world.us = WRAP - wrap_in_us
    node = make_node()
    seen = ticks_of(node)
    run_for(node, 0.1, (0.05, lambda: setattr(world, "stall_us", stall_us)))
    late = [steps for _, steps in seen if steps > 1]
    assert late == [stall_us // TICK_US]
    assert node.timing.late == late[0] - 1
    assert node.tick == sum(steps for _, steps in seen)
    first = seen[0][0] - 1
    behind = [(us - first) % TICK_US for us, steps in seen if steps == 1]
    assert all(one <= 200 or one >= TICK_US - 200 for one in behind)
    assert node.tick in (49, 50)


def test_joints_are_told_at_most_fifty_periods_while_ticks_count_them_all(
    make_node, world, run_for, ticks_of
):
    node = make_node()
    seen = ticks_of(node)
    run_for(node, 0.5, (0.05, lambda: setattr(world, "stall_us", 300_000)))
    assert max(steps for _, steps in seen) == node_module.MOST_STEPS
    assert 248 <= node.tick <= 250
    assert node.timing.late == 150 or node.timing.late == 149


def slow_joints(node, world, us):
    """Let a joint's tick take ``us`` of the simulated clock."""
    real = node.joints.joint_tick

    def slow(*records):
        world.stand(us)
        return real(*records)

    node.joints.joint_tick = slow


def test_a_tick_that_takes_most_of_its_period_is_found_at_the_begin(
    make_node, world, host, run_for
):
    node = make_node()
    slow_joints(node, world, 1750)
    host.beating = True
    host.send(m.HELLO, struct.pack("<B", m.VERSION))
    digest = table.digest(table.pack_table(node.joints.slots[0].settings))
    arm = lambda: host.send(m.ARM, struct.pack("<HI", 1, digest))  # noqa: E731
    run_for(node, 0.5, (0.2, arm))
    identity = m.parse(host.of_kind(m.IDENTITY)[0])
    assert identity[2] & m.NO_FIT
    assert 1750 <= identity[8] <= 1800
    assert host.answers(m.ARM) == [m.TOO_SLOW]
    assert not nonzero_since(world, 0)


def test_a_tick_longer_than_its_period_is_told_to_the_host(make_node, world, host, run_for):
    node = make_node()
    slow_joints(node, world, 2300)
    run_for(node, 0.5, (0.1, lambda: host.send(m.HELLO, struct.pack("<B", m.VERSION))))
    assert not node.timing.fits
    told = host.of_kind(m.IDENTITY)
    assert told
    assert m.parse(told[0])[2] & m.NO_FIT
