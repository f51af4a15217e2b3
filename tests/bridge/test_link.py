"""Transports: what there is is read, all is written or told, a lost board is lost."""

import os
import select
import socket
import struct

import pytest

from controller.wire import framing
from controller.wire import messages as m
from host.errors import LinkLostError
from host.link.bridge import Bridge
from host.link.transport import SerialTransport, TcpTransport, open_url
from host.virtual import streams
from host.virtual.streams import FdStream, SocketStream, open_pty
from sim.errors import InputError
from tests.waiting import until


@pytest.fixture
def server():
    with socket.create_server(("127.0.0.1", 0)) as made:
        yield made


def test_tcp_reads_what_there_is_and_does_not_wait_for_more(server):
    transport = open_url(f"tcp://127.0.0.1:{server.getsockname()[1]}")
    other, _ = server.accept()
    assert isinstance(transport, TcpTransport)
    assert transport.read(0.01) == b""
    other.sendall(b"abc")
    assert transport.read(1.0) == b"abc"
    transport.write(b"x" * 5000)
    got = b""
    while len(got) < 5000:
        got += other.recv(5000)
    assert got == b"x" * 5000
    transport.close()
    other.close()


def test_tcp_tells_that_the_board_closed_the_connection(server):
    transport = open_url(f"tcp://127.0.0.1:{server.getsockname()[1]}")
    other, _ = server.accept()
    other.close()
    with pytest.raises(LinkLostError, match="closed the connection"):
        transport.read(1.0)
    transport.close()
    for call in (lambda: transport.read(0.01), lambda: transport.write(b"x")):
        with pytest.raises(LinkLostError):
            call()


def test_tcp_write_to_a_board_that_does_not_read_ends(server):
    transport = open_url(f"tcp://127.0.0.1:{server.getsockname()[1]}")
    other, _ = server.accept()
    with pytest.raises(LinkLostError):
        transport.write(b"x" * 100_000_000)
    other.close()
    transport.close()


@pytest.mark.parametrize(
    "url",
    ["tcp://127.0.0.1:1", "tcp://127.0.0.1", "tcp://", "tcp://127.0.0.1:abc",
     "tcp://127.0.0.1:99999", "tcp://127.0.0.1:-1", "/dev/no-such-port", "", "nonsense://x",
     "socket://127.0.0.1:1"],
)  # fmt: skip
def test_urls_that_cannot_be_opened_are_told(url):
    with pytest.raises(InputError) as caught:
        open_url(url)
    assert caught.value.key == "--port"
    assert caught.value.value == url
    assert "cannot be opened" in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_serial_port_reads_what_there_is():
    stream, name, keep = open_pty()
    transport = open_url(name)
    assert isinstance(transport, SerialTransport)
    assert transport.read(0.02) == b""  # and does not wait for more
    assert stream.write(b"\x03\x7e\x00\xff")
    assert transport.read(1.0) == b"\x03\x7e\x00\xff"
    transport.write(b"\x01\x0d\x0a\x11\x13")
    got = bytearray()

    def whole():
        got.extend(stream.read(64))
        return len(got) >= 5

    assert until(whole)
    assert got == b"\x01\x0d\x0a\x11\x13"
    transport.close()
    for fd in keep:
        os.close(fd)


def test_an_unplugged_serial_port_is_a_lost_link():
    _, name, keep = open_pty()
    transport = open_url(name)
    for fd in keep:
        os.close(fd)
    with pytest.raises(LinkLostError):
        transport.read(0.5)
    transport.close()


def test_a_serial_port_in_use_is_told():
    _, name, keep = open_pty()
    first = open_url(name)
    with pytest.raises(InputError, match="cannot be opened"):
        open_url(name)
    first.close()
    for fd in keep:
        os.close(fd)


# --- the virtual board's end


