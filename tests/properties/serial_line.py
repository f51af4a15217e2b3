"""A serial line in memory that can damage what it carries, and a decoder of its own.

The decoder follows RFC 1662 octet by octet (4.2 transparency; C.3 the 32-bit check
sequence, by the table made there), so it shares nothing with the code under test.
"""

FLAG, ESCAPE = 0x7E, 0x7D
GOOD = 0xDEBB20E3  # RFC 1662, C.3: what is left over a frame and its check sequence
LEAST, MOST = 6, 512


def check_table():
    """Table of the check sequence (RFC 1662, C.3; generator 0xEDB88320)."""
    rows = []
    for octet in range(256):
        value = octet
        for _ in range(8):
            value = value >> 1 ^ (0xEDB88320 if value & 1 else 0)
        rows.append(value)
    return rows


TABLE = check_table()


def is_good(frame):
    """Tell whether the check sequence at the end of the octets is right."""
    value = 0xFFFFFFFF
    for octet in frame:
        value = value >> 8 ^ TABLE[(value ^ octet) & 0xFF]
    return value == GOOD


class Decoder:
    """Octets, as they come, to the payloads of frames that arrived whole."""

    def __init__(self):
        self.part = bytearray()

    def feed(self, data):
        payloads = []
        for octet in data:
            if octet != FLAG:
                self.part.append(octet)
                continue
            payload = self.payload()
            if payload is not None:
                payloads.append(payload)
            self.part = bytearray()
        return payloads

    def payload(self):
        if not LEAST <= len(self.part) < MOST or self.part[-1] == ESCAPE:
            return None
        frame = bytearray()
        escaped = False
        for octet in self.part:
            if octet == ESCAPE and not escaped:
                escaped = True
                continue
            frame.append(octet ^ 0x20 if escaped else octet)
            escaped = False
        return bytes(frame[:-4]) if len(frame) >= LEAST and is_good(frame) else None


def damaged(kind, octets, before, at, by):
    """Damage a frame on the wire; ``before`` is the frame sent before it."""
    at %= len(octets)
    if kind == "flip":
        return octets[:at] + bytes((octets[at] ^ by,)) + octets[at + 1 :]
    if kind == "cut":
        return octets[:at]
    if kind == "delete":
        return octets[:at] + octets[at + 1 :]
    if kind == "insert":
        return octets[:at] + bytes((by,)) + octets[at:]
    assert kind == "splice"
    return octets[:at] + before[by % (len(before) + 1) :]


class Line:
    """Both ends of the line. ``on_read`` is told of every piece that the board takes."""

    def __init__(self):
        self.to_board = b""
        self.from_board = b""
        self.reading = True
        self.on_read = lambda data: None
        self.sent = set()
        self.before = b""
        self.held = b""

    # --- what the node takes for its stream

    def read(self, most):
        data, self.to_board = self.to_board[:most], self.to_board[most:]
        if data:
            self.on_read(data)
        return data

    def write(self, data):
        if self.reading:
            self.from_board += data
        return self.reading

    # --- what the host does

    def put(self, payload, octets, fate=("sound", 0, 1)):
        """Send a frame; ``fate`` (kind, place, amount) says what becomes of it on the way."""
        kind, at, by = fate
        self.sent.add(payload)
        held, self.held = self.held, b""
        if kind == "late":
            self.held = octets
        elif kind == "again":  # and once more behind the next frame
            self.to_board += octets
            self.held = octets
        elif kind == "twice":
            self.to_board += octets + octets
        elif kind == "sound":
            self.to_board += octets
        elif kind != "lost":
            self.to_board += damaged(kind, octets, self.before, at, by)
        self.to_board += held  # overtaken by this one
        self.before = octets
