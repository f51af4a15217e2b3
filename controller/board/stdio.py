"""The link on the board's USB port: one octet at a time, only after a poll.

``read(n)`` of a MicroPython port waits for n octets; a write waits up to half a
second when a host holds the port and does not read. So reading polls before
each octet and writing polls for room; telemetry is gated by lease and credit.
"""

import select
import sys


class Stdio:
    """Standard input and output as a stream that does not wait."""

    def __init__(self):
        self.input = sys.stdin.buffer
        self.output = sys.stdout.buffer
        self.can_read = select.poll()
        self.can_read.register(sys.stdin, select.POLLIN)
        self.can_write = select.poll()
        self.can_write.register(sys.stdout, select.POLLOUT)

    def read(self, most):
        """Return what there is, at most ``most`` octets. Raises EOFError at the end."""
        data = b""
        while most > 0 and self.can_read.poll(0):
            one = self.input.read(1)
            if not one:
                if data:
                    break  # the end comes up again with the next call
                raise EOFError
            data += one
            most -= 1
        return data

    def write(self, data):
        """Write a frame if there is room; tell whether it was."""
        if not self.can_write.poll(0):
            return False
        self.output.write(data)
        return True
