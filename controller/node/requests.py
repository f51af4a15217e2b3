"""Requests of the host: taken from the stream, checked, acted on, answered once.

Requests may be repeated with the same sequence number: a repeated one gets the
same answer and is not acted on again. At most ``bytes_per_tick`` octets are
taken from the stream in one tick, so that the link never costs a tick.
"""

from controller.joint.modes import DRIVE_OFF, driven
from controller.node import orders
from controller.portable import const, is_single, ticks_add, ticks_diff
from controller.wire import messages as m
from controller.wire.framing import Reader

MYPY = False
if MYPY:  # types are for the checker only: a board has no typing module
    from typing import Any

    from controller.node.node import Node

U16 = const(0xFFFF)
MOST_LEASE_MS = const(100)
"No beat may ask for a longer lease."
LONG_US = const(10000000)
"A reader silent for longer counts as silent for so long: ticks of the clock wrap."
U32 = const(0xFFFFFFFF)
VALUES_AT_ONCE = const(48)


class Answering:
    """Incoming frames of one node."""

    def __init__(self, node: "Node") -> None:
        self.node = node
        self.reader = Reader()
        self.bytes_per_tick = node.board.INBOUND
        self.allowance = node.board.INBOUND
        self.gaps = 0
        self.expected = -1
        self.heard_us = 0
        self.heard_told = 0
        self.last = b""
        self.last_answer = b""
        self.greetings = 0

    def serve(self) -> bool:
        """Take some octets and act on whole frames; tell whether there were any."""
        if self.allowance <= 0:
            return False
        data = self.node.stream.read(self.allowance)
        if not data:
            return False
        self.allowance -= len(data)
        payloads = self.reader.feed(data)
        for payload in payloads:
            if (
                payload[0] == m.STOP and len(payloads) > 1
            ):  # ahead of all that came before it, and again in its turn
                self.stop_first(payload)
        for payload in payloads:
            self.take(payload)
        return True

    def stop_first(self, payload: bytes) -> None:
        """A stop that waits behind other frames: its joints are off before those are acted on."""
        body = m.parse(payload)
        if body is not None and body[1] == 0:
            orders.request(self.node, m.STOP, body)

    def take(self, payload: bytes) -> None:
        """Act on one payload and answer it; beats and setpoints have answers of their own."""
        kind, sequence = payload[0], payload[1]
        if kind == m.BEAT:
            self.beat(payload)
        elif kind == m.SETPOINTS:
            if not orders.setpoints(self.node, payload):
                self.reader.bad += 1
            elif (
                self.reads_us(self.node.clock.now()) <= 2 * self.node.lease_us
                or not self.node.telemetry.groups
            ):
                self.node.renew(self.node.arrived_us(self.node.clock.now()), 0)
        elif payload == self.last:
            self.node.telemetry.answer(self.last_answer)
        else:
            if self.expected >= 0 and sequence != self.expected:
                self.gaps += 1
            self.expected = (sequence + 1) & 0xFF
            self.last = payload
            self.last_answer = self.act(kind, sequence, payload)
            self.node.telemetry.answer(self.last_answer)

    def act(self, kind: int, sequence: int, payload: bytes) -> bytes:
        """Act on a request; return the payload of its answer."""
        result, detail = m.DONE, 0
        if kind == m.SETTING:
            result, detail = self.node.joints.stage(payload)
        elif kind not in m.LAYOUT:
            result = m.UNKNOWN
        else:
            body = m.parse(payload)
            if body is None:
                result = m.BAD_LENGTH
            elif kind == m.HELLO:
                self.greetings += 1
                self.node.telemetry.tell_faults_anew()  # the last host may have seen them
                return self.identity()
            elif kind == m.READ:
                result, detail, octets = self.values(body)
                if result == m.DONE:
                    head = (m.VALUES, self.node.telemetry.next_sequence(), body[0],
                            body[1] & 0xFF, body[1] >> 8)  # fmt: skip
                    return bytes(head) + octets
            else:
                result, detail = self.order(kind, body)
        return m.build(m.ANSWER, self.node.telemetry.next_sequence(), kind, sequence, result,
                       detail & U16)  # fmt: skip

    def order(self, kind: int, body: "Any") -> "tuple[int, int]":
        """Orders and housekeeping: (result, detail)."""
        node = self.node
        if orders.is_request(kind):
            return orders.request(node, kind, body)
        if kind == m.APPLY:
            if body[0] >= node.joints.count:
                return m.NO_JOINT, body[0]
            return node.joints.apply(node, body[0], body[1])
        if kind == m.TARGET:
            return orders.target(node, body)
        if kind == m.HOLD:
            return orders.hold(node, body)
        if kind == m.TELEMETRY:
            node.telemetry.setup(body[0], body[1], body[2], body[3])
            return m.DONE, 0
        if kind == m.SEEN:
            if body[0] >= node.joints.count:
                return m.NO_JOINT, body[0]
            node.telemetry.told_faults[body[0]] = body[1]
            return m.DONE, 0
        if kind == m.LEAVE:
            return self.leave(body)
        meddle = getattr(node.board, "meddle", None)
        if kind != m.MEDDLE or meddle is None:
            return m.UNKNOWN, 0
        return (m.DONE if meddle(*body) else m.OUT_OF_RANGE), 0

    def values(self, body: "Any") -> "tuple[int, int, bytes]":
        """Cells of the settings in force: (result, detail, octets)."""
        joint, first, count = body
        if joint >= self.node.joints.count:
            return m.NO_JOINT, joint, b""
        data = self.node.joints.values(joint, first, count) if 0 < count <= VALUES_AT_ONCE else None
        if data is None:
            return m.OUT_OF_RANGE, first, b""
        return m.DONE, 0, data

    def leave(self, body: "Any") -> "tuple[int, int]":
        """Drive off and back to the prompt."""
        if body[0] != m.LEAVE_MAGIC:
            return m.OUT_OF_RANGE, 0
        self.node.board.off()
        for k in range(
            self.node.joints.count
        ):  # where an interrupt ticks, it goes on until the loop has ended
            self.node.joints.request(k, DRIVE_OFF)
        self.node.leaving = True
        return m.DONE, 0

    def reads_us(self, now: int) -> int:
        """Time (us) since the host last showed that its reader gets on; at most ``LONG_US``.

        Called in every tick without a lease and at every beat with one: so an old time is moved
        along long before the clock's half turn, and a dead reader never looks young again.
        """
        age = ticks_diff(now, self.heard_us)
        if 0 <= age <= LONG_US:
            return age
        self.heard_us = ticks_add(now, -LONG_US)
        return LONG_US

    def beat(self, payload: bytes) -> None:
        """Renew the lease, take the credit, echo for the host's clock."""
        body = m.parse(payload)
        node = self.node
        if body is None or not 0 < body[1] <= MOST_LEASE_MS:
            self.reader.bad += 1
            return
        now = node.clock.now()
        told = node.telemetry.told
        all_seen = body[2] == node.telemetry.sequence and told - self.heard_told < 200
        if body[2] != node.telemetry.seen or all_seen:
            self.heard_us = now
            self.heard_told = told
        node.telemetry.seen = body[2]
        if self.reads_us(now) <= node.lease_us:  # a host whose reader has died loses the drive
            node.renew(node.arrived_us(now), body[1])
        powered = 0
        for k in range(node.joints.count):
            if driven(node.joints.mode(k)):
                powered |= 1 << k
        node.telemetry.answer(
            m.build(m.ECHO, node.telemetry.next_sequence(), body[0], now & U32, node.tick & U32,
                    powered)
        )  # fmt: skip

    def identity(self) -> bytes:
        """Answer to HELLO."""
        node = self.node
        t = node.timing
        flags = node.board.FLAGS
        if is_single():
            flags |= m.SINGLE
        if not t.fits:
            flags |= m.NO_FIT
        if node.was_reset:
            flags |= m.WAS_RESET
        return m.build(
            m.IDENTITY, node.telemetry.next_sequence(), m.VERSION, node.board.KIND, flags,
            node.joints.count, node.tick_us, node.build, node.joints.digest(), node.serial,
            t.cost_us if t.cost_us < U16 else U16, t.collect_us if t.collect_us < U16 else U16, self.bytes_per_tick,
        )  # fmt: skip
