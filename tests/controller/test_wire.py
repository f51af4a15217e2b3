"""Framing and messages: RFC 1662, check values, damage."""

import binascii
import random
import struct

import anycrc
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.joint.settings.settings import Settings
from controller.wire import framing, messages, table
from host.errors import RESULTS
from sim.documentation import constant_strings

once = settings(deadline=None, database=None, max_examples=300)


def test_check_sequence_is_the_standards():
    """RFC 1662 (1994), C.3 and the catalogue's CRC-32/ISO-HDLC check value; good FCS 0xDEBB20E3."""
    assert binascii.crc32(b"123456789") == 0xCBF43926
    other = anycrc.Model("CRC32")
    assert other.calc(b"123456789") == 0xCBF43926
    for payload in (b"\x00\x00", b"hello", bytes(range(256))):
        whole = (
            framing.encode(payload)[:-1].replace(b"\x7d\x23", b"\x03").replace(b"\x7d\x5e", b"\x7e")
        )
        whole = whole.replace(b"\x7d\x5d", b"\x7d")
        assert whole[-4:] == struct.pack("<I", other.calc(payload))
        assert binascii.crc32(whole) == framing.GOOD == 0xDEBB20E3 ^ 0xFFFFFFFF


def test_stuffing_by_hand():
    """RFC 1662, 4.2: 0x7E is sent as 0x7D 0x5E, 0x7D as 0x7D 0x5D; by the map 0x03 as 0x7D 0x23."""
    frame = framing.encode(b"\x7e\x7d\x03")
    assert frame.startswith(b"\x7d\x5e\x7d\x5d\x7d\x23")
    assert frame.endswith(b"\x7e")


@given(st.binary(min_size=2, max_size=240))
@once
def test_round_trip_has_no_flag_and_no_interrupt_inside(payload):
    frame = framing.encode(payload)
    assert frame.count(b"\x7e") == 1
    assert b"\x03" not in frame
    assert framing.decode(frame[:-1]) == payload


def test_every_octet_and_the_worst_stuffing():
    for octet in range(256):
        payload = bytes((octet, octet))
        assert framing.decode(framing.encode(payload)[:-1]) == payload
    worst = framing.encode(b"\x7d" * 248)
    assert len(worst) <= framing.MOST_ON_WIRE


@given(st.lists(st.binary(min_size=2, max_size=60), min_size=1, max_size=8), st.randoms())
@once
def test_frames_come_through_whatever_the_cuts(payloads, rng):
    data = b"\x7e" + b"".join(framing.encode(one) for one in payloads)
    reader, found = framing.Reader(), []
    while data:
        cut = rng.randint(1, 30)
        found += reader.feed(data[:cut])
        data = data[cut:]
    assert found == payloads
    assert (reader.bad, reader.short, reader.long) == (0, 0, 0)


def damage(rng, data):
    """One kind of damage to a stream of octets."""
    data = bytearray(data)
    kind = rng.randrange(5)
    at = rng.randrange(len(data))
    if kind == 0:
        for _ in range(rng.randint(1, 9)):
            data[rng.randrange(len(data))] ^= 1 << rng.randrange(8)
    elif kind == 1:
        data[at:at] = bytes(rng.randrange(256) for _ in range(rng.randint(1, 5)))
    elif kind == 2:
        del data[at : at + rng.randint(1, 6)]
    elif kind == 3:
        del data[at:]
    else:
        other = rng.randrange(len(data))
        data[at:at] = data[other : other + rng.randint(1, 20)]
    return bytes(data)


def corrupt(count, seed):
    """Feed damaged frames between good ones; return how many were accepted changed or lost sync."""
    rng = random.Random(seed)
    changed = lost = 0
    for _ in range(count):
        payload = bytes(rng.randrange(256) for _ in range(rng.randint(4, 40)))
        after = bytes(rng.randrange(256) for _ in range(8))
        reader = framing.Reader()
        found = reader.feed(damage(rng, framing.encode(payload)) + b"\x7e" + framing.encode(after))
        if not found or found[-1] != after:
            lost += 1
        changed += sum(1 for one in found[:-1] if one != payload)
    return changed, lost


def test_damaged_frames_are_never_accepted_changed_and_sync_is_regained():
    """20,000 here; tests/bench/link.py does a million."""
    assert corrupt(20_000, 7) == (0, 0)


def test_bad_short_and_long_are_counted_by_kind():
    reader = framing.Reader()
    reader.feed(b"\x01\x02\x7e")
    reader.feed(framing.encode(b"abcd")[:-2] + b"\x55\x7e")
    reader.feed(b"x" * 600)
    assert reader.feed(b"y" * 600 + b"\x7e" + framing.encode(b"good")) == [b"good"]
    assert (reader.short, reader.bad, reader.long, reader.frames) == (1, 1, 1, 1)


def test_layouts_and_sizes_agree_with_struct():
    for kind, layout in messages.LAYOUT.items():
        assert messages.size(layout) == struct.calcsize(layout), hex(kind)
    values = (3, 0x1234)
    payload = messages.build(messages.ARM, 9, *values)
    assert payload[:2] == bytes((messages.ARM, 9))
    assert messages.parse(payload) == values
    assert messages.parse(payload + b"x") is None


def test_every_message_is_documented_and_unique():
    texts = constant_strings(messages)
    kinds = {name: getattr(messages, name) for name, text in texts.items() if text.count("|") == 2}
    assert set(kinds.values()) == set(messages.LAYOUT) | set(messages.HEAD)
    assert len(set(kinds.values())) == len(kinds)
    assert all(name in texts for name in RESULTS)
    assert [getattr(messages, name) for name in RESULTS] == list(range(len(RESULTS)))


def test_table_round_trips_and_its_digest_sees_every_cell():
    settings_ = Settings()
    data = table.pack_table(settings_)
    assert len(data) == 4 * table.cells(Settings)
    copy = Settings()
    table.unpack_table(data, copy)
    assert table.pack_table(copy) == data
    first = table.digest(data)
    for cell in range(0, len(data) // 4, 7):
        other = bytearray(data)
        other[4 * cell] ^= 1
        assert table.digest(bytes(other)) != first


@pytest.mark.parametrize("name", ["tick_s", "gains.kp", "drive.full_s", "sensor.correction_rad"])
def test_cells_know_their_names(name):
    assert table.name_of(Settings, table.cell_of(Settings, name)) == name
    assert table.cell_of(Settings, "no.such") == -1
