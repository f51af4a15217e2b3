"""Damage on the line: nothing altered is ever accepted, and the next good frame is.

RFC 1662 (1994): framing 4.2, invalid frames 4.3, 32-bit check sequence C.3.
"""

import random
import struct

import pytest

from controller.wire import framing
from controller.wire import messages as m
from tests.waiting import until

CASES = 10000
KINDS = ("flip", "insert", "delete", "truncate", "splice")


def good_frames(rng, number):
    payloads = []
    for k in range(number):
        size = rng.choice((2, 7, 13, 40, 120, 240))
        body = bytes(rng.choice((0x7E, 0x7D, 0x03, 0x20, rng.randrange(256))) for _ in range(size))
        payloads.append(bytes((rng.choice(tuple(m.LAYOUT)), k & 0xFF)) + body)
    return payloads


def damaged(rng, how, frame, other):
    """A frame (its flag left on) with one kind of damage; never the frame itself."""
    body = bytearray(frame[:-1])
    if how == "flip":
        for _ in range(rng.randint(1, 6)):
            body[rng.randrange(len(body))] ^= 1 << rng.randrange(8)
    elif how == "insert":
        for _ in range(rng.randint(1, 4)):
            body.insert(rng.randrange(len(body) + 1), rng.randrange(256))
    elif how == "delete":
        for _ in range(rng.randint(1, min(4, len(body) - 1))):
            del body[rng.randrange(len(body))]
    elif how == "truncate":
        del body[rng.randrange(1, len(body)) :]
    else:
        body = body[: rng.randrange(1, len(body))] + other[rng.randrange(1, len(other) - 1) : -1]
    return bytes(body) + frame[-1:]


def test_ten_thousand_damaged_frames_none_accepted_with_other_content():
    rng = random.Random(20)
    payloads = good_frames(rng, 200)
    frames = [framing.encode(payload) for payload in payloads]
    mark = bytes((m.HEALTH, 0)) + b"the next good frame"
    good = framing.encode(mark)
    reader = framing.Reader()
    counted = dict.fromkeys(KINDS, 0)
    for k in range(CASES):
        how = KINDS[k % len(KINDS)]
        at = rng.randrange(len(frames))
        other = rng.randrange(len(frames))
        wire = damaged(rng, how, frames[at], frames[other])
        allowed = {payloads[at], payloads[other]}  # what the damage may have left whole
        found = reader.feed(wire) + reader.feed(good)
        assert found[-1:] == [mark], f"not in step after {how} {wire.hex()}"
        for payload in found[:-1]:
            assert payload in allowed, f"accepted after {how}: {wire.hex()}"
        counted[how] += len(found) == 1
    for how, number in counted.items():
        assert number > 0.9 * CASES / len(KINDS), f"{how} hardly damaged anything"
    assert reader.frames >= CASES
    assert reader.bad + reader.short + reader.long >= 0.9 * CASES


def test_damage_that_takes_the_flag_costs_two_frames_at_most():
    rng = random.Random(21)
    payloads = good_frames(rng, 50)
    for k in range(500):
        first, second, third = (framing.encode(payloads[(k + n) % 50]) for n in range(3))
        reader = framing.Reader()
        wire = first[:-1] + second + third
        found = reader.feed(wire)
        assert found[-1] == payloads[(k + 2) % 50]
        assert set(found) <= {payloads[(k + n) % 50] for n in range(3)}


def test_noise_between_frames_costs_no_good_frame():
    rng = random.Random(22)
    reader = framing.Reader()
    mark = bytes((m.TEXT, 1)) + b"here"
    for _ in range(500):
        noise = bytes(rng.randrange(256) for _ in range(rng.randrange(1, 1500)))
        reader.feed(noise + b"\x7e")
        assert reader.feed(framing.encode(mark)) == [mark]


@pytest.mark.parametrize("chunk", [1, 2, 3, 7, 64])
def test_however_the_octets_arrive_the_frames_are_the_same(chunk):
    rng = random.Random(23)
    payloads = good_frames(rng, 60)
    wire = b"".join(framing.encode(payload) for payload in payloads)
    reader = framing.Reader()
    found = []
    for at in range(0, len(wire), chunk):
        found += reader.feed(wire[at : at + chunk])
    assert found == payloads


def test_check_values_of_the_standard():
    """CRC-32 check value 0xCBF43926 of "123456789"; residue of a good frame (RFC 1662, C.3)."""
    frame = framing.encode(b"123456789")
    assert frame[9:13] == struct.pack("<I", 0xCBF43926)
    assert framing.GOOD == 0xDEBB20E3 ^ 0xFFFFFFFF


def test_a_frame_that_ends_in_an_escape_is_invalid():
    """RFC 1662, 4.3: an escape octet just before the closing flag makes a frame invalid."""
    for number in range(100000):
        frame = framing.encode(struct.pack("<HI", 0x0102, number))
        if frame.endswith(b"\x7d\x5d\x7e"):
            assert framing.Reader().feed(frame) == [struct.pack("<HI", 0x0102, number)]
            assert framing.Reader().feed(frame[:-2] + b"\x7e") == []
            return
    raise AssertionError("no such frame was found")


# --- the same through an open link


def test_a_link_survives_a_storm_of_damage(wire):
    """Damaged rows and answers between good ones: the good ones count, the rest is counted."""
    rng = random.Random(24)
    storm = {"sent": 0}

    def answer(payload):
        if payload[0] == m.BEAT:
            return []
        replies = []
        for how in KINDS:
            row = struct.pack("<BBHHHIf", m.ROWS, 5, 1, 1, 0, 77, 0.25)
            frame = framing.encode(row)
            replies.append(bytearray(damaged(rng, how, frame, framing.encode(b"\x84\x01" + row))))
            storm["sent"] += 1
        return [*replies, *wire.obedient(payload)]

    bridge, _ = wire.bridge(answer)
    seen = []
    bridge.on_rows.append(seen.append)
    bridge.greet()
    for _ in range(200):
        bridge.request(m.DRIVE_OFF, struct.pack("<H", 1))
    assert bridge.lost is None
    assert bridge.counters.bad >= 0.5 * storm["sent"]
    assert all(one.ticks == [77] and one.values == [[[0.25]]] for one in seen)
    assert len(seen) < 0.1 * storm["sent"]


SHORT = {
    "rows": bytes((m.ROWS, 1)) + b"\x01",
    "echo": bytes((m.ECHO, 1)) + b"\x01\x02",
    "answer": bytes((m.ANSWER, 1)),
    "fault": bytes((m.FAULT, 1)) + b"\x00\x00",
    "health": bytes((m.HEALTH, 1)) + b"\x00",
    "text": bytes((m.TEXT, 1)),
}


@pytest.mark.parametrize("name", SHORT)
def test_a_sound_frame_with_a_short_message_does_not_end_the_link(name, wire, monkeypatch):
    """A board of another make-up says less than expected: counted, and the link goes on."""
    monkeypatch.setattr("threading.excepthook", lambda _args: None)
    bridge, transport = wire.bridge()
    bridge.greet()
    transport.queue.put(framing.encode(SHORT[name]))
    assert until(transport.queue.empty)
    bridge.request(m.DRIVE_OFF, struct.pack("<H", 1))
    assert bridge.lost is None
    assert bridge.counters.bad == 1


def test_an_unknown_message_is_counted(wire):
    bridge, transport = wire.bridge()
    bridge.greet()
    transport.queue.put(framing.encode(b"\xf0\x01what is this"))
    bridge.request(m.DRIVE_OFF, struct.pack("<H", 1))
    assert bridge.lost is None
    assert bridge.counters.bad == 1
