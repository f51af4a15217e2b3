"""Converter, bridge, pulse output and watchdog of a board, on pins of our own."""

import math

import pytest

from controller.joint.state import Readings

COUNT_V = 1.0 / 65535  # one step of the duty, as a share of the supply


def make(adapter, wiring, *joints, **more):
    return adapter.Board(wiring(*joints, **more))


def test_first_act_is_every_output_low(adapter, world, wiring, bridge_joint, pulse_joint):
    make(adapter, wiring, bridge_joint, pulse_joint)
    kinds = [entry[1] for entry in world.log]
    first_other = min(kinds.index(kind) for kind in ("adc",))
    low = {
        entry[2] for entry in world.log[:first_other] if entry[1:] == ("duty", entry[2], 0, False)
    }
    assert low == {2, 3, 4}
    assert not world.named("convert", "width", "watchdog")
    assert world.silent()


def test_output_pins_are_low_before_they_are_pwm(adapter, world, wiring, bridge_joint):
    """Between a pin becoming an output and its PWM there is no moment that drives."""
    make(adapter, wiring, bridge_joint)
    for number in (2, 3):
        made = [
            entry[1:] for entry in world.log if entry[1] in ("pin", "pwm") and entry[2] == number
        ]
        assert made == [("pin", number, 1, None, 0), ("pwm", number, 20000)]


def test_board_tells_its_kind_and_how_much_it_takes_in(adapter):
    assert adapter.Board.KIND == 1
    assert adapter.Board.FLAGS == 0
    assert 0 < adapter.Board.INBOUND <= 64


@pytest.mark.parametrize("duty", [1.0, 0.75, 0.31, 1e-3, -1e-3, -0.31, -0.75, -1.0])
def test_bridge_gives_the_mean_voltage_that_was_asked_for(
    adapter, world, wiring, bridge_joint, duty
):
    make(adapter, wiring, bridge_joint).drive(0, duty, False)
    assert world.volts(2, 3) == pytest.approx(duty, abs=1.01 * COUNT_V)
    assert abs(world.volts(2, 3)) <= abs(duty), "rounding never adds force"


@pytest.mark.parametrize(("duty", "held", "modulated"), [(0.4, 2, 3), (-0.4, 3, 2)])
def test_driving_side_is_held_on_and_the_other_modulated(
    adapter, world, wiring, bridge_joint, duty, held, modulated
):
    """Slow decay: the winding is short-circuited for the rest of the period, never let go."""
    make(adapter, wiring, bridge_joint).drive(0, duty, False)
    assert world.outputs[held].amount == 65535
    assert world.outputs[modulated].share() == pytest.approx(0.6, abs=COUNT_V)


def test_both_signs_are_alike(adapter, world, wiring, bridge_joint):
    board = make(adapter, wiring, bridge_joint)
    for k in range(1, 200):
        board.drive(0, k / 199, False)
        forward = world.volts(2, 3)
        board.drive(0, -k / 199, False)
        assert world.volts(2, 3) == -forward


def test_duty_is_monotone(adapter, world, wiring, bridge_joint):
    output = make(adapter, wiring, bridge_joint).outputs[0]
    seen = []
    for k in range(-300, 301):
        output.put(k / 300)
        seen.append(world.volts(2, 3))
    assert seen == sorted(seen)
    assert (seen[0], seen[-1]) == (-1.0, 1.0)


def test_zero_put_out_brakes_and_off_lets_both_sides_low(adapter, world, wiring, bridge_joint):
    output = make(adapter, wiring, bridge_joint).outputs[0]
    output.put(0.0)
    assert [world.outputs[pin].amount for pin in (2, 3)] == [65535, 65535]
    output.off()
    assert [world.outputs[pin].amount for pin in (2, 3)] == [0, 0]


@pytest.mark.parametrize("zero", [0.0, -0.0])
def test_a_drive_of_zero_is_off(adapter, world, wiring, bridge_joint, zero):
    board = make(adapter, wiring, bridge_joint)
    board.drive(0, 0.5, False)
    board.drive(0, zero, False)
    assert world.silent()


