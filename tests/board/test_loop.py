"""The node's own loop on a board's pins, in simulated time: every way out is a drive of zero.

The joint stands still at 2 rad and is asked for 3 rad, so it is driven for as
long as the drive is on. Bounds are of the world's clock, never of ours.
"""

import struct

import pytest

from controller.joint import faults, modes
from controller.node import cells
from controller.wire import framing, table
from controller.wire import messages as m

TICK_US = 2000
STANDSTILL_US = 20_000
WRAP = 2**30
ANSWER_US = 400  # what a turn of the loop, and one tick, take of the world's clock


def nonzero_since(world, begun):
    """Times (us) from ``begun`` on at which a pin was driven."""
    return [entry[0] for entry in world.named("duty", "width") if entry[0] > begun and entry[3]]


def drive_of(node):
    """Drive of the first joint, as its tick has put it out."""
    at = 4 * (node.joints.slots_at + cells.SLOT.index("drive"))
    return struct.unpack_from("<f", node.joints.octets, at)[0]


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
        host.play(host.drive_on(node.joints.count))
        run_for(node, 1.2)
        node.leaving = False
        assert [node.joints.mode(k) for k in range(node.joints.count)] == [
            modes.POWERED
        ] * node.joints.count
        return node

    return make


def test_loop_begins_with_every_output_off_and_measures_without_driving(make_node, world, run_for):
    node = make_node()
    node.board.outputs[0].put(65535, 30000)  # what a program before may have left
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
    driven()
    assert host.answers(m.ARM) == [m.DONE]
    assert host.answers(m.TARGET) == [m.DONE]
    last = [entry for entry in world.named("duty") if entry[3]][-2:]
    assert {entry[2] for entry in last} == {2, 3}
    assert world.silent(), "the run has ended"


@pytest.mark.parametrize("sign", [1, -1])
def test_sign_of_the_drive_reaches_the_pins(make_node, host, world, run_for, sign):
    host.settings.drive.sign = sign
    node = make_node()
    host.play(host.drive_on())
    seen = []
    run_for(node, 1.2, (1.19, lambda: seen.append(world.volts(2, 3))))
    assert seen[0] * sign > 0.2
    assert seen[0] == pytest.approx(drive_of(node), rel=0.2)


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
    assert min(one for one in widths if one) >= 1_500_000, "from neutral upwards only"
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
    assert pressed <= first_silence(world) <= pressed + TICK_US + ANSWER_US


def test_an_interrupt_at_any_moment_of_a_tick_ends_with_the_drive_off(driven, world):
    """A port raises it anywhere: between the two sides of a bridge, in an answer, in a collection."""
    node = driven()
    for after in range(0, 2 * TICK_US, 67):

        def strike():
            raise KeyboardInterrupt

        world.at(world.us + 31_000 + after, strike)  # beats come every 20 ms: not each is struck
        with pytest.raises(KeyboardInterrupt):
            node.run()
        assert world.silent(), after
        assert node.joints.mode(0) == modes.POWERED, (after, node.joints.fault(0))


# --- errors


@pytest.mark.parametrize("error", [OSError(5), ValueError("x"), MemoryError(), ZeroDivisionError()])
def test_an_interrupt_that_fails_does_not_come_again_and_the_second_watch_cuts_the_drive(
    driven, host, world, bridge_joint, bitten, error
):
    """A port stops the timer with a printed line only: every joint is off, tripped and told; then comes a reset."""
    node = driven(bridge_joint, {"wiper": 27, "out": [6, 7], "rest_V": 6.0, "emf_V_s": 1.0})
    at = []

    def fail():
        at.append(world.us)
        raise error

    world.at(world.us + 50_000, lambda: world.analog.update({27: fail}))
    with pytest.raises(bitten):
        node.run()
    assert len(at) == 1
    for pins in ((2, 3), (6, 7)):
        assert first_silence(world, pins) - at[0] <= STANDSTILL_US
    assert not nonzero_since(world, at[0] + STANDSTILL_US), "and it stays off"
    assert [node.joints.fault(k) for k in range(2)] == [faults.STANDSTILL] * 2
    assert [node.joints.mode(k) for k in range(2)] == [modes.TRIPPED] * 2
    (text,) = host.of_kind(m.TEXT)
    assert b"interrupt has stopped" in text
    assert world.named("bite")[0][0] - at[0] <= 100_000


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

    def fail():
        raise MemoryError

    monkeypatch.setattr(node, "measure", fail)
    with pytest.raises(MemoryError):
        node.run()
    assert world.silent()


