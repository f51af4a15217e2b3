"""The loop of virtual boards: every tick at its edge in simulated time, links served between.

A tick of a virtual board is never late because the computer was busy (``clock.py``). Time also
waits for a host that is late with its beats, for at most ``HOST_WAIT_US`` of real time: beyond
that the host counts as silent, and simulated time goes on without it.
"""

import select
from queue import Empty, SimpleQueue
from typing import Any, Protocol

from controller.node.loop import Loop
from host.virtual.adapter import Adapter
from host.virtual.clock import PatientClock, real_us

HOST_WAIT_US = 2_000_000
LATE_SHARE = 0.5
"""Of the lease: a host that is silent for longer is waited for."""
TELL_US = 100_000
"""Pauses that are told to the host, when they have come to so much."""
LISTEN_S = 0.02


class Served(Protocol):
    """A node of a virtual board, in this process or in another."""

    adapter: Adapter
    stream: Any
    tick_us: int

    @property
    def leaving(self) -> bool:
        """Whether the host asked it to leave."""

    @property
    def lease_us(self) -> int:
        """The lease in force (us)."""

    @property
    def greetings(self) -> int:
        """Times that a host has greeted it."""

    def begin(self) -> None:
        """Begin, with the drive off."""

    def tick(self, late_us: int) -> int:
        """The tick that was due ``late_us`` ago; return the periods that it stands for."""

    def serve(self) -> None:
        """Serve the link both ways as far as it goes now. Raises KeyboardInterrupt."""

    def silent_us(self) -> int:
        """How long the host has not beaten, or not read; 0 where no lease runs."""

    def listens(self) -> bool:
        """Whether it would take octets now."""

    def refill(self) -> None:
        """Let it take octets although no tick has gone by."""

    def say(self, line: str) -> None:
        """Tell the host a line."""


class LocalNode:
    """A node in this process."""

    def __init__(self, node: Loop, adapter: Adapter, stream: Any) -> None:
        self.node, self.adapter, self.stream = node, adapter, stream
        self.tick_us = node.tick_us

    @property
    def leaving(self) -> bool:
        """Whether the host asked it to leave."""
        return self.node.leaving

    @property
    def lease_us(self) -> int:
        """The lease in force (us)."""
        return self.node.lease_us

    @property
    def greetings(self) -> int:
        """Times that a host has greeted it."""
        return self.node.answering.greetings

    def begin(self) -> None:
        """Begin, with the drive off."""
        self.node.begin()

    def tick(self, late_us: int) -> int:
        """The tick that was due ``late_us`` ago; return the periods that it stands for."""
        return self.node.begin_tick(self.node.clock.now(), late_us)

    def serve(self) -> None:
        """Serve the link both ways as far as it goes now."""
        while self.node.answering.serve() or self.node.telemetry.send():
            pass

    def silent_us(self) -> int:
        """How long the host has not beaten, or not read; 0 where no lease runs."""
        return self.node.host_silent_us(self.node.clock.now())

    def listens(self) -> bool:
        """Whether it would take octets now."""
        return self.node.answering.allowance > 0

    def refill(self) -> None:
        """Let it take octets although no tick has gone by."""
        self.node.answering.allowance = self.node.answering.bytes_per_tick

    def say(self, line: str) -> None:
        """Tell the host a line."""
        self.node.telemetry.text(1, line)


class _Board:
    def __init__(self, served: Served) -> None:
        self.served = served
        self.edge_us = 0
        self.blocked_us = 0
        """Until then its loop stands still."""
        self.waited_from_us: int | None = None
        self.deaf_until_us = 0
        """Until then no host is heard: time that was waited for a host that is gone passes first."""
        self.told_us = 0

    def due_us(self) -> int:
        return max(self.edge_us, self.blocked_us)


class BoardLoop:
    """Runs boards that share a clock and a mechanism."""

    def __init__(self, served: list[Served], clock: PatientClock) -> None:
        self.clock = clock
        self.boards = [_Board(one) for one in served]
        self.orders: SimpleQueue[Any] = SimpleQueue()
        """Functions that another thread wants to have called between ticks."""

    def begin(self) -> None:
        """Begin every board."""
        for board in self.boards:
            board.served.begin()
            board.edge_us = self.clock.us + board.served.tick_us

    def run(self) -> None:
        """Run until the hosts ask all boards to leave; the drive is off on every way out."""
        self.clock.wait()
        try:
            while any(not board.served.leaving for board in self.boards):
                self.step()
        except KeyboardInterrupt:
            return
        finally:
            for board in self.boards:
                board.served.adapter.off()

    def step(self) -> None:
        """One tick, or a wait of at most a tick; links are served."""
        self._obey()
        live = [board for board in self.boards if not board.served.leaving]
        board = min(live, key=_Board.due_us)
        if any(board.deaf_until_us > self.clock.us for board in live):
            self.clock.sleep(max(board.due_us() - self.clock.us, 0))
            self._tick(board)
            return
        waits = [self._waits_for_host(board) for board in live]  # each is looked at
        if any(waits):
            self._wait_for_host(live)
            return
        if self.clock.follow(board.due_us()):
            self._tick(board)
        else:
            self._listen(live, self.clock.due_in_us(board.due_us()) * 1e-6)
            self.clock.follow(board.due_us())
        self._serve(live)

    def _obey(self) -> None:
        try:
            while True:
                self.orders.get_nowait()()
        except Empty:
            return

    def _is_silent(self, board: _Board) -> bool:
        return board.served.silent_us() > LATE_SHARE * board.served.lease_us

    def _waits_for_host(self, board: _Board) -> bool:
        if not self._is_silent(board):
            board.waited_from_us = None
            return False
        if board.waited_from_us is None:
            board.waited_from_us = real_us()
        return real_us() - board.waited_from_us < HOST_WAIT_US

    def _wait_for_host(self, live: list[_Board]) -> None:
        """Time stands still; who greets now is another host: for the one before, it goes on."""
        self.clock.wait()
        self._listen(live, LISTEN_S)
        for board in live:
            before = board.served.greetings
            board.served.refill()
            board.served.serve()
            greeted = board.waited_from_us is not None and board.served.greetings != before
            if greeted and self._is_silent(
                board
            ):  # a host that goes on beats before it greets again
                spent_us = board.served.lease_us + 2 * board.served.tick_us
                board.deaf_until_us = self.clock.us + spent_us

    def _tick(self, board: _Board) -> None:
        served = board.served
        span = served.adapter.take_stall()
        if span > 0:
            board.blocked_us = self.clock.us + span
            return
        steps = served.tick(self.clock.us - board.edge_us)
        board.edge_us += steps * served.tick_us
        for line in served.adapter.strained():
            served.say(line)
        if self.clock.paused_us - board.told_us > TELL_US:
            paused = (self.clock.paused_us - board.told_us) // 1000
            board.told_us = self.clock.paused_us
            served.say(f"your computer paused the simulation by {paused} ms")

    def _serve(self, live: list[_Board]) -> None:
        for board in live:
            if board.blocked_us <= self.clock.us:
                board.served.serve()

    def _listen(self, live: list[_Board], wait_s: float) -> None:
        """Wait until a host says something, at most ``wait_s``."""
        listening = [fd for board in live if board.served.listens() and board.blocked_us <= self.clock.us
                     for fd in board.served.stream.inputs()]  # fmt: skip
        if wait_s > 0.0:
            select.select(listening, [], [], wait_s)
