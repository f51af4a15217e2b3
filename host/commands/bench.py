"""``jointloop bench``: the bench page, on a virtual board or real ports."""

import contextlib
import secrets
import socket
import sys
import time
from pathlib import Path

from sim.errors import InputError
from sim.joint_file import read_text


def run(paths: list[Path], ports: list[str], runtime: str, http: int, show: bool, seed: int,
        out: Path) -> None:  # fmt: skip
    """Serve the page until interrupted."""
    from host.files import make_folder
    from host.page.link_client import LinkClient
    from host.page.link_process import LOW_SHARE, Wanted

    make_folder(out)
    listening = _listen(http)
    for path in paths:  # before anything is started
        read_text(path)
    link = LinkClient(
        Wanted([str(path) for path in paths], ports, runtime, seed, str(out), LOW_SHARE)
    )
    workshop = None
    try:
        from host.loading import load

        joints = [load(path) for path in paths]
        import uvicorn

        from host.page.compute import executor
        from host.page.desk import Desk
        from host.page.server import Gate, application

        opened = link.wait_ready()
        token = secrets.token_urlsafe(24)
        port = listening.getsockname()[1]
        workshop = executor([str(path) for path in paths])
        desk = Desk(joints, link, opened, workshop)
        config = uvicorn.Config(application(desk, Gate(port, token)), log_level="error", ws="auto",
                                lifespan="on", timeout_graceful_shutdown=1)  # fmt: skip
        url = f"http://127.0.0.1:{port}/#{token}"
        _tell(url, opened, show)
        with contextlib.suppress(KeyboardInterrupt):
            uvicorn.Server(config).run(sockets=[listening])
    finally:
        link.end()
        if workshop is not None:
            workshop.shutdown(wait=False, cancel_futures=True)
    print(f"\nEnded; the drive is off. Recording: {opened['folder']}", flush=True)


def _listen(port: int) -> socket.socket:
    try:
        return socket.create_server(("127.0.0.1", port))
    except (OSError, OverflowError) as error:
        reason = getattr(error, "strerror", None) or "must lie in 0 .. 65535"
        raise InputError("", "--http", port, f"cannot be served: {reason}") from None


def _tell(url: str, opened: dict, show: bool) -> None:
    """Say where the page is, with the cautions; open it where there is a screen."""
    import webbrowser

    if opened["virtual"]:
        print("Virtual board: simulated joints, nothing real moves.")
    else:
        print("Real ports: a motor can move a joint. Keep fingers, hair and clothing out of its way; have\n"
              "the supply's switch within reach. Nothing may be worn by or attached to a person on the\n"
              "strength of this tool: that is for licensed practice and the local code.")  # fmt: skip
    print(f"The bench page (this address is its key; give it to nobody):\n{url}\nCtrl-C ends it, drive first.",
          flush=True)  # fmt: skip
    if show and sys.stdout.isatty():
        with contextlib.suppress(Exception):
            webbrowser.open(url)
            time.sleep(0.1)