# --- standing still


def freeze_in_write(world, host, monkeypatch, span):
    """A port blocks for up to half a second where a host holds it and does not read."""
    host.block_us = span


def freeze_in_read(world, host, monkeypatch, span):
    """A collection, or a loop without end, in what serves the link."""
    left, read = [span], host.read

    def slow(most):
        world.stand(left.pop() if left else 0)
        return read(most)

    monkeypatch.setattr(host, "read", slow)


FREEZES = [freeze_in_write, freeze_in_read]


@pytest.mark.parametrize("freeze", FREEZES)
def test_a_program_behind_the_ticks_may_be_late(driven, host, world, run_for, monkeypatch, freeze):
    """A collection under load takes 20 ms: ticks go on, the joint stays powered."""
    node = driven()
    run_for(node, 0.3, (0.05, lambda: freeze(world, host, monkeypatch, 40_000)))
    assert node.joints.mode(0) == modes.POWERED
    assert node.joints.whole[cells.HEAD.index("late")] == 0
    assert node.board.standstills() == 0


@pytest.mark.parametrize("freeze", FREEZES)
def test_a_program_that_hangs_has_no_drive_within_100_ms(
    driven, host, world, monkeypatch, freeze, bitten
):
    """Beats are not heard any more, so the lease ends; and the watchdog is not fed."""
    node = driven()
    frozen_at = world.us + 50_000
    world.at(frozen_at, lambda: freeze(world, host, monkeypatch, 10**9))
    with pytest.raises(bitten):
        node.run()
    assert first_silence(world) - frozen_at <= 100_000 + TICK_US


def test_an_interrupt_that_hangs_is_reset_by_the_watchdog_within_100_ms(driven, world, bitten):
    node = driven()
    begun = world.us + 30_000
    world.at(begun, lambda: setattr(world, "stall_us", 10**9))
    with pytest.raises(bitten):
        node.run()
    assert world.named("bite")[0][0] - begun <= 100_000


def test_the_watchdog_begins_with_the_first_arming(driven, world):
    driven()
    (made,) = world.named("watchdog")
    assert made[2] == 95
    assert made[0] <= nonzero_since(world, 0)[0] + 8000 + ANSWER_US + 2 * TICK_US


def test_a_host_that_falls_silent_loses_the_drive_within_the_lease(driven, host, world, run_for):
    node = driven()
    silent_at = world.us + 50_000
    run_for(node, 0.4, (0.05, lambda: setattr(host, "beating", False)))
    assert node.joints.fault(0) == faults.LINK_SILENT
    assert 70_000 < first_silence(world) - silent_at <= 100_000 + TICK_US + ANSWER_US
    assert node.board.standstills() == 0


# --- requests that meet in one tick


def test_stop_removes_the_drive_at_once_and_latches(driven, host, world, run_for):
    node = driven()
    pressed = world.us + 50_000
    run_for(node, 0.2, (0.05, lambda: host.send(m.STOP, struct.pack("<HB", 0xFFFF, 0))))
    assert first_silence(world) - pressed <= 2 * TICK_US + ANSWER_US
    assert not nonzero_since(world, pressed + 2 * TICK_US + ANSWER_US)
    assert (node.joints.mode(0), node.joints.fault(0)) == (modes.TRIPPED, faults.STOP_PRESSED)