@pytest.mark.parametrize(("before", "after"), [(0.7, -0.7), (-0.7, 0.7), (0.2, 0.9), (-0.9, -0.2)])
def test_no_moment_of_a_change_drives_harder_than_either_end(
    adapter, world, wiring, bridge_joint, before, after
):
    board = make(adapter, wiring, bridge_joint)
    board.drive(0, before, False)
    low, high = sorted((before, after))
    duty = world.outputs[2].duty_u16

    def watched(value):
        duty(value)
        assert low - 2 * COUNT_V <= world.volts(2, 3) <= high + 2 * COUNT_V

    board.outputs[0].first.duty_u16 = watched
    board.drive(0, after, False)
    assert world.volts(2, 3) == pytest.approx(after, abs=2 * COUNT_V)


@pytest.mark.parametrize(
    "value",
    [
        math.nan,
        -math.inf,
        math.inf,
    ],
)
def test_a_drive_that_is_no_number_is_an_error_and_no_drive(
    adapter, world, wiring, bridge_joint, value
):
    board = make(adapter, wiring, bridge_joint)
    with pytest.raises((ValueError, OverflowError)):
        board.drive(0, value, False)
    assert world.volts(2, 3) == 0.0


@pytest.mark.parametrize("width", [1.35e-3, 1.5e-3, 1.655e-3])
def test_pulse_has_the_width_that_was_asked_for(adapter, world, wiring, pulse_joint, width):
    """One pulse each 20 ms, 1.5 ms standing still: common practice, no source."""
    make(adapter, wiring, pulse_joint).drive(0, width, True)
    output = world.outputs[4]
    assert output.freq == 50
    assert output.mode == "ns"
    assert output.amount == pytest.approx(width * 1e9, abs=1)


def test_pulse_ends_at_off(adapter, world, wiring, pulse_joint):
    board = make(adapter, wiring, pulse_joint)
    board.drive(0, 1.6e-3, True)
    board.drive(0, 0.0, True)
    assert world.silent()
    board.drive(0, 1.6e-3, True)
    board.off()
    assert world.silent()


def test_a_kind_of_drive_that_is_not_wired_drives_nothing(
    adapter, world, wiring, bridge_joint, pulse_joint
):
    board = make(adapter, wiring, bridge_joint, pulse_joint)
    board.drive(0, 1.6e-3, True)
    board.drive(1, 0.8, False)
    assert world.silent()


def test_joints_have_outputs_of_their_own(adapter, world, wiring, bridge_joint):
    other = {"wiper": 27, "out": [6, 7]}
    board = make(adapter, wiring, bridge_joint, other)
    board.drive(0, 0.5, False)
    board.drive(1, -0.25, False)
    assert world.volts(2, 3) == pytest.approx(0.5, abs=2 * COUNT_V)
    assert world.volts(6, 7) == pytest.approx(-0.25, abs=2 * COUNT_V)
    board.drive(0, 0.0, False)
    assert world.volts(6, 7) == pytest.approx(-0.25, abs=2 * COUNT_V)
    board.off()
    assert world.silent()


@pytest.mark.parametrize("oversampling", [None, 1, 4, 16])
@pytest.mark.parametrize("counts", [0, 1, 2047, 4095])
def test_converter_gives_the_sum_of_its_conversions(
    adapter, world, wiring, bridge_joint, counts, oversampling
):
    if oversampling is not None:
        bridge_joint["oversampling"] = oversampling
    world.analog[26] = counts
    readings = Readings()
    make(adapter, wiring, bridge_joint).read(0, readings)
    assert readings.counts == counts * (oversampling or 1)
    assert type(readings.counts) is int
    assert len(world.named("convert")) == (oversampling or 1)


def test_conversions_that_differ_are_added(adapter, world, wiring, bridge_joint):
    bridge_joint["oversampling"] = 4
    noise = iter((2000, 2003, 1998, 2001))
    world.analog[26] = lambda: next(noise)
    readings = Readings()
    make(adapter, wiring, bridge_joint).read(0, readings)
    assert readings.counts == 8002


