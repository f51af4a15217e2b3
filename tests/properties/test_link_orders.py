"""Orders that meet others within one tick, and orders that are no use: the smallest cases."""

import functools
import math
import struct

import pytest

from controller.joint import faults
from controller.joint.modes import OFF, POWERED, TRIPPED
from controller.joint.motion import setpoint
from controller.wire import messages as m
from controller.wire import table
from sim.model import schedule
from tests.properties.conftest import joint_with
from tests.properties.link_bench import LinkBench

joint = functools.cache(lambda: joint_with({}))
ONE = struct.pack("<H", 1)
STOP_AT_ONCE, CONTROLLED = ONE + b"\x00", ONE + b"\x01"


@pytest.fixture
def make_bench():
    return lambda **options: LinkBench(joint(), **options)


@pytest.fixture
def bench(make_bench):
    """A powered joint that rests."""
    bench = make_bench()
    bench.power()
    assert bench.node.joints.slots[0].report.mode == POWERED
    return bench


def move(bench, angle, flags=0):
    bench.send(m.TARGET, struct.pack("<BBfh", 0, flags, angle, 0))


@pytest.mark.parametrize("other", [m.CLEAR, m.DRIVE_OFF, m.RELEASE, m.HOLD])
@pytest.mark.parametrize("first", [True, False])
def test_stop_wins_over_any_other_order_of_its_tick(bench, other, first):
    orders = [(m.STOP, STOP_AT_ONCE), (other, ONE)]
    for kind, body in orders if first else orders[::-1]:
        bench.send(kind, body)
    bench.pass_ticks(3)
    assert bench.node.joints.slots[0].report.mode == TRIPPED
    assert bench.node.joints.slots[0].report.fault == faults.STOP_PRESSED


@pytest.mark.parametrize("later", ["clear", "arm"])
@pytest.mark.parametrize("order", [(m.DRIVE_OFF, ONE), (m.STOP, CONTROLLED)])
def test_an_order_to_go_off_is_not_lost_to_a_later_one_of_its_tick(bench, order, later):
    """A powered joint has to go off; an arming that this tick cannot take is refused, not answered "done"."""
    bench.send(*order)
    if later == "clear":
        bench.send(m.CLEAR, ONE)
        assert bench.answer() == (m.DONE, 0)
    else:
        bench.arm()
        assert bench.answer() == (m.NOT_NOW, POWERED)
    bench.pass_ticks(200)
    assert bench.node.joints.slots[0].report.mode in (OFF, TRIPPED)


def test_a_controlled_stop_ends_the_self_test(make_bench):
    """The order is answered "done": the joint must not become powered by itself after it."""
    bench = make_bench(self_test=True)
    bench.power()
    bench.send(m.STOP, CONTROLLED)
    assert bench.answer() == (m.DONE, 0)
    bench.pass_ticks(600)
    assert bench.node.joints.slots[0].report.mode in (OFF, TRIPPED)


def test_a_refused_target_leaves_no_trace_a_hold_is_kept(bench):
    move(bench, 1.5)
    bench.pass_ticks(30)
    bench.send(m.HOLD, ONE)
    move(bench, 99.0)
    assert bench.answer() == (m.REFUSED, 0)
    bench.pass_ticks(300)
    # 60 ms of the move and its stop: short of the target of the move
    assert bench.node.joints.slots[0].report.setpoint_rad < 1.4, "it holds where it was told to"


def test_a_refused_target_leaves_no_trace_a_grip_stays_weak(bench):
    """A refused target must not take the weak force limit off the next hold."""
    move(bench, 1.0, flags=1)
    bench.pass_ticks(30)
    move(bench, math.nan)
    assert bench.answer() == (m.REFUSED, 0)
    bench.send(m.HOLD, ONE)
    bench.pass_ticks(3)
    assert bench.node.joints.slots[0].state.mode.grip == 1