def test_a_second_host_on_tcp_is_told_that_the_board_is_busy():
    stream = SocketStream()
    first = open_url(f"tcp://127.0.0.1:{stream.port}")
    stream.read(64)
    second = open_url(f"tcp://127.0.0.1:{stream.port}")
    stream.read(64)
    with pytest.raises(LinkLostError, match="busy"):
        second.read(1.0)
    assert stream.write(b"hello")
    assert first.read(1.0) == b"hello"
    second.close()
    first.close()
    third = open_url(f"tcp://127.0.0.1:{stream.port}")

    def third_is_host():
        stream.read(64)  # the end of the first one may take a moment to arrive
        return (
            stream.host is not None
            and stream.host.getpeername()[1] == third.socket.getsockname()[1]
        )

    def alone():
        stream.read(64)
        return stream.host is None

    assert until(third_is_host)
    assert stream.write(b"next")
    assert third.read(1.0) == b"next"
    third.close()
    assert until(alone)
    assert stream.write(b"nobody hears")
    stream.server.close()


@pytest.mark.skipif(
    not hasattr(select, "POLLRDHUP"), reason="the system does not tell of a closed end"
)
def test_a_host_that_has_closed_makes_room_though_its_last_words_are_unread():
    stream = SocketStream()
    first = open_url(f"tcp://127.0.0.1:{stream.port}")
    stream.read(64)
    first.write(b"last words")
    first.close()
    second = open_url(f"tcp://127.0.0.1:{stream.port}")
    stream.read(64)
    assert stream.write(b"hello")
    assert second.read(30.0) == b"hello"
    second.close()
    stream.server.close()


def test_a_host_that_is_not_heard_makes_room(monkeypatch):
    stream = SocketStream()
    open_first = open_url(f"tcp://127.0.0.1:{stream.port}")
    stream.read(64)
    monkeypatch.setattr("host.virtual.streams.SILENT_S", 0.0)
    second = open_url(f"tcp://127.0.0.1:{stream.port}")
    stream.read(64)
    assert stream.write(b"hello")
    assert second.read(1.0) == b"hello"
    for one in (open_first, second):
        one.close()
    stream.server.close()


def test_a_bare_ctrl_c_interrupts_the_virtual_board():
    stream = SocketStream()
    host = open_url(f"tcp://127.0.0.1:{stream.port}")
    stream.read(64)
    host.write(b"\x03")
    with pytest.raises(KeyboardInterrupt):
        until(lambda: stream.read(64) is None, 60.0)  # as soon as it has come
    host.close()
    stream.server.close()


class Narrow:
    """Stands for a descriptor with room for so many octets at a time."""

    def __init__(self, rooms):
        self.rooms = list(rooms)
        self.out = b""

    def write(self, _fd, data):
        room = self.rooms.pop(0) if self.rooms else 1 << 20
        if room == 0:
            raise BlockingIOError
        self.out += bytes(data[:room])
        return min(room, len(data))


@pytest.mark.parametrize("rooms", [[5, 3, 100], [5, 0, 3, 2, 0, 100], [0, 4, 1, 1, 1, 1, 1]])
def test_a_full_port_tears_no_frame(rooms, monkeypatch):
    """Frames are taken whole or refused; whatever room there is, they leave unmixed and in order."""
    narrow = Narrow(rooms)
    stream = FdStream.__new__(FdStream)
    stream.fd_in = stream.fd_out = -1
    stream.rest = b""
    monkeypatch.setattr(streams.os, "write", narrow.write)
    frames = [framing.encode(bytes((m.TEXT, k)) + b"frame %d" % k) for k in range(4)]
    taken = []
    for _ in range(60):
        if len(taken) < len(frames) and stream.write(frames[len(taken)]):
            taken.append(frames[len(taken)])
    assert len(taken) == 4
    assert narrow.out + stream.rest == b"".join(frames)


def test_a_board_in_another_process_is_reached_over_tcp(processes):
    """Greeting, settings' read-back and beats over the thin TCP transport."""
    url = processes("one").url
    bridge = Bridge(open_url(url), url)
    try:
        found = bridge.greet()
        assert found.virtual
        assert found.joints == 1
        bridge.beat()
        payload = bridge.request(m.READ, struct.pack("<BHB", 0, 0, 1))
        assert payload[0] == m.VALUES
        assert struct.unpack_from("<f", payload, 5)[0] == pytest.approx(0.002)
        assert until(lambda: bridge.board_tick > 0)
    finally:
        bridge.close()
    assert bridge.counters.bad == 0
