"""The link on standard input and output, on real pipes: nothing waits."""

import io
import os
import types

import pytest

from controller.board import stdio
from controller.wire import framing

select = pytest.importorskip("select")
if not hasattr(select, "poll"):
    pytest.skip("no poll on this system", allow_module_level=True)


class Port:
    """One direction of a port: what ``sys.stdin`` or ``sys.stdout`` is on a board."""

    def __init__(self, end, mode):
        self.end = end
        self.buffer = io.FileIO(end, mode[0])
        self.asked = []

    def fileno(self):
        return self.end

    def readinto(self, room):
        self.asked.append(len(room))
        return self.buffer.readinto(room)


class Poll:
    """What MicroPython's ``poll`` object has beside: an iterator that allocates nothing."""

    def __init__(self):
        self.real = select.poll()
        self.register = self.real.register

    def ipoll(self, wait):
        return iter(self.real.poll(wait))


@pytest.fixture
def line(monkeypatch):
    """A Stdio whose other ends are in our hands."""
    theirs_in, ours_in = os.pipe()
    ours_out, theirs_out = os.pipe()
    os.set_blocking(theirs_out, False)
    os.set_blocking(ours_out, False)
    port_in, port_out = Port(theirs_in, "rb"), Port(theirs_out, "wb")
    monkeypatch.setattr(stdio, "sys", types.SimpleNamespace(stdin=port_in, stdout=port_out))
    monkeypatch.setattr(
        stdio,
        "select",
        types.SimpleNamespace(poll=Poll, POLLIN=select.POLLIN, POLLOUT=select.POLLOUT),
    )
    made = stdio.Stdio()
    made.input = port_in
    ends = types.SimpleNamespace(
        stdio=made, port=port_in, say=lambda data: os.write(ours_in, data),
        heard=lambda count=65536: os.read(ours_out, count), hang_up=lambda: os.close(ours_in),
        deaf=lambda: os.close(ours_out),
    )  # fmt: skip
    yield ends
    for port in (port_in, port_out):
        port.buffer.close()
    for end in (ours_in, ours_out):
        try:
            os.close(end)
        except OSError:
            continue


def test_streams_are_the_binary_ones(monkeypatch):
    fakes = types.SimpleNamespace(stdin=Port(os.dup(0), "rb"), stdout=Port(os.dup(1), "wb"))
    monkeypatch.setattr(stdio, "sys", fakes)
    made = stdio.Stdio()
    assert made.input is fakes.stdin.buffer
    assert made.output is fakes.stdout.buffer
    fakes.stdin.buffer.close()
    fakes.stdout.buffer.close()


def test_nothing_there_is_nothing_and_no_wait(line):
    assert line.stdio.read(64) == b""
    assert line.port.asked == [], "a read without a poll waits"


def test_what_is_there_is_read_a_block_at_a_time(line):
    """``readinto`` of a board's port waits until its place is full: a host fills up its blocks."""
    said = framing.padded(b"\x01\x7e\x03\x00\xff" * 7)
    line.say(said)
    assert line.stdio.read(128) == said
    assert line.port.asked == [framing.BLOCK] * 3


@pytest.mark.parametrize("most", [0, 15, 16, 31, 40, 64])
def test_no_more_is_taken_than_asked_for(line, most):
    said = bytes(range(48))
    line.say(said)
    first = line.stdio.read(most)
    assert first == said[: most // 16 * 16]
    assert first + line.stdio.read(128) == said


def test_the_end_of_the_input_is_told(line):
    line.say(b"x" * 16)
    line.hang_up()
    assert line.stdio.read(16) == b"x" * 16
    with pytest.raises(EOFError):
        line.stdio.read(16)


def test_what_came_before_the_end_is_not_lost(line):
    line.say(b"last words".ljust(16))
    line.hang_up()
    assert line.stdio.read(64) == b"last words".ljust(16)


def test_a_frame_is_written_where_there_is_room(line):
    assert line.stdio.write(b"\x01\x02\x7e") is True
    assert line.heard() == b"\x01\x02\x7e"


def test_a_full_line_refuses_and_loses_nothing(line):
    """Refused frames stay the caller's; what was taken arrives whole and in order."""
    sent, frame = b"", bytes(range(128)) * 4
    for _ in range(10_000):
        if not line.stdio.write(frame):
            break
        sent += frame
    else:
        pytest.fail("the line never filled")
    assert line.stdio.write(frame) is False
    heard = b""
    while len(heard) < len(sent):
        heard += line.heard()
    assert heard == sent
    assert line.stdio.write(frame) is True
