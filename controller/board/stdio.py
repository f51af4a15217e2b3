"""The link on the board's USB port: one octet at a time, only after a poll.

``read(n)`` of a MicroPython port waits for n octets; a write waits up to half a
second when a host holds the port and does not read. So reading polls before
each octet and writing polls for room; telemetry is gated by lease and credit.
"""

import select
import sys

from controller.portable import const

ROOM = const(128)


def is_ready(poll):
    """Tell whether what a poll object watches can be read or written now; allocates nothing."""
    for _ in poll.ipoll(0):
        return True
    return False


class Stdio:
    """Standard input and output as a stream that does not wait."""

    def __init__(self):
        self.input = sys.stdin.buffer
        self.output = sys.stdout.buffer
        self.can_read = select.poll()
        self.can_read.register(sys.stdin, select.POLLIN)
        self.can_write = select.poll()
        self.can_write.register(sys.stdout, select.POLLOUT)
        self.room = bytearray(ROOM)
        self.one = bytearray(1)  # made once: nothing is made for an octet

    def read(self, most):
        """Return what there is, at most ``most`` octets. Raises EOFError at the end."""
        count = 0
        ready, read, one, room = self.can_read.ipoll, self.input.readinto, self.one, self.room
        if most > ROOM:
            most = ROOM
        while count < most:
            for _ in ready(0):
                break
            else:
                break
            if not read(one):
                if count:
                    break  # the end comes up again with the next call
                raise EOFError
            room[count] = one[0]
            count += 1
        return bytes(memoryview(room)[:count]) if count else b""

    def write(self, data):
        """Write a frame if there is room; tell whether it was."""
        if not is_ready(self.can_write):
            return False
        self.output.write(data)
        return True
