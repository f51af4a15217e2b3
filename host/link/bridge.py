"""The host's end of the link: requests and answers, beats, telemetry, clock.

One reader thread owns the transport: it decodes frames, wakes whoever waits for
an answer, hands rows to listeners, and alone closes. A beat every ``BEAT_S``
renews the board's lease and carries what the *reader* has decoded last, so a
host whose reader has died loses the drive. Requests carry a sequence number and
are repeated until answered or out of time; the board acts on each once.
"""

import contextlib
import struct
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from controller.wire import framing
from controller.wire import messages as m
from host.errors import LinkLostError, NoAnswerError, RefusedError
from host.link.transport import Transport
from sim.errors import InputError

BEAT_S = 0.02
REPEAT_S = 0.15
VOIDED = (m.ARM, m.CLEAR, m.RELEASE, m.TARGET)
"""Requests that must not reach a board behind a STOP that was asked after them."""
TICK_BITS = 2**32
PAUSE_US = 10_000
"""A clock that has fallen behind by more stood still: that is no doubt of the measurement."""


@dataclass(frozen=True)
class Identity:
    """What a board says of itself."""

    version: int
    board: int
    flags: int
    joints: int
    tick_us: int
    build: int
    settings: int
    serial: int
    cost_us: int
    collect_us: int
    inbound: int

    @property
    def virtual(self) -> bool:
        """Whether it is a simulated board."""
        return bool(self.flags & m.VIRTUAL)

    @property
    def fits(self) -> bool:
        """Whether its ticks fit the tick rate."""
        return not self.flags & m.NO_FIT

    @property
    def half(self) -> bool:
        """Whether the board was half written: it arms nothing."""
        return bool(self.flags & m.HALF)


@dataclass
class Rows:
    """Telemetry of one frame: ticks (n,), values[joint][field name] lists of n numbers."""

    ticks: list[int]
    joints: list[int]
    fields: list[str]
    values: list[list[list[float]]]
    """values[row][joint position][field position]."""
    dropped: int
    received_s: float


@dataclass
class Counters:
    """What the link has counted."""

    frames: int = 0
    bad: int = 0
    gaps: int = 0
    repeats: int = 0
    rows: int = 0
    dropped: int = 0
    round_trips_s: list[float] = field(default_factory=list)


