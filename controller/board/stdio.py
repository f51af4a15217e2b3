"""The link on the board's USB port: a block at a time, only after a poll.

``read(n)`` of a MicroPython port waits for n octets; a write waits up to half a
second when a host holds the port and does not read. So reading polls before
each octet and writing polls for room; telemetry is gated by lease and credit.
"""

import select
import sys

from controller.portable import const
from controller.wire.framing import BLOCK

MYPY = False
if MYPY:  # types are for the checker only: a board has no typing module
    from typing import Any

BLOCKS = const(8)


def is_ready(poll):
    """Tell whether what a poll object watches can be read or written now; allocates nothing."""
    for _ in poll.ipoll(0):
        return True
    return False


class Stdio:
    """Standard input and output as a stream that does not wait."""

    def __init__(self):
        self.input: "Any" = sys.stdin.buffer
        self.output = sys.stdout.buffer
        self.can_read = select.poll()
        self.can_read.register(sys.stdin, select.POLLIN)
        self.can_write = select.poll()
        self.can_write.register(sys.stdout, select.POLLOUT)
        self.room = memoryview(bytearray(BLOCKS * BLOCK))
        self.places = [self.room[k * BLOCK : (k + 1) * BLOCK] for k in range(BLOCKS)]

    def read(self, most):
        """Return what there is, at most ``most`` octets. Raises EOFError at the end."""
        count = 0
        for place in self.places:
            if count + BLOCK > most or not is_ready(self.can_read):
                break
            if not self.input.readinto(place):
                if count:
                    break  # the end comes up again with the next call
                raise EOFError
            count += BLOCK
        return bytes(self.room[:count]) if count else b""

    def write(self, data):
        """Write a frame if there is room; tell whether it was."""
        if not is_ready(self.can_write):
            return False
        self.output.write(data)
        return True
