"""``jointloop deploy``: the control layer onto a board, and a look whether it is there."""

import contextlib
import os
import struct
import time
from pathlib import Path
from typing import Annotated

import typer

from host.commands.shared.arguments import Json
from host.commands.shared.terminal import Terminal, plain
from sim.errors import InputError

RECOVERY = """\
If the board does not come back: 1 unplug the motor supply; 2 `mpremote connect PORT` and press Ctrl-C;
3 hold the stay pin low while plugging in, then try again; 4 hold the boot button while plugging in and
put the MicroPython image back. The drive stays off in all of these."""


EXAMPLE = "deploy /dev/ttyACM0 --board board.json --joint finger.toml"


def run(
    port: Annotated[str, typer.Argument(help="Serial port of the board.")],
    joint: Annotated[
        list[Path] | None,
        typer.Option(
            "--joint", help="Joint file of each joint of the board, in its order: bounds its force."
        ),
    ] = None,
    wiring_path: Annotated[
        Path, typer.Option("--board", help="Wiring of the board (JSON).")
    ] = Path("board.json"),
    cross: Annotated[
        bool, typer.Option("--mpy", help="Cross-compile the program: a quicker start.")
    ] = False,
    build_code: Annotated[
        bool,
        typer.Option(
            "--build", help="First make the machine code anew, after changes in controller/."
        ),
    ] = False,
    as_json: Json = False,
) -> None:
    """Put the control code onto a board, and verify that it is there."""
    terminal = Terminal(as_json)
    if build_code:
        from sim.translate import image

        for line in image.make_all():
            terminal.say(line)
    terminal.say(f"Deploying to {plain(port)} ...")
    from host.commands.shared.loading import load
    from host.link.deployment import deploy
    from host.link.wiring import bound, read_wiring

    wiring = read_wiring(wiring_path)
    bound(wiring, [load(path) for path in joint or []])
    leave(port)
    command = os.environ.get("JOINTLOOP_MPREMOTE")
    with terminal.progress() as progress:
        task = progress.add_task("copying", total=100, note="")

        def tell(done: int, total: int, name: str) -> None:
            progress.update(task, completed=round(100 * done / total), note=name)

        build = deploy(port, wiring, cross, tell, command.split() if command else None)
    terminal.say("Restarted; asking who it is ...")
    try:
        shown = identity(port, build)
    except InputError:
        terminal.say(RECOVERY)
        raise
    terminal.say(shown + "\n" + RECOVERY)
    terminal.result({"port": port, "build": build, "identity": shown})


def leave(port: str) -> None:
    """Ask a running node to go back to the prompt; silence is fine."""
    from controller.wire import messages as m
    from host.errors import LinkLostError, NoAnswerError, RefusedError
    from host.link.bridge import Bridge
    from host.link.transport import open_url

    bridge = Bridge(open_url(port), port)
    with contextlib.suppress(NoAnswerError, RefusedError, LinkLostError, InputError):
        bridge.greet(0.5)
        bridge.request(m.LEAVE, struct.pack("<I", m.LEAVE_MAGIC))
    bridge.close()
    time.sleep(0.2)


def identity(port: str, build: int) -> str:
    """Greet the board and compare its build number. Raises InputError."""
    from host.errors import LinkLostError, NoAnswerError
    from host.link.bridge import Bridge
    from host.link.transport import open_url

    deadline = time.monotonic() + 8.0
    while True:
        try:
            bridge = Bridge(open_url(port), port)
            try:
                found = bridge.greet(1.0)
            finally:
                bridge.close()
            break
        except (NoAnswerError, LinkLostError, InputError):
            if time.monotonic() > deadline:
                raise InputError("", "--port", port, "does not answer after the restart; "
                                 "see the recovery steps") from None  # fmt: skip
            time.sleep(0.5)
    if found.build != build:
        raise InputError("", "--port", port, f"runs other code (build {found.build:08x}, not "
                         f"{build:08x}); deploy again")  # fmt: skip
    if found.half:
        raise InputError("", "--port", port, "says that it was half written; deploy again")
    fits = "fits" if found.fits else "does NOT fit: it will refuse to arm"
    return (f"Board: {found.joints} joint(s) at {1e6 / found.tick_us:.0f} Hz, build {found.build:08x}; "
            f"a tick takes {found.cost_us} us, a collection {found.collect_us} us: {fits}.")  # fmt: skip
