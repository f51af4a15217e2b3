"""Any host, any line: frames lost, damaged and out of order, faults, late ticks, errors.

A state machine plays host and mischief maker against a node on simulated joints; what must
hold stands in link_judge.py and is looked at after every tick and after every frame.
"""

import functools
import math
import struct
from collections import Counter

import hypothesis
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, rule, run_state_machine_as_test

from controller.joint import faults
from controller.wire import messages as m
from controller.wire import table
from sim.challenge.attack import profile
from sim.model import schedule
from tests.properties.conftest import KINDS, joint_with
from tests.properties.link_bench import LinkBench
from tests.properties.link_judge import Judge

SEEN = Counter()
EXAMPLES = 280
SEED = 20261203

joint_of_kind = functools.cache(lambda kind: joint_with(KINDS[kind]))

SOUND = ("sound", 0, 1)
FATES = st.one_of(
    *[st.just(SOUND)] * 4,
    st.tuples(
        st.sampled_from(("lost", "twice", "again", "late", "flip", "cut", "splice", "insert", "delete")),
        st.integers(0, 600), st.integers(1, 255),
    ),
)  # fmt: skip
PAUSES = st.sampled_from((0, 0, 1, 1, 2, 5))
MASKS = st.sampled_from((1, 1, 2, 3, 0xFFFF, 0, 4, 0x8001))
SINGLES = st.one_of(
    st.sampled_from((math.nan, math.inf, -math.inf)),
    st.floats(width=32),
    st.floats(-0.5, 2.5, width=32),
)
ORDERS = {
    "stop": (m.STOP, "<HB", 0), "controlled stop": (m.STOP, "<HB", 1), "drive_off": (m.DRIVE_OFF, "<H"),
    "release": (m.RELEASE, "<H"), "hold": (m.HOLD, "<H"), "clear": (m.CLEAR, "<H"),
    "arm otherwise": (m.ARM, "<HI", 1),
}  # fmt: skip
EXTREMES = {  # settings that a joint may have, and is driven with; each on its own
    "gains.kp": (0.0, 1000.0), "gains.ki": (0.0, 50000.0), "gains.kd": (0.0, 100.0),
    "gains.derivative_filter_s": (0.0, 1.0), "gains.tracking_s": (1e-4, 100.0),
    "gains.setpoint_weight": (0.0, 2.0), "limits.current_A": (2.0, 50.0),
    "limits.slew_V_s": (0.0, 1000.0), "limits.full_duty": (0.05, 1.0),
    "limits.speed_gain_V_s": (0.0, 100.0), "limits.brake_rad_s2": (0.1, 1e5),
    "limits.resistance_ohm": (1e-3, 6.0), "profile.jerk_rad_s3": (0.1, 1e8),
    "profile.acceleration_rad_s2": (0.01, 1e5), "profile.stream_hold_s": (0.0, 5.0),
    "sensor.speed_filter_s": (0.0, 1.0), "watch.lag_s": (1e-4, 10.0),
    "watch.link_silence_s": (0.005, 0.1), "stopping.deadline_s": (0.0, 10.0),
    "heat.warm_C": (0.0, 60.0),
    "stopping.release_V": (0.0, 50.0), "stopping.check_V": (0.0, 50.0),
}  # fmt: skip