class Bridge:
    """One open link to one board."""

    def __init__(self, transport: Transport, url: str = "") -> None:
        self.transport = transport
        self.url = url
        self.counters = Counters()
        self.lost: str | None = None
        self.identity: Identity | None = None
        self.clock_offset_us = 0.0
        self.tick_zero_us: float | None = None
        self.tick_base = 0
        """Added to every tick that the board tells: a board found again counts on from before."""
        self.board_tick = 0
        self._whole_tick: int | None = None
        self.powered = 0
        self.health: dict[str, int] = {}
        self.faults: dict[int, tuple[int, int]] = {}
        self.on_rows: list[Callable[[Rows], None]] = []
        self.on_event: list[Callable[[str, dict[str, Any]], None]] = []
        self.lease_ms = 80
        self._sequence = 0
        self._asked = 0
        self._asked_kind = -1
        self._stops = 0
        self._odd = 0
        self._seen = 0
        self._best_trip = float("inf")
        self._first_zero_us = 0.0
        self.paused_s = 0.0
        """Time by which the board's clock has fallen behind: a simulation that waited for the computer."""
        self._answers: dict[int, bytes] = {}
        self._wake = threading.Condition()
        self._write_lock = threading.Lock()
        self._stop = threading.Event()
        self._beating = threading.Event()
        self._reader = framing.Reader()
        self._threads = [
            threading.Thread(target=self._read, name="link-reader", daemon=True),
            threading.Thread(target=self._beat, name="link-beat", daemon=True),
        ]
        for thread in self._threads:
            thread.start()

    # --- opening and closing

    def greet(self, wait_s: float = 2.5) -> Identity:
        """Ask who the board is. Raises NoAnswerError, InputError on another version."""
        self._send(b"\x7e")  # ends whatever half frame the board may hold
        if self._beating.is_set():
            self._send_beat()  # no new host, but the one that beats: late, perhaps
        deadline = time.monotonic() + wait_s
        while True:
            try:
                payload = self.exchange(m.HELLO, struct.pack("<B", m.VERSION), 0.4)
                break
            except NoAnswerError:
                if time.monotonic() >= deadline or self.lost:
                    raise
        if payload[0] != m.IDENTITY:
            raise InputError("", "--port", self.url, "speaks another version of the link")
        version = payload[2] if len(payload) > 2 else 0
        layout = m.LAYOUT[m.IDENTITY]
        if version != m.VERSION or len(payload) != 2 + struct.calcsize(layout):
            raise InputError(
                "", "--port", self.url,
                f"the board speaks version {version} of the link, this host {m.VERSION}; "
                "deploy the board again",
            )  # fmt: skip
        self.identity = Identity(*struct.unpack_from(layout, payload, 2))
        return self.identity

    def beat(self, on: bool = True) -> None:
        """Begin (or end) renewing the lease: without it the board sends and drives nothing."""
        if on:
            self._beating.set()
        else:
            self._beating.clear()

    def continue_from(self, before: "Bridge", every: int) -> None:
        """Count ticks on from a link to the same board that was lost, in steps of ``every``.

        To be called while the link beats; waits for the board's first echo. Raises NoAnswerError.
        """
        deadline = time.monotonic() + 1.0
        while self.tick_zero_us is None and self.lost is None and time.monotonic() < deadline:
            time.sleep(0.005)
        if self.tick_zero_us is None or self.identity is None:
            raise NoAnswerError("no echo of a beat within 1 s")
        if before.tick_zero_us is None:  # lost before it told any tick
            return
        apart = (self.tick_zero_us - before.tick_zero_us) / self.identity.tick_us
        self.tick_base = every * round(apart / every)
        self.tick_zero_us -= self.tick_base * self.identity.tick_us
        self._first_zero_us -= self.tick_base * self.identity.tick_us

    def close(self) -> None:
        """Drive off, then close; the reader closes the transport."""
        if self.lost is None and not self._stop.is_set():
            with contextlib.suppress(NoAnswerError, RefusedError, LinkLostError):
                self.request(m.DRIVE_OFF, struct.pack("<H", 0xFFFF), 0.3)
        self._stop.set()
        for thread in self._threads:
            if thread is not threading.current_thread():
                thread.join(1.0)

    def abandon(self) -> None:
        """Close without a word, as a program that dies does."""
        self._stop.set()

    # --- requests

    def exchange(self, kind: int, body: bytes, wait_s: float = 1.0) -> bytes:
        """Send a request and return the payload that answers it. Raises NoAnswerError, LinkLostError.

        What a STOP must not be followed by is not sent (again) once a STOP was asked after it: the
        board would take the repetition for a new request.
        """
        with self._wake:
            self._stops += kind == m.STOP
            stops = self._stops if kind in VOIDED else None
            self._sequence = (self._sequence + 1) & 0xFF
            self._asked = sequence = self._sequence
            self._asked_kind = kind
            self._answers.pop(sequence, None)
        frame = framing.encode(bytes((kind, sequence)) + body)
        begun = time.monotonic()
        deadline, again = begun + wait_s, begun
        while True:
            now = time.monotonic()
            if self.lost is not None:
                raise LinkLostError(self.lost)
            if now >= deadline:
                raise NoAnswerError(f"no answer to message 0x{kind:02X} within {wait_s:g} s")
            if now >= again:
                if again > begun:
                    self.counters.repeats += 1
                self._send(frame, stops)
                again = now + REPEAT_S
            with self._wake:
                found = self._answers.pop(sequence, None)
                if found is None:
                    self._wake.wait(min(again, deadline) - time.monotonic() + 1e-4)
                    found = self._answers.pop(sequence, None)
            if found is not None:
                self.counters.round_trips_s.append(time.monotonic() - begun)
                return found

    def request(self, kind: int, body: bytes = b"", wait_s: float = 1.0) -> bytes:
        """Send a request that must be done. Raises RefusedError, NoAnswerError, LinkLostError."""
        payload = self.exchange(kind, body, wait_s)
        if payload[0] == m.ANSWER:
            _, _, result, detail = struct.unpack_from(m.LAYOUT[m.ANSWER], payload, 2)
            if result != m.DONE:
                raise RefusedError(kind, result, detail)
        return payload

    def tell(self, kind: int, body: bytes) -> None:
        """Send a message that has no answer (setpoints). Raises LinkLostError."""
        with self._wake:
            self._sequence = (self._sequence + 1) & 0xFF
            sequence = self._sequence
        self._send(framing.encode(bytes((kind, sequence)) + body))

    # --- threads

    def _send(self, frame: bytes, stops: int | None = None) -> None:
        """Write a frame; refused where it was asked before the last of ``stops`` STOPs (None: never)."""
        if self.lost is not None:
            raise LinkLostError(self.lost)
        with self._write_lock:
            if stops is not None and stops != self._stops:
                raise NoAnswerError("a STOP came in between; ask again")
            try:
                self.transport.write(framing.padded(frame))
            except LinkLostError as error:
                self.lose(str(error))
                raise

    def lose(self, reason: str) -> None:
        """Count the link as lost, and tell so once."""
        if self.lost is None and not self._stop.is_set():
            self.lost = reason
            self._event("link_lost", {"reason": reason})
        with self._wake:
            self._wake.notify_all()

    def _send_beat(self) -> None:
        host_us = time.monotonic_ns() // 1000 & 0xFFFFFFFF
        body = struct.pack(m.LAYOUT[m.BEAT], host_us, self.lease_ms, self._seen)
        self._send(framing.encode(bytes((m.BEAT, 0)) + body))

    def _beat(self) -> None:
        due = time.monotonic()
        while not self._stop.is_set():
            if not self._beating.wait(0.1):
                due = time.monotonic()
                continue
            try:
                self._send_beat()
            except LinkLostError:
                return
            due += BEAT_S
            now = time.monotonic()
            if due < now - 0.2:
                due = now
            self._stop.wait(max(due - now, 0.001))

    def _read(self) -> None:
        try:
            while not self._stop.is_set():
                data = self.transport.read(0.05)
                if data:
                    for payload in self._reader.feed(data):
                        try:
                            self._take(payload)
                        except (struct.error, IndexError):
                            self._odd += 1  # a sound frame that says less than it should
                    self.counters.frames = self._reader.frames
                    self.counters.bad = self._reader.bad + self._reader.short + self._reader.long
                    self.counters.bad += self._odd
        except LinkLostError as error:
            self.lose(str(error))
        finally:
            self.transport.close()

    def _take(self, payload: bytes) -> None:
        kind, sequence = payload[0], payload[1]
        if kind in (m.ROWS, m.FAULT, m.HEALTH, m.TEXT, m.ECHO, m.IDENTITY, m.ANSWER, m.VALUES):
            self._seen = sequence
        if kind == m.ROWS:
            self._rows(payload)
        elif kind == m.ECHO:
            self._echo(payload)
        elif kind == m.ANSWER:
            self._answered(payload[3], payload)
        elif kind == m.IDENTITY or kind == m.VALUES:
            # answers that name no request: they answer the one in hand, if it asked for them
            if self._asked_kind == (m.HELLO if kind == m.IDENTITY else m.READ):
                self._answered(None, payload)
        elif kind == m.FAULT:
            tick, joint, fault, mode = struct.unpack_from(m.LAYOUT[m.FAULT], payload, 2)
            tick = self._whole(tick) + self.tick_base
            self.tell(m.SEEN, struct.pack(m.LAYOUT[m.SEEN], joint, fault))
            if self.faults.get(joint, (0, 0))[0] != fault:
                self.faults[joint] = (fault, tick)
                self._event("fault", {"joint": joint, "fault": fault, "mode": mode, "tick": tick})
        elif kind == m.HEALTH:
            names = ("mean_us", "most_us", "late", "collections", "collect_us", "free", "bad",
                     "gaps", "dropped", "standstills")  # fmt: skip
            values = struct.unpack_from(m.LAYOUT[m.HEALTH], payload, 2)
            self.health = dict(zip(names, values, strict=True))
            self._event("health", dict(self.health))
        elif kind == m.TEXT:
            self._event("text", {"level": payload[2], "text": payload[3:].decode(errors="replace")})
        else:
            self._odd += 1

    def _answered(self, sequence: int | None, payload: bytes) -> None:
        with self._wake:
            if sequence is None:
                sequence = self._asked
            self._answers[sequence] = payload
            self._wake.notify_all()

    def _echo(self, payload: bytes) -> None:
        host_us, board_us, tick, powered = struct.unpack_from(m.LAYOUT[m.ECHO], payload, 2)
        now_us = time.monotonic_ns() // 1000
        trip = (now_us - host_us) & 0xFFFFFFFF
        tick = self._whole_tick = self._whole(tick)
        tick += self.tick_base
        self.board_tick, self.powered = tick, powered
        if self.identity is None:
            return
        # host's time at which the board's tick 0 would have been
        zero_us = now_us - trip / 2.0 - tick * self.identity.tick_us
        paused = self.tick_zero_us is not None and zero_us - self.tick_zero_us > trip + PAUSE_US
        if trip <= self._best_trip or paused:  # least round trip: least doubt about the offset
            self._best_trip = trip
            self.clock_offset_us = (board_us - (host_us + trip / 2.0)) % TICK_BITS
            if self.tick_zero_us is None:
                self._first_zero_us = zero_us
            self.tick_zero_us = zero_us
            behind = zero_us - self._first_zero_us
            self.paused_s = behind * 1e-6 if self.identity.virtual and behind > PAUSE_US else 0.0
        self._best_trip *= 1.01

    def _rows(self, payload: bytes) -> None:
        mask, fields, dropped = struct.unpack_from(m.HEAD[m.ROWS], payload, 2)
        joints = [k for k in range(16) if mask >> k & 1]
        names = [name for k, name in enumerate(m.FIELDS) if fields >> k & 1]
        count = len(joints) * len(names)
        width = 4 + 4 * count
        ticks, values = [], []
        for at in range(8, len(payload) - width + 1, width):
            numbers = struct.unpack_from(f"<I{count}f", payload, at)
            ticks.append(self._whole(numbers[0]) + self.tick_base)
            row = numbers[1:]
            values.append([list(row[k * len(names) : (k + 1) * len(names)])
                           for k in range(len(joints))])  # fmt: skip
        self.counters.rows += len(ticks)
        self.counters.dropped = dropped
        rows = Rows(ticks, joints, names, values, dropped, time.monotonic())
        for listener in self.on_rows:
            listener(rows)

    def _whole(self, tick: int) -> int:
        """A tick of the link's 32 bits as the whole number next to the last one heard."""
        if self._whole_tick is None:
            return tick
        ahead = (tick - self._whole_tick + TICK_BITS // 2) % TICK_BITS - TICK_BITS // 2
        return max(self._whole_tick + ahead, 0)

    def _event(self, name: str, data: dict[str, Any]) -> None:
        for listener in self.on_event:
            listener(name, data)
