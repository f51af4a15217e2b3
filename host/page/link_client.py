"""The server's end of the pipe to the process that owns the ports."""

import asyncio
import contextlib
import itertools
import multiprocessing
import signal
import threading
from collections.abc import Callable, Iterator
from typing import Any

from host.page.link_main import main
from host.page.opening import Opening
from sim.errors import InputError

BEAT_S = 0.1


@contextlib.contextmanager
def no_interrupts() -> Iterator[None]:
    """Processes begun here do not see Ctrl-C: whoever began them ends them, drive first."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


class LinkClient:
    """Starts the link's process, beats for it, asks it and passes on what it tells."""

    def __init__(self, opening: Opening) -> None:
        """Start the process; ``wait_ready`` waits until the boards have answered."""
        context = multiprocessing.get_context("spawn")
        self.pipe, theirs = context.Pipe()
        self.urgent, theirs_too = context.Pipe()
        self.process = context.Process(
            target=main, args=(opening, theirs, theirs_too), daemon=False
        )
        with no_interrupts():
            self.process.start()
        theirs.close()
        theirs_too.close()
        self.listeners: list[Callable[[tuple[Any, ...]], None]] = []
        self._numbers = itertools.count(1)
        self._waiting: dict[int, asyncio.Future[tuple[bool, Any]]] = {}
        self._loop: asyncio.AbstractEventLoop | None = None
        self._send_lock = threading.Lock()
        self.ending = False
        self.opened: dict[str, Any] = {}
        """What the process opened, once it is ready."""

    def wait_ready(self) -> dict[str, Any]:
        """Wait for what the process opened, and return it. Raises InputError where it could not."""
        if self.opened:
            return self.opened
        try:
            kind, data, *_ = self.pipe.recv()
            while kind not in ("ready", "failed"):  # boards may tell of themselves at once
                kind, data, *_ = self.pipe.recv()
        except EOFError:
            raise InputError("", "--port", None, "the link's process ended at its start") from None
        if kind == "failed":
            self.process.join(2.0)
            raise InputError("", "", None, str(data).lstrip(": "))
        self.opened = dict(data)
        return self.opened

    def begin(self, loop: asyncio.AbstractEventLoop) -> None:
        """Pass on what comes, on this loop; begin to beat."""
        self._loop = loop
        threading.Thread(target=self._read, name="link-pipe", daemon=True).start()
        self._beats = loop.create_task(self._beat())

    def _read(self) -> None:
        assert self._loop is not None
        with contextlib.suppress(EOFError, OSError, RuntimeError):
            while True:
                self._loop.call_soon_threadsafe(self._take, self.pipe.recv())
        with contextlib.suppress(RuntimeError):  # the loop may be closed already
            self._loop.call_soon_threadsafe(self._take, ("event", "link_ended", {}))

    def _take(self, message: tuple[Any, ...]) -> None:
        if message[0] == "answer":
            _, number, good, data = message
            waiting = self._waiting.pop(number, None)
            if waiting is not None and not waiting.done():
                waiting.set_result((good, data))
            return
        if message[:2] == ("event", "link_ended"):
            for waiting in self._waiting.values():
                if not waiting.done():
                    waiting.set_result((False, "the link's process has ended"))
            self._waiting.clear()
        for listener in self.listeners:
            listener(message)

    async def _beat(self) -> None:
        while True:
            self._send(("beat",))
            await asyncio.sleep(BEAT_S)

    def _send(self, message: tuple[Any, ...]) -> None:
        with self._send_lock, contextlib.suppress(OSError):
            self.pipe.send(message)

    async def ask(self, name: str, *arguments: Any) -> tuple[bool, Any]:
        """Ask the process to do something; (done, result or words)."""
        number = next(self._numbers)
        future = asyncio.get_running_loop().create_future()
        self._waiting[number] = future
        self._send(("do", number, name, arguments))
        return await self._within(future, 6.0)

    async def stop(self, category: int = 0) -> tuple[bool, Any]:
        """STOP: by the pipe that waits for nothing."""
        number = next(self._numbers)
        future = asyncio.get_running_loop().create_future()
        self._waiting[number] = future
        with contextlib.suppress(OSError):
            self.urgent.send((number, category))
        return await self._within(future, 3.0)

    async def _within(self, future: "asyncio.Future[tuple[bool, Any]]", wait_s: float) -> tuple[bool, Any]:  # fmt: skip
        try:
            return await asyncio.wait_for(future, wait_s)
        except TimeoutError:
            return False, "no answer from the link's process"

    def end(self) -> None:
        """Drive off, recording closed, process ended."""
        self.ending = True
        if not self.opened:  # it has not begun to listen, and nothing was armed
            self.process.terminate()
        elif self.process.is_alive():
            self._send(("end",))
        self.process.join(4.0)
        if self.process.is_alive():
            self.process.kill()
        self.pipe.close()
        self.urgent.close()
