"""Pins of a board, what its interrupts put on them and take from them, and its second watch."""

import struct

import numpy as np
import pytest

from controller.joint.settings.settings import Settings
from controller.node import cells
from controller.wire import table
from sim.translate.runner import native_joints

SLOT = {name: k for k, name in enumerate(cells.SLOT)}
SECOND = {"wiper": 27, "out": [6, 7], "rest_V": 6.0, "emf_V_s": 1.0}
GUARD_US = 20_000


# --- outputs


def test_first_act_is_every_output_low(adapter, world, wiring, bridge_joint, pulse_joint):
    adapter.Board(wiring(bridge_joint, pulse_joint))
    kinds = [entry[1] for entry in world.log]
    low = {
        entry[2]
        for entry in world.log[: kinds.index("adc")]
        if entry[1:] == ("duty", entry[2], 0, False)
    }
    assert low == {2, 3, 4}
    assert not world.named("convert", "width", "watchdog")
    assert world.silent()


def test_output_pins_are_low_before_they_are_pwm(adapter, world, wiring, bridge_joint):
    """Between a pin becoming an output and its PWM there is no moment that drives."""
    adapter.Board(wiring(bridge_joint))
    for number in (2, 3):
        made = [
            entry[1:] for entry in world.log if entry[1] in ("pin", "pwm") and entry[2] == number
        ]
        assert made == [("pin", number, 1, None, 0), ("pwm", number, 20000)]


def test_board_tells_its_kind_and_how_much_it_takes_in(adapter):
    assert adapter.Board.KIND == 1
    assert adapter.Board.FLAGS == 0
    assert 0 < adapter.Board.INBOUND <= 64


@pytest.mark.parametrize("drive", [{}, {"kind": "pulse"}], ids=["bridge", "pulse"])
def test_levels_are_the_drive_and_never_more(drive):
    """Through a whole run, both ways: the driving side held on, the other modulated; a drive of zero is off."""
    full = 10**9 if drive else 65535
    joints = native_joints(1, 2000, [4095])
    joints.put(0, SLOT["full"], full)
    joints.put(0, SLOT["pulse"], int(bool(drive)))
    seen = []
    s = Settings()
    s.tick_s = 0.002
    s.stopping.check_V = 0.0
    s.drive.kind = int(bool(drive))
    s.sensor.rail_low_counts, s.sensor.rail_high_counts = 10, 4000
    s.limits.travel_low_rad, s.limits.travel_high_rad = 0.2, 3.9
    s.limits.command_low_rad, s.limits.command_high_rad = 0.3, 3.8
    s.watch.still_s = s.watch.slow_s = s.watch.wrong_rad = 0.0
    s.heat.resistance_25_ohm = 0.0
    data = table.pack_table(s)
    joints.begin_staging(0)
    joints.staging(0, len(data))[:] = data
    assert joints.ask(cells.CALLS.index("apply"), 0) == 0
    whole, head = joints.whole, {name: k for k, name in enumerate(cells.HEAD)}
    joints.put_head_real(head["supply_V"], 5.0)
    whole[head["has_lease"]], whole[head["lease_us"]] = 1, 80_000
    joints.ask(cells.CALLS.index("ask"), 0, 1)
    angle = 2.0
    for tick in range(1200):
        now = 2000 * tick
        whole[head["now_us"]] = whole[head["edge_us"]] = whole[head["beat_us"]] = now
        joints.put(0, SLOT["counts"], round(angle * 1000))
        joints.call(cells.CALLS.index("turn"))
        value = joints.real(0, SLOT["drive"])
        first, second = joints.of(0, SLOT["level_0"]), joints.of(0, SLOT["level_1"])
        seen.append(value)
        if drive:
            angle += 0.01 * ((value - 0.0015) / 0.0005 if value else 0.0)
            assert second == 0
            assert abs(first - value * full) <= 65, "single precision holds 24 bits of it"
        else:
            angle += 0.006 * value
            assert abs(first - second - value * full) < 1.0
            assert abs(first - second) <= abs(value) * full, "rounding never adds force"
            assert max(first, second) == (full if value else 0)
        if tick in (100, 700):
            joints.target(0, 0, 3.0 if tick == 100 else 1.0, 0)
    if drive:
        assert max(seen) > 0.0015 > min(one for one in seen if one)
    else:
        assert max(seen) > 0.1
        assert min(seen) < -0.1


def test_a_kind_of_drive_that_is_not_wired_drives_nothing(make_node, host, world, run_for):
    host.settings.drive.kind = 1
    node = make_node()
    host.play(host.drive_on())
    run_for(node, 1.2)
    at = 4 * (node.joints.slots_at + SLOT["drive"])
    assert struct.unpack_from("<f", node.joints.octets, at)[0] > 0.0, "the tick gives a pulse"
    assert not [entry for entry in world.named("duty", "width") if entry[3]]


