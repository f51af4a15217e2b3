"""Transports: bytes to and from a board, opened by one URL.

    /dev/ttyACM0, COM3, ...      a serial port (pyserial)
    tcp://127.0.0.1:7000         a thin TCP transport of our own
    socket://..., loop://...     whatever pyserial opens
A transport reads what there is (waiting at most ``wait_s``), writes all or
raises, and is closed by its reader alone. Losing the board raises LinkLostError.
"""

import contextlib
import select
import socket
from typing import Any, Protocol

from host.errors import LinkLostError
from sim.errors import InputError

BUSY = b"busy\n"
"""What a TCP board says to a second host before it closes: no frame begins so."""


class Transport(Protocol):
    """Bytes to and from a board."""

    def read(self, wait_s: float) -> bytes:
        """Return what there is, waiting at most ``wait_s`` for a first byte. Raises LinkLostError."""

    def write(self, data: bytes) -> None:
        """Write all of ``data``. Raises LinkLostError."""

    def close(self) -> None:
        """Close it; its reader alone does."""


class SerialTransport:
    """A serial port. ``read(n)`` of pyserial waits for n bytes, so it is asked for what is there."""

    def __init__(self, url: str) -> None:
        import serial

        try:
            self.port: Any = serial.serial_for_url(
                url, do_not_open=True, timeout=0.02, write_timeout=0.5
            )
            with contextlib.suppress(ValueError, AttributeError):
                self.port.exclusive = True
            self.port.dtr = True
            self.port.rts = True
            self.port.open()
        except (serial.SerialException, ValueError, OSError) as error:
            raise InputError("", "--port", url, f"cannot be opened: {_reason(error)}") from None
        with contextlib.suppress(Exception):
            self.port.reset_input_buffer()

    def read(self, wait_s: float) -> bytes:
        """Return what there is, waiting at most ``wait_s`` for a first byte. Raises LinkLostError."""
        import serial

        try:
            self.port.timeout = wait_s
            data = self.port.read(self.port.in_waiting or 1)
            if data and self.port.in_waiting:
                data += self.port.read(self.port.in_waiting)
        except (serial.SerialException, OSError, TypeError) as error:
            raise LinkLostError(_reason(error)) from None
        return bytes(data)

    def write(self, data: bytes) -> None:
        """Write all of ``data``. Raises LinkLostError."""
        import serial

        try:
            self.port.write(data)
        except (serial.SerialException, OSError, TypeError) as error:
            raise LinkLostError(_reason(error)) from None

    def close(self) -> None:
        """Close the port."""
        with contextlib.suppress(Exception):
            self.port.close()


class TcpTransport:
    """A TCP connection to 127.0.0.1 or elsewhere."""

    def __init__(self, url: str) -> None:
        host, _, port = url.removeprefix("tcp://").rpartition(":")
        try:
            number = int(port)
            if not 0 < number < 65536:  # the system would take the rest of a division
                raise ValueError("a port must lie in 1 .. 65535")
            self.socket = socket.create_connection((host or "127.0.0.1", number), timeout=2.0)
        except (OSError, ValueError) as error:
            raise InputError("", "--port", url, f"cannot be opened: {_reason(error)}") from None
        self.socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self.socket.settimeout(0.5)
        self.heard = False

    def read(self, wait_s: float) -> bytes:
        """Return what there is, waiting at most ``wait_s``. Raises LinkLostError."""
        try:
            if not select.select([self.socket], [], [], wait_s)[0]:
                return b""
            data = self.socket.recv(65536)
        except (OSError, ValueError) as error:
            raise LinkLostError(_reason(error)) from None
        if not data:
            raise LinkLostError("the board closed the connection")
        if not self.heard and data.startswith(BUSY):
            raise LinkLostError("busy: another host uses this board")
        self.heard = True
        return data

    def write(self, data: bytes) -> None:
        """Write all of ``data``. Raises LinkLostError."""
        try:
            self.socket.sendall(data)
        except OSError as error:
            self.read(0.0)  # what was said before it closed, most of all why
            raise LinkLostError(_reason(error)) from None

    def close(self) -> None:
        """Close the connection."""
        with contextlib.suppress(OSError):
            self.socket.close()


def _reason(error: Exception) -> str:
    text = getattr(error, "strerror", None) or str(error)
    return str(text).split("\n", 1)[0]


def open_url(url: str) -> Transport:
    """Open a transport by its URL. Raises InputError."""
    if url.startswith("tcp://"):
        return TcpTransport(url)
    return SerialTransport(url)
