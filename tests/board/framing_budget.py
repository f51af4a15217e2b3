"""Bytes that a frame costs the heap of MicroPython: encoding, decoding, reading in pieces.

Prints ``name octets_of_payload bytes_of_heap``, the mean of several frames.
"""

import gc

from controller.wire import framing

TIMES = 16


def mean(work, argument):
    """Bytes allocated by ``work(argument)``, nothing being collected meanwhile."""
    work(argument)
    gc.collect()
    gc.disable()
    before = gc.mem_alloc()
    k = 0
    while k < TIMES:
        work(argument)
        k += 1
    used = gc.mem_alloc() - before
    gc.enable()
    return used // TIMES


def in_pieces(frame):
    """Read a frame as a board does, twelve octets a tick."""
    found = None
    at = 0
    while at < len(frame):
        for payload in reader.feed(frame[at : at + 12]):
            found = payload
        at += 12
    assert found is not None


def at_once(frame):
    """Read a frame that has come whole."""
    assert reader.feed(frame)


def loop(_):
    """What the measurement itself costs."""


reader = framing.Reader()
print("loop", 0, mean(loop, None))
for length in (9, 32, 53, 248):
    plain = bytes([0x55] * length)
    worst = bytes([0x7E, 0x7D, 0x03, 0x7D] * (length // 4 + 1))[:length]
    for name, payload in (("plain", plain), ("worst", worst)):
        frame = framing.encode(payload)
        assert framing.decode(frame[:-1]) == payload
        print("encode_" + name, length, mean(framing.encode, payload))
        print("decode_" + name, length, mean(framing.decode, frame[:-1]))
        print("read_" + name, length, mean(at_once, frame))
        if length <= 53:  # a host's frames fit into 64 octets
            print("pieces_" + name, length, mean(in_pieces, frame))
