"""Bytes and frames: the octet-stuffed HDLC-like framing of RFC 1662.

A frame is payload + frame check sequence, octet-stuffed, ended by the flag
0x7E. The escape is 0x7D, an escaped octet is XORed with 0x20. By the control
character map, 0x03 is escaped too, so that a bare 0x03 (Ctrl-C) never stands
inside a frame: on a MicroPython port it stays an emergency stop from any
terminal. The check sequence is the standard's 32-bit one (C.3), which is
``crc32``, appended least significant octet first; over payload and check
sequence together it gives the constant GOOD.
"""

from binascii import crc32

from controller.portable import const

FLAG = const(0x7E)
GOOD = const(0x2144DF1C)  # complement of the standard's good FCS, 0xDEBB20E3
MOST_ON_WIRE = const(512)  # octets of a frame on the wire, flag included
BLOCK = const(16)
"What a host says comes in blocks of so many octets, filled up with flags: a chip reads a block at once."
LEAST = const(6)  # kind, sequence, check sequence

_FLAG = b"\x7e"
_ESCAPE, _ESCAPED_ESCAPE = b"\x7d", b"\x7d\x5d"
_ESCAPED_FLAG = b"\x7d\x5e"
_INTERRUPT, _ESCAPED_INTERRUPT = b"\x03", b"\x7d\x23"


def encode(payload: bytes) -> bytes:
    """Return the octets on the wire of a payload (bytes), flag included."""
    data = payload + crc32(payload).to_bytes(4, "little")
    data = data.replace(_ESCAPE, _ESCAPED_ESCAPE).replace(_FLAG, _ESCAPED_FLAG)
    return data.replace(_INTERRUPT, _ESCAPED_INTERRUPT) + _FLAG


def decode(stuffed: bytes) -> "bytes | None":
    """Return the payload of the octets between two flags, or None if damaged."""
    if stuffed and stuffed[-1] == 0x7D:  # RFC 1662, 4.3: an escape before the flag makes it invalid
        return None
    data = stuffed.replace(_ESCAPED_INTERRUPT, _INTERRUPT).replace(_ESCAPED_FLAG, _FLAG)
    data = data.replace(_ESCAPED_ESCAPE, _ESCAPE)
    if len(data) < LEAST or crc32(data) != GOOD:
        return None
    return data[:-4]


def padded(octets: bytes) -> bytes:
    """Frames for a board, filled up to whole blocks: an empty frame means nothing."""
    return octets + _FLAG * (-len(octets) % BLOCK)


class Reader:
    """Cuts incoming octets into payloads; counts by kind what it cannot use.

    bad: damaged frames; short: fewer than six octets; long: more than
    MOST_ON_WIRE without a flag. Every flag brings it back into step.
    """

    def __init__(self) -> None:
        self.buffer = b""
        self.skipping = False
        self.frames = 0
        self.bad = 0
        self.short = 0
        self.long = 0

    def feed(self, data: bytes) -> "list[bytes]":
        """Take octets (bytes) as they come; return the list of whole payloads."""
        if _FLAG not in data:
            self._keep(self.buffer + data)
            return []
        parts = (self.buffer + data).split(_FLAG)
        self.buffer = b""
        payloads = []
        for part in parts[:-1]:
            payload = self._take(part)
            if payload is not None:
                payloads.append(payload)
        self._keep(parts[-1])
        return payloads

    def _keep(self, rest: bytes) -> None:
        """Keep what follows the last flag, unless it is longer than any frame."""
        if self.skipping:
            rest = b""
        elif len(rest) > MOST_ON_WIRE:
            self.long += 1
            self.skipping = True
            rest = b""
        self.buffer = rest

    def _take(self, part: bytes) -> "bytes | None":
        """Decode one part between flags; an empty one is no error."""
        if self.skipping:
            self.skipping = False
            return None
        if not part:
            return None
        if len(part) < LEAST:
            self.short += 1
            return None
        if len(part) >= MOST_ON_WIRE:
            self.long += 1
            return None
        payload = decode(part)
        if payload is None:
            self.bad += 1
        else:
            self.frames += 1
        return payload
