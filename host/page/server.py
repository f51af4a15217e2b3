"""HTTP and WebSocket of the bench page: 127.0.0.1 only, a token, exact Origin and Host.

HTTP serves the page's own static files by GET and nothing else. Every WebSocket handshake needs
the token (as subprotocol: it never stands in a request line), and an Origin and a Host of this
server: no other page that a browser has open can speak to it.
"""

import asyncio
import contextlib
import hmac
import json
import socket
import sys
from pathlib import Path
from typing import Any

from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import FileResponse, PlainTextResponse, Response
from starlette.routing import Route, WebSocketRoute
from starlette.websockets import WebSocket, WebSocketDisconnect

from host.page.desk import Desk, Page

STATIC = Path(__file__).resolve().parent / "static"
TYPES = {".html": "text/html; charset=utf-8", ".js": "text/javascript; charset=utf-8",
         ".css": "text/css; charset=utf-8"}  # fmt: skip
SAFE = {
    "Content-Security-Policy": "default-src 'none'; script-src 'self'; style-src 'self'; img-src data:; "
    "connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
    "X-Content-Type-Options": "nosniff", "X-Frame-Options": "DENY", "Referrer-Policy": "no-referrer",
    "Cache-Control": "no-store", "Cross-Origin-Resource-Policy": "same-origin",
}  # fmt: skip
LONGEST = 16_384


class Gate:
    """Who is let in."""

    def __init__(self, port: int, token: str) -> None:
        self.hosts = {f"127.0.0.1:{port}", f"localhost:{port}"}
        self.origins = {f"http://{host}" for host in self.hosts}
        self.token = token

    def wrong(self, web: WebSocket) -> tuple[str, str] | None:
        """Why a handshake is refused, and what was sent instead; None where it is let in."""
        if web.headers.get("host") not in self.hosts:
            return "foreign Host", repr(web.headers.get("host"))[:80]
        if web.headers.get("origin") not in self.origins:
            return "foreign Origin", repr(web.headers.get("origin"))[:80]
        offered = web.scope.get("subprotocols", [])
        given = offered[1] if len(offered) == 2 and offered[0] == "jointloop" else ""
        if not hmac.compare_digest(given.encode(), self.token.encode()):
            return "wrong or missing token", ""
        return None


def application(desk: Desk, gate: Gate) -> Starlette:
    """The server's routes."""

    async def static(request: Request) -> Response:
        if request.headers.get("host") not in gate.hosts:
            return PlainTextResponse("foreign Host", 403, SAFE)
        name = request.path_params.get("name") or "index.html"
        path = STATIC / name
        if path.parent != STATIC or path.suffix not in TYPES or not path.is_file():
            return PlainTextResponse("not found", 404, SAFE)
        return FileResponse(path, headers={**SAFE, "Content-Type": TYPES[path.suffix]})

    async def link(web: WebSocket) -> None:
        wrong = gate.wrong(web)
        if wrong is not None:
            if desk.refuse("connection", *wrong):
                sys.stderr.write(f"refused a connection: {' '.join(wrong)}\n")
            await web.close(4403)
            return
        await web.accept("jointloop")
        await desk.ready.wait()
        page = desk.enter()
        sender = asyncio.create_task(_send(web, page))
        try:
            await _receive(web, desk, page)
        finally:
            desk.leave(page)
            sender.cancel()

    return Starlette(
        routes=[
            Route("/", static, methods=["GET"]),
            Route("/{name}", static, methods=["GET"]),
            WebSocketRoute("/link", link),
        ]
    )


def serve(desk: Desk, gate: Gate, listening: socket.socket) -> None:
    """Serve until interrupted, or until the desk cannot be opened (``desk.failed`` then says why)."""
    import uvicorn

    config = uvicorn.Config(application(desk, gate), log_level="error", ws="auto", lifespan="off",
                            timeout_graceful_shutdown=1)  # fmt: skip
    server = uvicorn.Server(config)

    async def both() -> None:
        opening = asyncio.create_task(desk.open())
        serving = asyncio.create_task(server.serve(sockets=[listening]))
        await asyncio.wait({opening, serving}, return_when=asyncio.FIRST_COMPLETED)
        if not opening.done():  # interrupted before the boards had answered
            opening.cancel()
        elif not opening.result():
            server.should_exit = True
        await serving

    asyncio.run(both())


async def _send(web: WebSocket, page: Page) -> None:
    """Send a page what waits for it: words first."""
    with contextlib.suppress(WebSocketDisconnect, RuntimeError):
        while True:
            await page.wake.wait()
            page.wake.clear()
            words, page.words = page.words, []
            for one in words:
                await web.send_text(json.dumps(one, allow_nan=False, default=str))
            blocks, page.blocks = page.blocks, []
            for block in blocks:
                await web.send_bytes(block)


async def _receive(web: WebSocket, desk: Desk, page: Page) -> None:
    """Take what a page asks; several things at a time, so that STOP never waits for a preview."""
    tasks: set[asyncio.Task[None]] = set()
    with contextlib.suppress(WebSocketDisconnect):
        while True:
            asked = _read(await web.receive())
            if asked is None:
                desk.refuse("message", "no JSON object")
                continue
            task = asyncio.create_task(desk.ask(page, asked))
            tasks.add(task)
            task.add_done_callback(tasks.discard)


def _read(message: Any) -> dict[str, Any] | None:
    """The JSON object of a WebSocket message; None for anything else. Raises WebSocketDisconnect."""
    if message["type"] == "websocket.disconnect":
        raise WebSocketDisconnect(message.get("code", 1000))
    text = message.get("text")
    if text is None or len(text) > LONGEST:
        return None
    try:
        asked = json.loads(text)
    except (ValueError, RecursionError):  # the parser nests as deep as the text
        return None
    if not isinstance(asked, dict) or not isinstance(asked.get("id", 0), int):
        return None
    return asked
