"""``jointloop bench``: the bench page, on a virtual board or real ports."""

import contextlib
import secrets
import socket
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated

import typer

from host.commands.shared.arguments import RUNS, Out, Ports, Runtime, Seed
from sim.errors import InputError
from sim.reading import read_text

EXAMPLE = "bench finger.toml"


def run(
    paths: Annotated[
        list[Path],
        typer.Argument(metavar="JOINT", help="Joint files, one for each joint; or one hand file."),
    ],
    port: Ports = None,
    runtime: Runtime = "cpython",
    http: Annotated[
        int, typer.Option("--http", help="TCP port of the page on 127.0.0.1 (0: any).")
    ] = 0,
    show: Annotated[bool, typer.Option("--browser/--no-browser", help="Open the browser.")] = True,
    seed: Seed = 1,
    out: Out = RUNS,
) -> None:
    """Open the bench page: see, jog, adjust and stop in a browser; recorded while it runs."""
    from host.files import make_folder
    from host.page.link_client import LinkClient
    from host.page.opening import Opening

    ports = port or []
    make_folder(out)
    listening = _listen(http)
    for path in paths:  # before anything is started
        read_text(path)
    link = LinkClient(Opening([str(path) for path in paths], ports, runtime, seed, str(out)))
    desk = None
    door = contextlib.ExitStack()
    try:
        from host.page.joints import read

        joints, hand = read([str(path) for path in paths])
        virtual = not ports
        if hand is not None:
            from host.virtual.hand_boards import all_virtual

            virtual = all_virtual(hand, ports)
        from host.page.server import Gate, serve

        token = secrets.token_urlsafe(24)
        number = listening.getsockname()[1]
        if not virtual:  # a port that cannot be opened is said before any page is offered
            link.wait_ready()
        from host.page.desk import Desk

        desk = Desk(joints, link, [str(path) for path in paths])
        url = f"http://127.0.0.1:{number}/#{token}"
        _tell(url, virtual)
        if show and sys.stdout.isatty():
            door.enter_context(_shown(url))
        with contextlib.suppress(KeyboardInterrupt):
            serve(desk, Gate(number, token), listening)
    finally:
        door.close()
        link.end()
        if desk is not None:
            desk.end()
    if desk.failed is not None:
        raise desk.failed
    kept = f" Recording: {link.opened['folder']}" if link.opened else ""
    print(f"\nEnded; the drive is off.{kept}", flush=True)


def _listen(port: int) -> socket.socket:
    try:
        return socket.create_server(("127.0.0.1", port))
    except (OSError, OverflowError) as error:
        reason = getattr(error, "strerror", None) or "must lie in 0 .. 65535"
        raise InputError("", "--http", port, f"cannot be served: {reason}") from None


def _tell(url: str, virtual: bool) -> None:
    """Say where the page is, with the cautions."""
    if virtual:
        print("Virtual board: simulated joints, nothing real moves.")
    else:
        print("Real ports: a motor can move a joint. Keep fingers, hair and clothing out of its way; have\n"
              "the supply's switch within reach. Nothing may be worn by or attached to a person on the\n"
              "strength of this tool: that is for licensed practice and your local codes.")  # fmt: skip
    print(f"The bench page (this address is its key; give it to nobody):\n{url}\nCtrl-C ends it, drive first.",
          flush=True)  # fmt: skip


@contextlib.contextmanager
def _shown(url: str) -> Iterator[None]:
    """Open the page in a browser, by a file that only its owner can read; it is removed afterwards.

    Every account can read a browser's command line: the address is a key and must not stand there.
    """
    import tempfile
    import webbrowser

    number, name = tempfile.mkstemp(".html", "jointloop-")  # mode 0600
    path = Path(name)
    try:
        with open(number, "w", encoding="utf-8") as file:
            file.write('<!doctype html><meta charset="utf-8"><meta name="referrer" content="no-referrer">'
                       f'<meta http-equiv="refresh" content="0; url={url}"><title>bench</title>')  # fmt: skip
        with contextlib.suppress(Exception):
            webbrowser.open(path.as_uri())
        yield
    finally:
        path.unlink(missing_ok=True)
