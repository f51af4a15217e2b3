"""Streams of a virtual board, none of which waits: a pty (the real serial path), or TCP on 127.0.0.1."""

import contextlib
import os
import select
import socket
import time

from host.link.transport import BUSY
from sim.errors import InputError


def interrupts(data: bytes) -> bytes:
    """Raise KeyboardInterrupt at a bare 0x03, as the port of a real board does."""
    if b"\x03" in data:
        raise KeyboardInterrupt
    return data


class FdStream:
    """A stream on file descriptors that never waits (a pty, or standard streams)."""

    def __init__(self, fd_in: int, fd_out: int) -> None:
        self.fd_in, self.fd_out = fd_in, fd_out
        self.rest = b""
        os.set_blocking(fd_in, False)
        os.set_blocking(fd_out, False)

    def inputs(self) -> list[int]:
        """Descriptors that can be read when a host says something."""
        return [self.fd_in]

    def read(self, most: int) -> bytes:
        """Return what there is, at most ``most`` octets. Raises KeyboardInterrupt at a bare 0x03."""
        try:
            return interrupts(os.read(self.fd_in, most))
        except BlockingIOError:
            return b""
        except OSError:
            return b""  # nobody has the other end of the pty open

    def write(self, data: bytes) -> bool:
        """Write a frame; False where there is no room, the frame then stays the caller's."""
        if self.rest:
            self._push(self.rest)
            if self.rest:
                return False
        return self._push(data, first=True)

    def _push(self, data: bytes, first: bool = False) -> bool:
        try:
            done = os.write(self.fd_out, data)
        except BlockingIOError:
            done = 0
        except OSError:
            done = len(data)  # nobody listens: gone
        self.rest = data[done:] if done or not first else b""
        return done > 0 or (not first and not self.rest)


def hung_up(peer: socket.socket) -> bool:
    """Tell whether the other end has closed, where the system tells so before all is read."""
    wanted = getattr(select, "POLLRDHUP", 0)
    if not wanted:
        return False
    asked = select.poll()
    asked.register(peer, wanted)
    return bool(asked.poll(0))


SILENT_S = 1.0
"""A host that was not heard for so long makes room for another."""


class SocketStream:
    """A stream on a listening TCP socket: one host at a time.

    Another one is told ``BUSY`` and let go, as long as the first was heard within ``SILENT_S``.
    """

    def __init__(self, port: int = 0) -> None:
        try:
            self.server = socket.create_server(("127.0.0.1", port))
        except (OSError, OverflowError) as error:
            reason = getattr(error, "strerror", None) or "must lie in 0 .. 65535"
            raise InputError("", "--tcp", port, f"cannot be served: {reason}") from None
        self.server.setblocking(False)
        self.port = self.server.getsockname()[1]
        self.host: socket.socket | None = None
        self.rest = b""
        self.heard_s = 0.0
        self.refused: list[socket.socket] = []
        """Hosts that were told ``BUSY`` and have not gone yet."""

    def _accept(self) -> None:
        for one in self.refused[:]:
            with contextlib.suppress(BlockingIOError):
                try:
                    gone = one.recv(4096) == b""
                except ConnectionError:
                    gone = True
                if gone:
                    one.close()
                    self.refused.remove(one)
        with contextlib.suppress(BlockingIOError):
            host, _ = self.server.accept()
            if self.host is not None and self._alive():
                with contextlib.suppress(OSError):
                    host.send(BUSY)
                    host.shutdown(socket.SHUT_WR)
                host.setblocking(False)
                self.refused.append(host)  # closed with its words unread, it might never hear ours
                return
            host.setblocking(False)
            host.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            if self.host is not None:
                self.host.close()
            self.host, self.rest = host, b""
            self.heard_s = time.monotonic()

    def _alive(self) -> bool:
        """Tell whether the host is still there: not closed, and heard of lately."""
        assert self.host is not None
        if hung_up(self.host):  # though what it said last is still to be read
            return False
        try:
            if self.host.recv(1, socket.MSG_PEEK) == b"":
                return False
        except BlockingIOError:
            return time.monotonic() - self.heard_s < SILENT_S
        except OSError:
            return False
        return True

    def inputs(self) -> list[int]:
        """Descriptors that can be read when a host says something, or a new one comes."""
        return [one.fileno() for one in (self.server, self.host) if one is not None]

    def read(self, most: int) -> bytes:
        """Return what there is, at most ``most`` octets. Raises KeyboardInterrupt at a bare 0x03."""
        self._accept()
        if self.host is None:
            return b""
        try:
            data = self.host.recv(most)
        except BlockingIOError:
            return b""
        except OSError:
            data = b""
        if not data:
            self.host.close()
            self.host = None
        self.heard_s = time.monotonic()
        return interrupts(data)

    def write(self, data: bytes) -> bool:
        """Write a frame; False where there is no room, the frame then stays the caller's."""
        if self.host is None:
            return True
        try:
            if self.rest:
                done = self.host.send(self.rest)
                self.rest = self.rest[done:]
                if self.rest:
                    return False
            done = self.host.send(data)
            self.rest = data[done:]
        except BlockingIOError:
            return False
        except OSError:
            return True
        return True


def open_pty() -> tuple[FdStream, str, list[int]]:
    """Open a raw pty; return its stream, the name for the host, descriptors to keep."""
    import pty
    import tty

    ours, theirs = pty.openpty()
    tty.setraw(theirs)
    return FdStream(ours, ours), os.ttyname(theirs), [ours, theirs]
