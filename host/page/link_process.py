"""The process that owns the ports: nothing that the page's server computes can starve its beat.

It is told what to do over a pipe and answers over it; STOP comes over a second pipe, read by a
thread of its own, so that it waits for nothing. The server beats: falls it silent while a joint
is powered, the joints are stopped; ends the pipe, the drive goes off and the process ends.
"""

import contextlib
import queue
import threading
import time
from multiprocessing.connection import Connection
from typing import Any

from host.page.link import Link
from host.page.opening import Opening
from host.page.orders import AGAIN, VOIDED

SILENCE_S = 0.6
"""Server silent for so long while a joint is powered: a controlled stop."""
BLOCK_S, STATUS_S = 0.03, 0.2


def serve(opening: Opening, pipe: Connection, urgent: Connection, board: Any) -> None:
    """Serve the pipe until it ends. board: the process of a virtual board, where one was begun."""
    import signal

    from sim.errors import InputError

    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the server decides when this ends
    lock = threading.Lock()

    def say(message: tuple[Any, ...]) -> None:
        with lock, contextlib.suppress(OSError):
            pipe.send(message)

    try:
        link = Link(opening, say, board)
    except InputError as error:
        say(("failed", str(error)))
        return
    say(("ready", {
        "virtual": link.session.virtual, "folder": str(link.folder), "fields": link.fields,
        "every": link.every, "gains": [link.gains(k) for k in range(len(link.joints))], "ports": [bridge.url for bridge in link.session.bridges],
        "single": any(board.identity.flags & 2 for board in link.session.boards),
    }))  # fmt: skip

    def stops() -> None:
        with contextlib.suppress(EOFError, OSError):
            while True:
                number, category = urgent.recv()
                try:
                    say(("answer", number, True, link.stop(category)))
                except Exception as error:
                    say(("answer", number, False, str(error)))

    threading.Thread(target=stops, name="stops", daemon=True).start()
    jobs: Any = queue.SimpleQueue()
    threading.Thread(target=_work, args=(link, jobs, say), name="orders", daemon=True).start()
    threading.Thread(target=link.find, name="finder", daemon=True).start()
    try:
        _serve(link, pipe, jobs, say)
    finally:
        link.close()


def recording_failure(link: Link) -> str:
    """Why the recording ended, in words."""
    from sim.errors import InputError

    try:
        link.recorder.check()
    except InputError as error:
        return str(error)
    return ""


def _work(link: Link, jobs: Any, say: Any) -> None:
    """Do what is asked, one after the other; whatever goes wrong is an answer."""
    while True:
        stops, number, name, arguments = jobs.get()
        try:
            with link.orders:
                if name in VOIDED and stops != link.stops:
                    say(("answer", number, False, "a stop came in between; ask again"))
                    continue
                done = getattr(link, name)(*arguments)
            if name in AGAIN and stops != link.stops:
                link.stop(AGAIN[name])
            say(("answer", number, True, done))
        except Exception as error:
            say(("answer", number, False, str(error)))


def _serve(link: Link, pipe: Connection, jobs: Any, say: Any) -> None:
    heard = flushed = told = time.monotonic()
    while True:
        try:
            while pipe.poll(0.01):
                message = pipe.recv()
                heard = time.monotonic()
                if message[0] == "end":
                    return
                if message[0] == "do":
                    jobs.put((link.stops, *message[1:]))
        except (EOFError, OSError):
            return  # the server is gone: close() takes the drive off
        now = time.monotonic()
        if now - heard > SILENCE_S and link.powered and not link.stopped_for_silence:
            link.stopped_for_silence = True
            link.stop(1)
            link.recorder.event("stopped", {"why": "the page's server was silent"})
            say(("event", "silent", {"seconds": now - heard}))
        if link.recorder.failed is not None and not link.recording_failed:
            link.recording_failed = True
            link.stop(1)
            say(("event", "recording_failed", {"text": recording_failure(link)}))
        if now - flushed >= BLOCK_S:
            flushed = now
            link.flush()
        if now - told >= STATUS_S:
            told = now
            say(("status", link.status()))
