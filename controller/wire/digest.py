"""Digest of packed settings: what host and board compare before anything is armed."""

from hashlib import sha256

from controller.wire.messages import VERSION

MYPY = False
if MYPY:  # types are for the checker only: a board has no typing module
    from typing import Any


class Digest:
    """Of several packed tables, one after the other; the version of the wire goes first."""

    def __init__(self) -> None:
        self.sum = sha256(bytes((VERSION,)))

    def add(self, data: "Any") -> None:
        """Take the octets of a table."""
        self.sum.update(data)

    def value(self) -> int:
        """The first 32 bits."""
        found = self.sum.digest()
        return found[0] | found[1] << 8 | found[2] << 16 | found[3] << 24


def digest(data: "Any") -> int:
    """Digest (32 bits) of a packed table, or of several joined."""
    found = Digest()
    found.add(data)
    return found.value()
