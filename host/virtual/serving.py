"""Serving a virtual board, on a pty or over TCP, under any runtime."""

import contextlib
import gc
import json
import os
import sys
import threading
from functools import partial
from typing import TYPE_CHECKING, Any

from host.virtual.starting import Job
from sim.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Callable

    from host.virtual.loop import BoardLoop, Served


AT_END: "list[Callable[[], object]]" = []
"""What is to be undone where the program ends with its input."""


def end_with_input() -> None:
    """From now on, end the process when its standard input ends."""

    def work() -> None:
        while os.read(0, 4096):  # not sys.stdin: its lock would be held while the program ends
            pass
        for undo in AT_END:
            undo()
        os._exit(0)

    threading.Thread(target=work, daemon=True).start()


def announce(urls: list[str], joints: int, quiet: bool, runtime: str) -> None:
    """Tell where the boards are: a JSON line for programs, words for people."""
    if quiet:
        print(json.dumps({"url": urls[0], "urls": urls}), flush=True)
        return
    name = {"micropython": "MicroPython", "c": "CPython, its tick as C"}.get(runtime, "CPython")
    print(f"A VIRTUAL board with {joints} simulated joint(s), under {name}. Nothing real moves.")
    print(f"Port: {urls[0]}\nUse it with --port {urls[0]}; Ctrl-C ends it.")
    if sys.stdin.isatty():
        from host.virtual.faults import help_lines

        print("Type one of these words (and a joint's number) to make it go wrong:")
        print("\n".join(help_lines()))
    sys.stdout.flush()


def listen(loop: "BoardLoop") -> None:
    """Take words from the terminal, on a thread of its own; the loop acts on them between ticks."""
    from host.virtual.faults import read_words

    adapter = loop.boards[0].served.adapter

    def work() -> None:
        for line in sys.stdin:
            if not line.strip():
                continue
            try:
                joint, injects = read_words(line, len(adapter.numbers))
            except InputError as error:
                print(f"  {error}", flush=True)
                continue
            for one in injects:
                loop.orders.put(partial(adapter.meddle, joint, *one))
            print(f"  done: {line.strip()}", flush=True)

    threading.Thread(target=work, name="words", daemon=True).start()


def serve(job: Job, runtime: str, tcp: int | None, quiet: bool) -> None:
    """Serve the boards of a job under a runtime until interrupted. Raises InputError."""
    from host.virtual.clock import PatientClock
    from host.virtual.loop import BoardLoop
    from host.virtual.mechanism import Mechanism

    clock = PatientClock()
    mechanism = Mechanism(job)
    with contextlib.ExitStack() as stack:
        opened = [_open(tcp, stack) for _ in job.boards]
        nodes = [_node(mechanism, clock, runtime, job, number, stream, stack)
                 for number, (stream, _) in enumerate(opened)]  # fmt: skip
        loop = BoardLoop(nodes, clock)
        loop.begin()
        mechanism.advance(clock.us + 1000)  # compile before anybody is told
        mechanism.now_us = clock.us
        gc.collect()
        gc.freeze()  # what the board is made of is not looked through again
        announce([url for _, url in opened], len(job.parts), quiet, runtime)
        if not quiet and sys.stdin.isatty():
            listen(loop)
        loop.run()  # the drive is off on every way out


def _open(tcp: int | None, stack: contextlib.ExitStack) -> tuple[Any, str]:
    """A stream and its URL: a pty where there are such, else a TCP port."""
    from host.virtual.streams import SocketStream, open_pty

    if tcp is not None or not hasattr(os, "openpty"):
        stream = SocketStream(tcp or 0)
        return stream, f"tcp://127.0.0.1:{stream.port}"
    pty, url, keep = open_pty()
    for descriptor in keep:
        stack.callback(os.close, descriptor)
    return pty, url


def _node(mechanism: Any, clock: Any, runtime: str, job: Job, number: int, stream: Any,
          stack: contextlib.ExitStack) -> "Served":  # fmt: skip
    from host.virtual.adapter import Adapter
    from host.virtual.board import node_of
    from host.virtual.loop import LocalNode
    from host.virtual.remote import RemoteNode

    tick_us, numbers = job.boards[number]
    adapter = Adapter(mechanism, numbers, clock)
    if runtime == "micropython":
        remote = RemoteNode(adapter, stream, tick_us, job.build)
        stack.callback(remote.close)
        AT_END.append(remote.close)
        return remote
    return LocalNode(
        node_of(adapter, stream, tick_us, job.build, clock, runtime == "c"), adapter, stream
    )
