"""What bounds the force on a board: no beat, no setting and no wiring gets past it."""

import struct

import pytest

from controller.joint import faults
from controller.joint.modes import POWERED
from controller.joint.settings.contradictions import contradiction, rest_voltage
from controller.joint.settings.settings import CONTINUOUS, Settings
from controller.records import copy, put
from controller.wire import messages as m
from controller.wire import table

TARGET = struct.pack("<BBfh", 0, 0, 1.2, 0)


def apply(bench, **changes):
    """Send the joint's settings with changes; (result, name of the setting that is told)."""
    settings = Settings()
    copy(bench.joint.settings, settings)
    for name, value in changes.items():
        put(settings, name.replace("__", "."), value)
    data = table.pack_table(settings)
    for at in range(0, len(data), 40):
        assert bench.ask(m.SETTING, struct.pack("<BH", 0, at // 4) + data[at : at + 40]) == (
            m.DONE,
            0,
        )
    result, detail = bench.ask(m.APPLY, struct.pack("<BI", 0, table.digest(data)))
    return result, table.name_of(Settings, detail) if result == m.OUT_OF_RANGE else None


@pytest.mark.parametrize("lease_ms", [0, 101, 400, 65535])
def test_a_beat_that_asks_for_too_long_a_lease_is_none(make_bench, lease_ms):
    bench = make_bench()
    bench.power()
    bench.beating = False
    end = bench.clock.us + 300_000
    while bench.clock.us < end:
        seen = bench.node.telemetry.sequence
        bench.send(m.BEAT, struct.pack("<IHB", bench.clock.us, lease_ms, seen), 0)
        bench.run(0.02)
    assert bench.report.fault == faults.LINK_SILENT
    assert bench.node.answering.reader.bad > 5


@pytest.mark.parametrize("silence", [0.0, 0.004, 0.101, 60.0])
def test_the_watch_of_the_link_cannot_be_switched_off(make_bench, silence):
    bench = make_bench()
    assert apply(bench, watch__link_silence_s=silence) == (m.OUT_OF_RANGE, "watch.link_silence_s")


@pytest.mark.parametrize("lease_ms", [20, 80, 100])
def test_a_driven_joint_ends_with_the_lease_whatever_its_own_setting(make_bench, lease_ms):
    bench = make_bench()
    assert apply(bench, watch__link_silence_s=0.1, stopping__check_V=0.0)[0] == m.DONE
    bench.beating = True
    bench.run(0.05)
    digest = table.digest(table.pack_table(bench.node.joints.slots[0].settings))
    assert bench.ask(m.ARM, struct.pack("<HI", 1, digest)) == (m.DONE, 0)
    bench.ask(m.TARGET, TARGET)
    bench.beating = False
    bench.send(
        m.BEAT, struct.pack("<IHB", bench.clock.us, lease_ms, bench.node.telemetry.sequence), 0
    )
    bench.run(0.001)
    start = bench.clock.us
    while bench.report.mode == POWERED:
        bench.run(0.001)
        assert bench.clock.us - start <= (lease_ms + 2) * 1000 + bench.node.tick_us
    assert bench.duty == 0.0


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"limits__resistance_ohm": 10000.0}, "limits.resistance_ohm"),
        ({"limits__grip_current_A": 50.0}, "limits.grip_current_A"),
        ({"limits__current_A": 50.0}, "limits.current_A"),
        ({"limits__check_current_A": 50.0, "stopping__check_V": 50.0}, "limits.current_A"),
        ({"limits__check_current_A": 50.0, "stopping__release_V": 50.0}, "limits.current_A"),
        ({"heat__resistance_25_ohm": 9000.0, "limits__resistance_ohm": 9000.0}, "limits.current_A"),
        ({"limits__back_emf_V_s": 50.0}, "limits.back_emf_V_s"),
        ({"across__joint_2": 0, "across__share_2": 10.0}, "across.joint_1"),
    ],
    ids=lambda one: "+".join(one) if isinstance(one, dict) else one,
)
def test_a_board_holds_the_voltage_at_rest_to_what_it_was_deployed_for(make_bench, changes, told):
    bench = make_bench()
    (slot,) = bench.node.joints.slots
    slot.rest_V = 1.001 * rest_voltage(bench.joint.settings)
    slot.emf_V_s = 1.001 * bench.joint.settings.limits.back_emf_V_s
    assert apply(bench, **changes) == (m.OUT_OF_RANGE, told)
    assert apply(bench)[0] == m.DONE, "its own settings are taken"


def test_the_hottest_and_coldest_winding_are_no_contradiction(make_bench):
    """The window is told with the coldest resistance: never more than that at 25 degC."""
    settings = Settings()
    copy(make_bench().joint.settings, settings)
    assert contradiction(settings) is None
    settings.limits.resistance_ohm = 1.01 * (
        settings.heat.resistance_25_ohm + settings.heat.driver_ohm
    )
    assert contradiction(settings) == "limits.resistance_ohm"


@pytest.mark.parametrize("factor", [3, 4])
def test_settings_of_another_oversampling_are_refused(make_bench, factor):
    bench = make_bench()
    top = bench.joint.settings.sensor.counts_top
    other = {"sensor__counts_top": factor * top, "sensor__rail_high_counts": factor * top - 40}
    assert apply(bench, **other) == (m.OUT_OF_RANGE, "sensor.counts_top")


def test_under_new_settings_turns_and_motion_begin_afresh(make_bench):
    """Whole turns of before would send a target in range far away."""
    bench = make_bench()
    bench.send_settings()
    (slot,) = bench.node.joints.slots
    slot.state.sensed.base_turn = 4
    slot.state.motion.setpoint_rad = slot.state.loop.last_rad = 24.0
    slot.state.mode.push_sign = 1.0
    slot.state.allowed.winding_C = 61.0
    assert apply(bench)[0] == m.DONE
    bench.run(0.02)
    assert slot.state.sensed.base_turn == 0
    assert slot.state.motion.setpoint_rad == 0.0
    assert slot.state.mode.push_sign == 0.0
    assert slot.state.allowed.winding_C > 50.0, "heat does not go away"
    assert slot.report.angle_rad == pytest.approx(slot.state.sensed.angle_rad)
    assert slot.settings.sensor.travel != CONTINUOUS or slot.report.turn == 0


def test_a_motor_that_keeps_its_own_loop_is_refused_by_the_board(make_bench):
    assert apply(make_bench(), drive__kind=2) == (m.OUT_OF_RANGE, "drive.kind")