def test_an_arming_is_by_the_settings_whose_digest_it_named(make_bench):
    bench = make_bench()
    bench.settle()
    bench.beating = True
    bench.pass_ticks(4)
    other = bench.changed("limits.current_A", 1.5)
    at = 4 * table.cell_of(type(bench.joint.settings), "limits.current_A")
    bench.arm()
    bench.send(m.SETTING, struct.pack("<BH", 0, at // 4) + other[at : at + 4])
    bench.send(m.APPLY, struct.pack("<BI", 0, table.digest(other)))
    bench.pass_ticks(4)
    slot = bench.node.joints.slots[0]
    assert slot.report.mode == OFF or slot.settings.limits.current_A < 1.5


def test_a_grip_is_not_carried_over_an_error_in_the_tick(bench):
    """Armed anew, the joint is watched for being blocked again, as after any other trip."""
    move(bench, 1.0, flags=1)
    bench.pass_ticks(30)
    bench.node.board.meddle(0, schedule.RAISE, 0.0, 0.0, 0.0)
    bench.pass_ticks(4)
    bench.send(m.CLEAR, ONE)
    bench.pass_ticks(2)
    bench.arm()
    bench.pass_ticks(3)
    assert bench.node.joints.slots[0].report.mode == POWERED
    assert bench.node.joints.slots[0].state.mode.grip == 0


def test_the_report_of_an_error_in_the_tick_says_no_drive(bench):
    move(bench, 1.5)
    bench.pass_ticks(30)
    bench.node.board.meddle(0, schedule.RAISE, 0.0, 0.0, 0.0)
    bench.pass_ticks(1)
    assert bench.node.board.mechanism.values[0] == 0.0
    assert bench.node.joints.slots[0].report.drive == 0.0


@pytest.mark.parametrize(
    "kind",
    [
        schedule.SENSOR, schedule.STALL, schedule.MOVE_BY_HAND, schedule.LOAD,
        schedule.CUT,
        schedule.DROP,
        schedule.OTHERS,
    ],
)  # fmt: skip
@pytest.mark.parametrize("amount", [math.nan])
def test_meddling_with_what_is_no_number_stops_no_board(bench, kind, amount):
    bench.send(m.MEDDLE, struct.pack("<BBfff", 0, kind, amount, 0.0, 0.0))
    bench.pass_ticks(20)
    assert math.isfinite(bench.node.joints.slots[0].report.angle_rad)
    assert math.isfinite(bench.node.joints.slots[0].readings.supply_V)


def test_a_host_that_no_longer_reads_never_gets_the_lease_back(bench):
    """Its beats go on for 20 s of board time; what it saw last never changes."""
    bench.reader_lives = False
    bench.pass_ticks(150)
    assert not bench.node.has_lease
    had = 0
    for _ in range(10_000):
        bench.pass_ticks(1)
        had += bench.node.has_lease
    assert had == 0


@pytest.mark.parametrize(
    ("low", "high"),
    [
        (0.0, 1.7453292608261108),
        (-2.659330129623413, -0.00022899812029208988),
    ],
)  # fmt: skip
@pytest.mark.parametrize("share", [65535])
def test_a_streamed_setpoint_at_an_end_of_the_range_is_in_the_range(bench, low, high, share):
    slot = bench.node.joints.slots[0]
    slot.settings.limits.command_low_rad, slot.settings.limits.command_high_rad = low, high
    bench.send(m.SETPOINTS, struct.pack("<HBHh", 1, 20, share, 0))
    bench.beating = False
    while slot.command.kind == 0:
        bench.node.turn()
        bench.clock.us += 20
    assert setpoint.acceptable(slot.settings, slot.command)


def test_thermal_settings_that_cannot_be_followed_leave_the_node_running(make_bench):
    """A winding of 1 mJ/K: refused; the settings before it stay, and the joint is not armed."""
    bench = make_bench()
    data = bench.changed("heat.winding_J_K", 1.0e-3)
    bench.settle(bench.changed("heat.winding_K_W", 1.0, data))
    bench.beating = True
    bench.send(m.TELEMETRY, struct.pack("<HHBB", 1, 0x0080, 1, 4))
    bench.pass_ticks(4)
    bench.arm()
    assert bench.answer()[0] == m.DIFFERS
    move(bench, 1.5)
    bench.pass_ticks(500)
    assert bench.node.joints.slots[0].settings.heat.winding_J_K != pytest.approx(1.0e-3)