class AnyHost(RuleBasedStateMachine):
    """A host that does everything, right and wrong."""

    @initialize(kind=st.sampled_from(sorted(KINDS)), count=st.sampled_from((1, 1, 2)),
                start=st.sampled_from((1000, 2**30 - 90_000, 2**29 - 90_000)),
                powered=st.sampled_from((True, True, True, False)), self_test=st.sampled_from((False, False, True)),
                hard=st.booleans())  # fmt: skip
    def begin(self, kind, count, start, powered, self_test, hard):
        bounds = [("limits.current_A", 0.0, 2.0)] if hard else []
        self.bench = LinkBench(joint_of_kind(kind), count, start, self_test, bounds)
        self.judge = Judge(self.bench)
        if powered:
            self.bench.power()
            # rows are told from the start: that there are some must not hang on what is drawn
            self.bench.send(m.TELEMETRY, struct.pack("<HHBB", self.bench.mask, 0xF, 1, 4))

    def teardown(self):
        if hasattr(self, "judge"):
            SEEN.update(self.judge.seen)
            SEEN["examples"] += 1

    def send(self, kind, body, fate, pause):
        self.bench.send(kind, body, fate)
        self.bench.pass_ticks(pause)

    # --- time and the link

    @rule(count=st.integers(1, 60), late=st.sampled_from((0, 0, 0, 700, 2100, 9000, 60_000)))
    def wait(self, count, late):
        self.rows(self.bench.pass_ticks(count, late))

    def rows(self, frames):
        """What telemetry tells is numbers."""
        for payload in frames:
            if payload[0] == m.ROWS:
                joints, fields = struct.unpack_from("<HH", payload, 2)
                width = 4 * bin(joints).count("1") * bin(fields & 0x3FFF).count("1")
                for at in range(8, len(payload), 4 + width):
                    row = struct.unpack_from(f"<{width // 4}f", payload, at + 4)
                    assert all(abs(one) < 1e30 for one in row)
                    SEEN["rows"] += 1

    @rule(late=st.integers(1, 80))
    def ticks_come_late(self, late):
        for _ in range(late):
            self.bench.pass_ticks(1, self.bench.node.tick_us + 100)

    @rule(share=st.sampled_from((0.0, 1.0)), damage=st.sampled_from((SOUND, ("flip", 3, 5), ("cut", 4, 1))),
          lease=st.sampled_from((20, 100, 400)), last=st.integers(5, 90))  # fmt: skip
    def silence_on_the_way(self, share, damage, lease, last):
        """A sound joint under way, and then no beats, or none that arrive whole."""
        self.recover()
        self.bench.beating = False
        self.bench.beat(lease)
        self.target(share, 0, 0, SOUND, 5, 0)
        for _ in range(0, last, 5):
            if damage != SOUND:
                self.bench.beat(lease, damage)
            self.bench.pass_ticks(5)

    @rule(beats=st.booleans(), alive=st.sampled_from((True, True, False)))
    def beats_or_silence(self, beats, alive):
        self.bench.beating, self.bench.reader_lives = beats, alive

    @rule(lease=st.sampled_from((0, 1, 20, 100, 100, 400, 65535)), fate=FATES, pause=PAUSES)
    def beat(self, lease, fate, pause):
        self.bench.beat(lease, fate)
        self.bench.pass_ticks(pause)

    @rule(reading=st.booleans())
    def host_stops_reading(self, reading):
        self.bench.line.reading = reading

    @rule(
        data=st.one_of(st.binary(max_size=40), st.just(b"\x55" * 700)),
        pause=st.sampled_from((0, 1, 8)),
    )
    def foreign_octets(self, data, pause):
        self.bench.line.to_board += data
        self.bench.pass_ticks(pause)

    # --- orders

    @rule(mask=MASKS, right=st.sampled_from((True, True, True, False)), fate=FATES, pause=PAUSES)
    def arm(self, mask, right, fate, pause):
        digest = self.bench.digest() ^ (0 if right else 1)
        self.send(m.ARM, struct.pack("<HI", mask, digest), fate, pause)

    @rule(kind=st.sampled_from((m.DRIVE_OFF, m.CLEAR, m.RELEASE, m.HOLD)), mask=MASKS, fate=FATES,
          pause=PAUSES)  # fmt: skip
    def ask(self, kind, mask, fate, pause):
        self.send(kind, struct.pack("<H", mask), fate, pause)

    @rule(mask=MASKS, category=st.sampled_from((0, 1, 1, 2, 255)), fate=FATES, pause=PAUSES)
    def stop(self, mask, category, fate, pause):
        self.send(m.STOP, struct.pack("<HB", mask, category), fate, pause)

    @rule()
    def recover(self):
        """All as it should be: beats, clear, arm."""
        bench = self.bench
        bench.beating = bench.reader_lives = bench.line.reading = True
        bench.pass_ticks(3)
        bench.send(m.CLEAR, struct.pack("<H", bench.mask))
        bench.pass_ticks(2)
        bench.arm()
        bench.pass_ticks(4)

    @rule(share=st.floats(0.0, 1.0), k=st.integers(0, 1), flags=st.integers(0, 3), fate=FATES, pause=PAUSES,
          then=st.integers(0, 60))  # fmt: skip
    def target(self, share, k, flags, fate, pause, then):
        s = self.bench.joint.settings.limits
        angle = s.command_low_rad + share * (s.command_high_rad - s.command_low_rad)
        self.send(m.TARGET, struct.pack("<BBfh", k, flags, angle, 0), fate, pause)
        self.bench.pass_ticks(then)

    @rule(share=st.sampled_from((0.0, 1.0, 1.0, 0.4)), grip=st.integers(0, 1), underway=st.integers(3, 120),
          orders=st.lists(st.sampled_from((*sorted(ORDERS), "error")), min_size=1, max_size=3),
          apart=st.sampled_from((0, 0, 1)), then=st.sampled_from((1, 200, 200)))  # fmt: skip
    def orders_on_the_way(self, share, grip, underway, orders, apart, then):
        """A sound joint under way, and then orders, some within one tick."""
        self.recover()
        self.target(share, 0, grip, SOUND, underway, 0)
        for order in orders:
            if order == "error":
                self.error_in_a_tick()
                continue
            kind, layout, *values = ORDERS[order]
            self.send(kind, struct.pack(layout, self.bench.mask, *values), SOUND, apart)
        self.bench.pass_ticks(then)

    @rule(angle=SINGLES, k=st.sampled_from((0, 0, 1, 7)), flags=st.integers(0, 255),
          turn=st.integers(-32768, 32767), pause=PAUSES, ready=st.booleans())  # fmt: skip
    def any_target(self, angle, k, flags, turn, pause, ready):
        if ready:
            self.recover()
        self.send(m.TARGET, struct.pack("<BBfh", k, flags, angle, turn), SOUND, pause)

    @rule(mask=MASKS, span=st.sampled_from((0, 1, 20, 20, 255)), share=st.integers(0, 65535),
          speed=st.integers(-32768, 32767), count=st.integers(0, 3), fate=FATES, pause=PAUSES)  # fmt: skip
    def setpoints(self, mask, span, share, speed, count, fate, pause):
        body = struct.pack("<HB", mask, span) + struct.pack("<Hh", share, speed) * count
        self.send(m.SETPOINTS, body, fate, pause)

    @rule(share=st.integers(0, 65535), step=st.integers(-3000, 3000), count=st.integers(2, 12))
    def stream(self, share, step, count):
        """Samples every 20 ms, each near the one before."""
        n = len(self.bench.node.joints.slots)
        for _ in range(count):
            share = min(max(share + step, 0), 65535)
            row = struct.pack("<Hh", share, 0)
            self.send(m.SETPOINTS, struct.pack("<HB", self.bench.mask, 20) + row * n, SOUND, 10)

    @rule(joints=MASKS, fields=st.integers(0, 0xFFFF), every=st.integers(0, 9), rows=st.integers(0, 255), fate=FATES)  # fmt: skip
    def telemetry(self, joints, fields, every, rows, fate):
        self.send(m.TELEMETRY, struct.pack("<HHBB", joints, fields, every, rows), fate, 1)

    @rule(kind=st.integers(0, 255), body=st.binary(max_size=14), pause=PAUSES)
    def any_message(self, kind, body, pause):
        """Any number, any length; orders to leave or to meddle have tests of their own."""
        if kind not in (m.LEAVE, m.MEDDLE):
            self.send(kind, body, SOUND, pause)

    # --- settings

    @rule(name=st.sampled_from(sorted(EXTREMES)), share=st.sampled_from((0.0, 1e-3, 0.1, 0.5, 1.0)),
          k=st.integers(0, 1), spoil=st.sampled_from((0, 0, 1)), off=st.sampled_from((True, True, False)), fate=FATES)  # fmt: skip
    def other_settings(self, name, share, k, spoil, off, fate):
        low, high = EXTREMES[name]
        bench = self.bench
        data = bench.changed(name, low + share * (high - low))
        if off:
            bench.send(m.DRIVE_OFF, struct.pack("<H", bench.mask))
            bench.pass_ticks(1)
        at = 4 * table.cell_of(type(bench.joint.settings), name)
        for first in (0, 200, 400):
            part = data[first : first + 200]
            kept = fate if first <= at < first + 200 else SOUND
            bench.send(m.SETTING, struct.pack("<BH", k, first // 4) + part, kept)
        self.send(m.APPLY, struct.pack("<BI", k, table.digest(data) ^ spoil), SOUND, 6)

    @rule(cell=st.integers(0, 140), octets=st.binary(min_size=4, max_size=4), k=st.integers(0, 2),
          apply=st.booleans())  # fmt: skip
    def spoiled_settings(self, cell, octets, k, apply):
        """Four octets of anything, with the right digest: only the board's own check is left.

        A gain and a limit are changed as well, within their ranges.
        """
        bench = self.bench
        for name in ("gains.kp", "limits.current_A"):
            at = table.cell_of(type(bench.joint.settings), name)
            bench.send(m.SETTING, struct.pack("<BHf", k, at, 0.25 + cell / 128.0))
        bench.send(m.SETTING, struct.pack("<BH", k, cell) + octets)
        bench.pass_ticks(1)
        if apply and k < len(bench.node.joints.slots):
            staged = self.judge.accounts[k].staged or self.judge.accounts[k].force
            self.send(m.APPLY, struct.pack("<BI", k, table.digest(bytes(staged))), SOUND, 2)
            self.send(m.READ, struct.pack("<BHB", k, cell, 1), SOUND, 1)

    # --- faults

    @rule(what=st.sampled_from((
        (schedule.SENSOR, 1), (schedule.SENSOR, 2), (schedule.SENSOR, 3), (schedule.SENSOR, 4),
        (schedule.SENSOR, 0), (schedule.CUT, 0), (schedule.CUT, 1), (schedule.MOTOR_OPEN, 1),
        (schedule.MOTOR_OPEN, 0), (schedule.WIRED_WRONG, 1), (schedule.WIRED_WRONG, 0),
        (schedule.DROP, 3.0), (schedule.DROP, 0.0), (schedule.DROP, 6.0), (schedule.LOAD, 0.05), (schedule.LOAD, -0.05), (schedule.LOAD, 0.0),
        (schedule.MOVE_BY_HAND, 0.3), (schedule.MOVE_BY_HAND, 1.6), (schedule.MOVE_BY_HAND, 2.6),
    )), k=st.integers(0, 1), pause=st.sampled_from((0, 1, 5, 20)))  # fmt: skip
    def fault(self, what, k, pause):
        self.bench.node.board.meddle(k, what[0], float(what[1]), 0.0, 0.0)
        self.bench.pass_ticks(pause)

    @rule(angle=st.floats(0.0, 2.0), k=st.integers(0, 1))
    def something_in_the_way(self, angle, k):
        self.bench.node.board.meddle(k, schedule.OBJECT, angle, 50.0, 0.01)

    @rule(span=st.sampled_from((0.001, 0.015, 0.05, 0.3, 1.0)))
    def freeze(self, span):
        self.bench.node.board.meddle(0, schedule.STALL, span, 0.0, 0.0)
        self.bench.pass_ticks(2)

    @rule()
    def error_in_a_tick(self):
        self.bench.node.board.meddle(0, schedule.RAISE, 0.0, 0.0, 0.0)
        self.bench.pass_ticks(1)


def test_no_host_and_no_line_breaks_a_rule():
    SEEN.clear()
    machine = hypothesis.seed(SEED)(AnyHost)
    told = hypothesis.settings(
        profile(EXAMPLES), print_blob=True, verbosity=hypothesis.Verbosity.normal
    )
    run_state_machine_as_test(machine, settings=told)
    assert SEEN["examples"] >= EXAMPLES
    for what, least in (("ticks", 50_000), ("driven ticks", 10_000), ("silent ticks", 1000),
                        ("armed", 200), ("cleared", 50), ("stops", 30), ("controlled stops", 5),
                        ("errors", 100), ("damaged pieces", 500), ("rows", 50), ("mode 3", 300)):  # fmt: skip
        assert SEEN[what] >= least, f"too little of this was tried: {what}"
    for fault in (faults.LINK_SILENT, faults.STOP_PRESSED, faults.TICK_ERROR, faults.STANDSTILL):
        assert SEEN[f"fault {fault}"] >= 10, f"hardly seen: fault {fault}"
    assert sum(SEEN[f"fault {number}"] > 0 for number in range(faults.COUNT)) >= 7