@pytest.mark.parametrize(
    ("kind", "body"),
    [
        (m.CLEAR, struct.pack("<H", 1)),
        (m.RELEASE, struct.pack("<H", 1)),
        (m.DRIVE_OFF, struct.pack("<H", 1)),
        (m.ARM, None),
        (m.STOP, struct.pack("<HB", 1, 1)),
    ],
    ids=["clear", "release", "drive_off", "arm", "gentle stop"],
)
def test_no_later_request_takes_a_stop_back(driven, host, world, run_for, kind, body):
    """Both frames are taken between two ticks; STOP must win, whatever follows it."""
    node = driven()
    if body is None:
        body = struct.pack("<HI", 1, table.digest(table.pack_table(host.settings)))

    def both():
        host.send(m.STOP, struct.pack("<HB", 0xFFFF, 0))
        host.send(kind, body)

    pressed = world.us + 50_000
    run_for(node, 0.2, (0.05, both))
    assert host.answers(m.STOP)[0] == m.DONE
    assert node.joints.fault(0) == faults.STOP_PRESSED
    assert not nonzero_since(world, pressed + 2 * TICK_US + ANSWER_US)


# --- time


@pytest.mark.parametrize("left_us", [0, 1, 999, 2000, 63_000, 120_000])
def test_no_tick_is_late_across_the_wrap_of_the_clock(make_node, world, run_for, left_us):
    world.us = 3 * WRAP - left_us
    node = make_node()
    run_for(node, 0.2)
    whole = node.joints.whole
    assert whole[cells.HEAD.index("late")] == 0
    assert whole[cells.HEAD.index("most_late_us")] <= 50
    assert node.tick == whole[cells.HEAD.index("turns")]
    assert node.tick in (99, 100)
    assert 0 <= whole[cells.HEAD.index("edge_us")] < WRAP


@pytest.mark.parametrize("left_us", [0, 40_000, 300_000, 800_000])
def test_a_joint_stays_powered_across_the_wrap(driven, world, host, left_us):
    world.us = 2 * WRAP - left_us
    node = driven()
    assert node.joints.mode(0) == modes.POWERED
    assert not host.of_kind(m.FAULT)


def test_a_lease_that_ends_across_the_wrap_ends_in_time(driven, world, host, run_for):
    world.us = 2 * WRAP - 1_260_000
    node = driven()
    silent_at = world.us + 5000
    assert silent_at < 2 * WRAP < silent_at + 100_000
    run_for(node, 0.3, (0.005, lambda: setattr(host, "beating", False)))
    assert node.joints.fault(0) == faults.LINK_SILENT
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


@pytest.mark.parametrize("stall_us", [4500, 7000, 15_000])
@pytest.mark.parametrize("wrap_in_us", [10**6, 52_000])
def test_a_late_tick_stands_for_its_periods(make_node, world, run_for, stall_us, wrap_in_us):
    world.us = WRAP - wrap_in_us
    node = make_node()
    run_for(node, 0.1, (0.05, lambda: setattr(world, "stall_us", stall_us)))
    late = node.joints.whole[cells.HEAD.index("late")]
    assert late == stall_us // TICK_US - 1
    assert node.tick == node.joints.whole[cells.HEAD.index("turns")] + late
    assert node.tick in (48, 49, 50)


def slow_joints(node, world, us):
    """Let a joint that plans a move take ``us`` more of the simulated clock."""
    real = node.joints.call

    def slow(number):
        planning = node.joints.whole[cells.HEAD.index("argument_1")]
        if number == cells.CALLS.index("trial") and planning:
            world.stand(us)
        return real(number)

    node.joints.call = slow


def test_what_a_tick_costs_is_measured_again_with_other_settings(make_node, world, host, run_for):
    """A tick that fits with one joint's settings may not with another's: arming is refused, and it is told why."""
    node = make_node()
    host.play(host.drive_on())
    hello = lambda: host.send(m.HELLO, struct.pack("<B", m.VERSION))  # noqa: E731
    run_for(node, 1.2, (0.1, hello), (0.2, lambda: slow_joints(node, world, 1950)), (1.1, hello))
    assert host.answers(m.APPLY) == [m.DONE]
    assert host.answers(m.ARM) == [m.TOO_SLOW]
    before, after = [m.parse(one) for one in host.of_kind(m.IDENTITY)]
    assert not before[2] & m.NO_FIT
    assert after[2] & m.NO_FIT
    assert before[8] + 1900 <= after[8] <= before[8] + 2050
    assert not nonzero_since(world, 0)
