"""What must hold of a node, looked at after every tick and after every frame.

The judge keeps its own account of what arrived whole (by a decoder of its own): the
lease, what was asked for since the last tick, the settings that were sent.
"""

import math
import struct
from collections import Counter

from controller.joint import faults
from controller.joint.modes import CHECKING, OFF, POWERED, STOPPING, TRIPPED
from controller.joint.settings.contradictions import contradiction
from controller.joint.settings.settings import PULSE, Settings
from controller.joint.state import Report, State
from controller.records import TABLE, get, leaves
from controller.wire import messages as m
from controller.wire import table
from tests.properties.serial_line import Decoder
from tests.properties.window import window

UNDRIVEN = (OFF, TRIPPED)
MASKED = {m.ARM: "<HI", m.DRIVE_OFF: "<H", m.STOP: "<HB", m.CLEAR: "<H", m.RELEASE: "<H"}
PENDING = slice(7, 10)  # in Judge.of_joint: the setpoint that waits for its tick
STATE, REPORT = leaves(State), leaves(Report)


def numbers(record, rows):
    """All numbers of a record, in order."""
    found = []
    for name, field in rows:
        value = get(record, name)
        found += value if field.kind == TABLE else [value]
    return found


class Account:
    """What the judge knows of one joint."""

    def __init__(self, slot):
        self.asked = []
        self.mode = OFF
        self.fault = faults.NONE
        self.winding_C = slot.state.allowed.winding_C
        self.force = table.pack_table(slot.settings)
        self.staged = None
        self.stopping_s = 0.0
        self.erred = False