def test_second_wiper_is_read_where_there_is_one(adapter, world, wiring, bridge_joint):
    readings = Readings()
    make(adapter, wiring, bridge_joint).read(0, readings)
    assert readings.second_counts == 0
    bridge_joint["second_wiper"] = 28
    bridge_joint["oversampling"] = 2
    world.analog[28] = 1234
    make(adapter, wiring, bridge_joint).read(0, readings)
    assert (readings.counts, readings.second_counts) == (4000, 2468)


@pytest.mark.parametrize(("counts", "volts"), [(4095, 6.6), (0, 0.0), (2730, 4.4)])
def test_supply_is_scaled_by_its_divider(adapter, world, wiring, bridge_joint, counts, volts):
    world.analog[29] = counts
    board = make(adapter, wiring, bridge_joint, supply={"pin": 29, "full_V": 6.6})
    readings = Readings()
    board.read(0, readings)
    assert readings.supply_V == pytest.approx(volts, rel=1e-12)


def test_supply_that_is_not_measured_is_taken_as_nominal(adapter, wiring, bridge_joint):
    readings = Readings()
    make(adapter, wiring, bridge_joint).read(0, readings)
    assert readings.supply_V == 5.0
    make(adapter, wiring, bridge_joint, nominal_V=7.4).read(0, readings)
    assert readings.supply_V == 7.4


def test_watchdog_begins_with_the_first_drive_and_is_fed_by_beats(
    adapter, world, wiring, bridge_joint
):
    board = make(adapter, wiring, bridge_joint)
    board.beat()
    board.drive(0, 0.0, False)
    assert world.watchdog is None
    board.drive(0, 0.1, False)
    board.drive(0, 0.2, False)
    assert world.named("watchdog")[0][2] == 500
    for _ in range(20):
        world.stand(400_000)
        board.beat()
    assert not world.named("bite")


def test_watchdog_bites_where_beats_end(adapter, world, wiring, bridge_joint, bitten):
    board = make(adapter, wiring, bridge_joint)
    board.drive(0, 0.1, False)
    board.beat()
    begun = world.us
    with pytest.raises(bitten):
        world.stand(10_000_000)
    assert world.us - begun <= 520_000


def test_board_hands_its_outputs_to_the_deadman(adapter, world, wiring, bridge_joint, pulse_joint):
    board = make(adapter, wiring, bridge_joint, pulse_joint)
    board.beat()
    board.drive(0, 0.5, False)
    board.drive(1, 1.6e-3, True)
    assert board.deadman_trips() == 0
    assert not world.silent()
    world.stand(20_000)
    assert world.silent()
    assert board.deadman_trips() == 1


@pytest.mark.parametrize(
    "broken",
    [
        {},
        {"joints": None},
        {"joints": [{}]},
        {"joints": [{"wiper": 26}]},
        {"joints": [{"wiper": 26, "out": []}]},
        {"joints": [{"wiper": 26, "out": [2]}]},
        {"joints": [{"wiper": 26, "out": ["GP2", 3]}]},
        {"joints": [{"out": [2, 3]}]},
        {"joints": [{"wiper": "A0", "out": [2, 3]}]},
        {"joints": [{"wiper": 26, "out": [2, 3]}, {"wiper": 27}]},
        {"joints": [{"wiper": 26, "out": [2, 3]}], "supply": {"full_V": 6.6}},
        {"joints": [{"wiper": 26, "out": [2, 3]}], "supply": {"pin": 29}},
    ],
)
def test_wiring_that_makes_no_sense_is_an_error_and_drives_nothing(adapter, world, broken):
    with pytest.raises((KeyError, TypeError, IndexError, AssertionError)):
        adapter.Board({"tick_us": 2000, **broken})
    assert world.silent()
    assert not world.named("width", "watchdog")
    assert all(entry[3] == 0 for entry in world.named("duty"))