@pytest.mark.parametrize("value", [(0, 0), (65535, 65535 - 20000), (40000, 65535)])
def test_what_is_put_out_stands_on_the_pins(adapter, world, wiring, bridge_joint, value):
    board = adapter.Board(wiring(bridge_joint))
    board.outputs[0].put(*value)
    assert [world.outputs[pin].amount for pin in (2, 3)] == list(value)
    board.off_pins()
    assert world.silent()


def test_a_pulse_has_its_width_and_ends_at_off(adapter, world, wiring, pulse_joint):
    board = adapter.Board(wiring(pulse_joint))
    board.outputs[0].put(1_650_000, 0)
    assert world.outputs[4].share() == pytest.approx(1.65e-3 * 50)
    board.off_pins()
    assert world.silent()


# --- inputs


def run_some(node, run_for):
    run_for(node, 0.02)
    return node.joints


@pytest.mark.parametrize("count", [1, 4, 16])
def test_converter_gives_the_sum_of_its_conversions(make_node, world, run_for, bridge_joint, count):
    counts = iter(range(10**6))
    world.analog[26] = lambda: next(counts) % 4096
    node = make_node(dict(bridge_joint, oversampling=count))
    joints = run_some(node, run_for)
    last = joints.of(0, SLOT["counts"])
    assert last % count == (count * (count - 1) // 2) % count
    assert joints.of(0, SLOT["counts_top"]) == 4095 * count


def test_second_wiper_is_read_where_there_is_one(make_node, world, run_for, bridge_joint):
    world.analog[27] = 1234
    joints = run_some(make_node(dict(bridge_joint, second_wiper=27)), run_for)
    assert joints.of(0, SLOT["counts"]) == 2000
    assert joints.of(0, SLOT["second_counts"]) == 1234


def test_supply_that_is_not_measured_is_taken_as_nominal(make_node, run_for):
    joints = run_some(make_node(nominal_V=7.4), run_for)
    assert np.frombuffer(joints.octets, np.float32)[cells.HEAD.index("supply_V")] == np.float32(7.4)


@pytest.mark.parametrize(("counts", "volts"), [(0, 0.0), (4095, 6.6), (2048, 3.3008)])
def test_supply_is_scaled_by_its_divider(make_node, world, run_for, counts, volts):
    world.analog[29] = counts
    joints = run_some(make_node(supply={"pin": 29, "full_V": 6.6}), run_for)
    found = np.frombuffer(joints.octets, np.float32)[cells.HEAD.index("supply_V")]
    assert found == pytest.approx(volts, abs=1e-3)


@pytest.mark.parametrize("broken", [{"wiper": 26}, {"out": [2, 3]}, {"wiper": 26, "out": [2]}])
def test_wiring_that_makes_no_sense_is_an_error_and_drives_nothing(adapter, world, broken):
    with pytest.raises((KeyError, IndexError)):
        adapter.Board({"tick_us": 2000, "joints": [broken]})
    assert world.silent()


# --- the second watch


def started(make_node, host, run_for):
    """A node that drives, and is driven by its interrupts alone from now on."""
    node = make_node()
    host.play(host.drive_on())
    run_for(node, 1.2)
    node.begin()
    return node


@pytest.mark.parametrize("phase", range(0, 5000, 700))
def test_every_output_is_off_within_its_bound_at_any_phase_of_the_timer(
    make_node, host, world, run_for, phase
):
    node = started(make_node, host, run_for)
    node.has_lease = True
    world.stand(4000 + phase)
    node.board.timers[0].deinit()  # the ticks stop
    begun = world.us
    node.board.outputs[0].put(65535, 30000)
    world.stand(GUARD_US)
    assert world.silent()
    assert node.board.standstills() == 1
    node.board.outputs[0].put(65535, 30000)
    world.stand(5000)
    assert world.silent(), "and again, whoever puts it on"
    assert node.board.standstills() == 1, "a standstill counts once"
    assert world.us - begun == GUARD_US + 5000


def test_ticks_that_go_on_are_left_alone(make_node, host, world, run_for):
    node = started(make_node, host, run_for)
    world.stand(60_000)
    assert node.board.standstills() == 0


def test_timers_are_hard_periodic_and_kept(make_node, host, world, run_for):
    node = started(make_node, host, run_for)
    assert [(timer.period_us, timer.hard) for timer in node.board.timers] == [
        (2000, True),
        (5000, True),
    ]
    assert len(world.timers) == 2
    node.board.end()
    assert not world.timers