class Judge:
    """Hooks itself into a bench (link_bench.py); every breach is an AssertionError."""

    def __init__(self, bench):
        self.bench = bench
        self.node = node = bench.node
        self.line = bench.line
        self.line.on_read = self.octets
        self.decoder = Decoder()
        self.arrived = []
        self.quiet = None
        self.accounts = [Account(slot) for slot in node.joints.slots]
        self.heard_us = None
        self.lease_us = 80_000
        self.errors = 0
        self.trips = node.board.trips
        self.seen = Counter()
        self.inner = (node.on_tick, node.answering.take, node.turn, node.fail)
        node.on_tick, node.answering.take = self.on_tick, self.take
        node.turn, node.fail = self.turn, self.fail

    # --- frames

    def octets(self, data):
        """The board takes octets: what of them is whole?"""
        self.arrived += self.decoder.feed(data)
        if not self.arrived:
            self.quiet = self.everything()

    def turn(self):
        """One turn of the loop: no whole frame is missed, nothing else does anything."""
        self.inner[2]()
        assert self.arrived == [], "a whole frame is taken"
        if self.quiet is not None:
            before, self.quiet = self.quiet, None
            assert self.everything() == before, "damaged octets change nothing"
            self.seen["damaged pieces"] += 1

    def everything(self):
        """All of a node that a frame may change, counters of damage left out."""
        node = self.node
        t, a = node.telemetry, node.answering
        return (
            [self.of_joint(k, slot) for k, slot in enumerate(node.joints.slots)],
            node.beat_us, node.lease_us, node.has_lease, node.leaving, node.outside, node.tick, t.fields, t.every, t.seen,
            [(group.mask, group.rows, group.filled) for group in t.groups], a.last, a.gaps,
            a.expected, a.heard_us, list(node.board.mechanism.values),
        )  # fmt: skip

    def of_joint(self, k, slot):
        c = slot.command
        force = table.pack_table(slot.settings)
        # of a setpoint that is not pending only what outlives it: the grip
        pending = (c.target_rad, c.target_rad_s, c.span_s, c.turn, c.way) if c.kind else ()
        return (
            repr(numbers(slot.state, STATE)), repr(numbers(slot.report, REPORT)), slot.applied,
            bytes(slot.staged or force), force, self.node.telemetry.told_faults[k],
            c.request, c.kind, c.grip, repr(pending),
        )  # fmt: skip

    def take(self, payload):
        """One payload is acted on: it is the one that arrived, and refused means no trace."""
        assert self.arrived, "nothing whole has arrived"
        assert payload == self.arrived.pop(0)
        assert payload in self.line.sent, "it was sent like this"
        node = self.node
        again = payload == node.answering.last
        bad = node.answering.reader.bad
        before = self.everything()
        self.inner[1](payload)
        kind, result = payload[0], m.DONE
        if kind in (m.BEAT, m.SETPOINTS):
            if node.answering.reader.bad > bad:
                result = m.BAD_LENGTH
        else:
            reply = Decoder().feed(node.telemetry.answers[-1])[0]
            if reply[0] == m.ANSWER:
                assert reply[2] == kind
                result = reply[4]
        self.seen[f"{'again ' if again else ''}{result == m.DONE} {kind:02x}"] += 1
        if again or result != m.DONE:
            self.left_no_trace(kind, result, before)
        if kind == m.APPLY and not again:
            self.applied(payload, result)
        elif result == m.DONE and not again:
            self.account(kind, payload)

    def left_no_trace(self, kind, result, before):
        """A request that was refused, or that is a repeated one, has changed nothing."""
        after = self.everything()
        for k, (one, other) in enumerate(zip(before[0], after[0], strict=True)):
            one, other = list(one), list(other)
            if kind == m.APPLY:  # what was staged is thrown away: it begins anew
                one[3] = other[3] = None
            if kind == m.TARGET:  # test_a_refused_target_leaves_no_trace is strict
                one[PENDING], other[PENDING] = (), ()
            assert one == other, f"joint {k}: a refused {kind:#x} ({result}) left a trace"
        for one, other in zip(before[1:11], after[1:11], strict=True):
            assert one == other, f"a refused {kind:#x} ({result}) left a trace"
        assert before[-1] == after[-1]

    def account(self, kind, payload):
        """Book a frame that was acted on."""
        now = self.bench.clock.us
        if kind == m.BEAT:
            lease_ms = struct.unpack_from("<H", payload, 6)[0]
            if 0 < lease_ms <= 100:  # others are refused
                self.heard_us = now
                self.lease_us = lease_ms * 1000
        elif kind == m.SETPOINTS:
            mask, span = struct.unpack_from("<HB", payload, 2)
            assert mask >> len(self.accounts) == 0, "joints that are not there"
            assert len(payload) == 5 + 4 * mask.bit_count()
            assert span > 0
            self.heard_us = now
        elif kind == m.TARGET:
            k, _, angle, _ = struct.unpack("<BBfh", payload[2:])
            limits = self.node.joints.slots[k].settings.limits
            assert limits.command_low_rad <= angle <= limits.command_high_rad
        elif kind in MASKED:
            body = struct.unpack_from(MASKED[kind], payload, 2)
            if kind == m.STOP and body[1] == 0:
                assert not any(self.node.board.mechanism.values), "off at once"
            for k, account in enumerate(self.accounts):
                if body[0] >> k & 1:
                    account.asked.append((kind, *body[1:]))
        elif kind == m.SETTING:
            k, index = struct.unpack_from("<BH", payload, 2)
            account, data = self.accounts[k], payload[5:]
            if account.staged is None:
                account.staged = bytearray(account.force)
            account.staged[index * 4 : index * 4 + len(data)] = data

    def applied(self, payload, result):
        """Staged settings are in force whole, or the old ones are."""
        if result == m.BAD_LENGTH:
            return
        k, digest = struct.unpack_from("<BI", payload, 2)
        if k >= len(self.accounts):
            assert result == m.NO_JOINT
            return
        account, slot = self.accounts[k], self.node.joints.slots[k]
        if result == m.DONE:
            data = bytes(account.staged) if account.staged is not None else account.force
            assert slot.report.mode in UNDRIVEN
            assert table.digest(data) == digest
            fresh = Settings()
            table.unpack_table(data, fresh)
            assert contradiction(fresh) is None
            for name, low, high in self.node.joints.hard:
                assert low <= get(fresh, name) <= high
            account.force = data
        if result != m.NOT_NOW:
            account.staged = None
        assert table.pack_table(slot.settings) == account.force

    # --- ticks

    def fail(self, *arguments, **named):
        self.errors += 1
        self.inner[3](*arguments, **named)

    def on_tick(self, steps, now):
        """One tick, and then everything that must hold of it."""
        age = None if self.heard_us is None else self.bench.clock.us - self.heard_us
        errors = self.errors
        self.inner[0](steps, now)
        failed = self.errors != errors
        for k, account in enumerate(self.accounts):
            self.judge(k, account, age, failed, steps)
            if self.node.board.trips != self.trips:
                assert self.node.joints.slots[k].report.mode in UNDRIVEN, (
                    "the second watch has cut the drive"
                )
        self.trips = self.node.board.trips
        self.seen["ticks"] += 1
        self.seen["errors"] += failed

    def judge(self, k, account, age, failed, steps):
        slot = self.node.joints.slots[k]
        value = self.node.board.mechanism.values[k]
        mode, report = slot.report.mode, slot.report
        assert mode == slot.state.mode.mode
        self.seen[f"mode {mode}"] += 1
        self.are_numbers(slot, value)
        if mode in UNDRIVEN:
            assert value == 0.0, "off is exactly zero, in this tick"
            assert report.allowed_V == 0.0
            assert slot.state.output.value == 0.0
        else:
            self.in_window(slot, account, value)
        self.by_the_link(slot, age, value)
        self.latched(account, mode, report.fault, failed)
        self.stops_in_time(slot, account, mode, steps)
        if not failed:
            self.requests(account, mode, report, slot.state.mode.grip)
            account.asked.clear()
        account.erred = failed or (account.erred and slot.state.mode.grip == 1)
        if mode != account.mode and mode == TRIPPED:
            self.seen[f"fault {report.fault}"] += 1
        account.mode, account.fault = mode, report.fault
        account.winding_C = slot.state.allowed.winding_C

    def are_numbers(self, slot, value):
        assert math.isfinite(value)
        assert all(map(math.isfinite, numbers(slot.state, STATE)))
        assert all(map(math.isfinite, numbers(slot.report, REPORT)))

    def in_window(self, slot, account, value):
        """The drive against the limits in force, worked out anew."""
        s, report, supply = slot.settings.limits, slot.report, slot.readings.supply_V
        low, high = window(
            slot.settings, slot.state.mode, account.winding_C, report.speed_rad_s, supply
        )
        slack = 1e-9 * (1.0 + abs(supply))
        if report.allowed_V != 0.0:  # zero is always allowed: the first tick after arming
            assert low - slack <= report.allowed_V <= high + slack
            allowed = slot.state.allowed
            assert allowed.low_V <= report.allowed_V <= allowed.high_V
            assert low - slack <= allowed.low_V
            assert allowed.high_V <= high + slack
        d = slot.settings.drive
        if d.kind == PULSE:
            if value != 0.0:
                assert abs(value - d.neutral_s) <= d.dead_s + d.full_s + 1e-12
        else:
            assert -1.0 <= -s.full_duty <= value <= s.full_duty <= 1.0
            assert math.isclose(value * supply, report.allowed_V * d.sign, abs_tol=slack)
        if report.allowed_V != 0.0:
            self.seen["driven ticks"] += 1

    def by_the_link(self, slot, age, value):
        """Silence for longer than the lease, or than the joint bears: no drive."""
        silence_us = slot.settings.watch.link_silence_s * 1e6
        if age is None or age > self.lease_us or (silence_us and age > silence_us + 1.0):
            assert value == 0.0, "a silent link drives nothing"
            self.seen["silent ticks"] += 1

    def latched(self, account, mode, fault, failed):
        """Out of a trip only by CLEAR, to off; from there only by ARM, or a release."""
        asked = [one[0] for one in account.asked]
        assert (fault != faults.NONE) == (mode == TRIPPED)
        if failed:
            assert mode in UNDRIVEN
            assert account.mode in UNDRIVEN or mode == TRIPPED
        if account.mode == TRIPPED:
            if mode == TRIPPED:
                assert fault == account.fault, "the first cause stays"
            else:
                assert mode == OFF
                assert m.CLEAR in asked
                self.seen["cleared"] += 1
        if account.mode == OFF and mode in (CHECKING, POWERED):
            digests = [one[1] for one in account.asked if one[0] == m.ARM]
            assert self.bench.digest() in digests, "armed by the settings in force"
            self.seen["armed"] += 1
        if account.mode == OFF and mode == STOPPING:
            assert m.RELEASE in asked

    def stops_in_time(self, slot, account, mode, steps):
        """Controlled stop and release end by their deadlines, whatever comes in between."""
        account.stopping_s = (
            account.stopping_s + steps * slot.settings.tick_s if mode == STOPPING else 0.0
        )
        s = slot.settings.stopping
        most = max(s.deadline_s, s.release_s) + steps * slot.settings.tick_s
        assert account.stopping_s <= most + 1e-9

    def requests(self, account, mode, report, grip):
        """What was asked for since the last tick is what happened in this one."""
        asked, was = account.asked, account.mode
        if (m.STOP, 0) in asked:
            assert mode == TRIPPED, "STOP wins over anything"
            self.seen["stops"] += 1
        if asked and asked[-1] == (m.DRIVE_OFF,):  # overtaken in its tick: a strict test of its own
            assert mode in UNDRIVEN, "disarmed"
        if (
            asked and asked[-1] == (m.STOP, 1) and was == POWERED
        ):  # in the self-test: a strict test of its own
            assert mode not in (CHECKING, POWERED), "a controlled stop begins"
            self.seen["controlled stops"] += 1
        if was != mode and mode in (CHECKING, POWERED):
            assert report.allowed_V == 0.0, "no kick in the first tick"
            # after an error in a tick it is: test_a_grip_is_not_carried_over_an_error_in_the_tick
            assert grip == 0 or account.erred, "a grip is not carried over"
