"""Requests and answers, beats, clock, versions: on a transport in memory."""

import struct
import threading
import time

import pytest

from controller.wire import framing
from controller.wire import messages as m
from host.errors import RESULTS, LinkLostError, NoAnswerError, RefusedError, result_text
from sim.errors import InputError
from tests.waiting import until

MASK = struct.pack("<H", 1)


def test_greeting_tells_who_the_board_is(wire):
    def answer(payload):
        return [wire.identity(joints=3, flags=m.NO_FIT, build=99, inbound=12)]

    bridge, transport = wire.bridge(answer)
    found = bridge.greet()
    assert (found.joints, found.build, found.inbound, found.tick_us) == (3, 99, 12, 2000)
    assert not found.virtual
    assert not found.fits
    assert transport.sent[0][0] == m.HELLO
    assert transport.sent[0][2:] == bytes((m.VERSION,))


@pytest.mark.parametrize("version", [0, 2, 255])
def test_another_version_is_an_error_that_names_both(version, wire):
    bridge, _ = wire.bridge(lambda payload: [wire.identity(version=version)])
    with pytest.raises(InputError) as caught:
        bridge.greet()
    assert f"version {version}" in str(caught.value)
    assert f"this host {m.VERSION}" in str(caught.value)
    assert "deploy" in str(caught.value)


def test_a_greeting_of_another_length_is_another_version(wire):
    """A later version may say less (or more) of itself: told as such, no traceback."""
    for shown in (wire.identity(version=2)[:9], wire.identity(version=3) + b"more"):
        bridge, _ = wire.bridge(lambda payload, shown=shown: [shown])
        with pytest.raises(InputError, match="version"):
            bridge.greet()


def test_a_board_that_answers_something_else_speaks_another_version(wire):
    bridge, _ = wire.bridge(lambda payload: [wire.answer_to(payload, m.UNKNOWN)])
    with pytest.raises(InputError, match="another version"):
        bridge.greet()


def test_a_request_lost_on_the_way_is_repeated_word_for_word(wire):
    heard = []

    def answer(payload):
        heard.append(payload)
        return wire.obedient(payload) if len(heard) == 3 else []

    bridge, transport = wire.bridge(answer)
    bridge.request(m.DRIVE_OFF, MASK)
    assert bridge.counters.repeats == 2
    assert transport.sent[0] == transport.sent[1] == transport.sent[2]
    assert len(bridge.counters.round_trips_s) == 1


@pytest.mark.parametrize("kind", [m.CLEAR, m.ARM, m.RELEASE, m.TARGET])
def test_what_was_asked_before_a_stop_is_not_repeated_after_it(wire, kind):
    """The board would take it for a new request: CLEAR would undo what the STOP has latched."""
    asked, stopped, wrong = threading.Event(), threading.Event(), []

    def answer(payload):
        if payload[0] == m.STOP:
            return wire.obedient(payload)
        asked.set()
        stopped.wait(10.0)
        return []  # lost on the way

    bridge, transport = wire.bridge(answer)

    def ask():
        try:
            bridge.request(kind, bytes(struct.calcsize(m.LAYOUT[kind])), 10.0)
        except NoAnswerError as error:
            wrong.append(str(error))

    thread = threading.Thread(target=ask)
    thread.start()
    assert asked.wait(10.0)
    threading.Thread(target=bridge.request, args=(m.STOP, MASK + b"\x00", 10.0)).start()
    assert until(lambda: bridge._stops == 1)
    stopped.set()
    thread.join(20.0)
    assert [payload[0] for payload in transport.sent] == [kind, m.STOP]
    assert "STOP came in between" in wrong[0]


def test_silence_is_an_error_after_its_time(wire):
    bridge, transport = wire.bridge(lambda payload: [])
    with pytest.raises(NoAnswerError, match="0x08"):
        bridge.request(m.DRIVE_OFF, MASK, 0.4)
    assert len(transport.sent) == 3


@pytest.mark.parametrize("result", range(1, len(RESULTS)))
def test_a_refusal_is_told_in_words(result, wire):
    bridge, _ = wire.bridge(lambda payload: [wire.answer_to(payload, result, 12)])
    with pytest.raises(RefusedError) as caught:
        bridge.request(m.ARM, struct.pack("<HI", 1, 0))
    assert (caught.value.kind, caught.value.result, caught.value.detail) == (m.ARM, result, 12)
    assert result_text(result) in str(caught.value)
    assert len(result_text(result)) > 8


def test_results_and_their_names_are_in_step():
    assert [getattr(m, name) for name in RESULTS] == list(range(len(RESULTS)))


def test_an_answer_to_another_request_is_not_taken(wire):
    def answer(payload):
        stray = m.build(m.ANSWER, 1, payload[0], (payload[1] + 7) & 0xFF, m.DONE, 0)
        return [stray]

    bridge, _ = wire.bridge(answer)
    with pytest.raises(NoAnswerError):
        bridge.request(m.ARM, struct.pack("<HI", 1, 0), 0.2)


def test_a_second_identity_answers_no_other_request(wire):
    """HELLO was repeated and answered twice; the late answer must not pass for "armed"."""
    late = [wire.identity()]

    def answer(payload):
        if payload[0] == m.HELLO:
            return [wire.identity()]
        return [late.pop()] if late else [wire.answer_to(payload, m.DIFFERS)]

    bridge, _ = wire.bridge(answer)
    bridge.greet()
    with pytest.raises(RefusedError):
        bridge.request(m.ARM, struct.pack("<HI", 1, 0))


def test_sequence_numbers_go_round(wire):
    bridge, transport = wire.bridge()
    for _ in range(600):
        bridge.request(m.DRIVE_OFF, MASK)
    assert [payload[1] for payload in transport.sent] == [(k + 1) & 0xFF for k in range(600)]


def test_requests_of_several_threads_get_their_own_answers(wire):
    def answer(payload):
        return [wire.answer_to(payload, m.DONE if payload[0] == m.DRIVE_OFF else m.REFUSED)]

    bridge, _ = wire.bridge(answer)
    wrong = []

    def drive_off():
        for _ in range(60):
            try:
                bridge.request(m.DRIVE_OFF, MASK)
            except RefusedError as error:
                wrong.append(error)

    def target():
        for _ in range(60):
            try:
                bridge.request(m.TARGET, struct.pack("<BBfh", 0, 0, 0.1, 0))
                wrong.append("target was taken")
            except RefusedError:
                pass

    threads = [threading.Thread(target=one) for one in (drive_off, target, drive_off)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(20.0)
    assert wrong == []


# --- beats


def beats_of(heard):
    return [payload for payload in heard if payload[0] == m.BEAT]


class Asked(threading.Event):
    """Whether to beat; counts how often the beating thread was told no: its turns, not the clock's."""

    refused = 0

    def wait(self, timeout=None):
        told = super().wait(timeout)
        self.refused += not told
        return told


def test_beats_come_only_when_asked_for_and_end_when_told(wire):
    heard = []
    bridge, _ = wire.bridge(heard.append)
    bridge._beating = asked = Asked()
    assert until(lambda: asked.refused >= 3)
    assert beats_of(heard) == []
    bridge.beat()
    assert until(lambda: len(beats_of(heard)) >= 5)
    bridge.beat(False)
    before = asked.refused
    assert until(lambda: asked.refused > before)  # the beat under way is over
    number = len(beats_of(heard))
    assert until(lambda: asked.refused >= before + 4)
    assert len(beats_of(heard)) == number
    _, lease_ms, _ = m.parse(beats_of(heard)[0])
    assert lease_ms == 80


def test_beats_carry_what_the_reader_has_decoded(wire):
    heard = []
    bridge, transport = wire.bridge(heard.append)
    transport.queue.put(framing.encode(bytes((m.TEXT, 213, 0)) + b"hello"))
    bridge.beat()
    assert until(lambda: any(m.parse(one)[2] == 213 for one in beats_of(heard)))


def test_echoes_set_the_clock_by_the_shortest_round_trip(wire):
    """Board time = host time + 5 s: an echo at once tells it, a late one must not spoil it."""
    delayed = []

    def answer(payload):
        if payload[0] != m.BEAT:
            return wire.obedient(payload)
        host_us = m.parse(payload)[0]
        delayed.append(host_us)
        if len(delayed) % 2:
            time.sleep(0.01)
        return [m.build(m.ECHO, 1, host_us, (host_us + 5_000_000) & 0xFFFFFFFF, len(delayed), 1)]

    bridge, _ = wire.bridge(answer)
    bridge.greet()
    bridge.beat()
    assert until(lambda: len(delayed) > 10)
    assert bridge.clock_offset_us == pytest.approx(5_000_000, abs=5000)
    assert bridge.board_tick > 5
    assert bridge.powered == 1


# --- telemetry, faults, text


def rows_frame(dropped=0):
    head = struct.pack("<BBHHH", m.ROWS, 9, 0b101, 0b11, dropped)
    rows = struct.pack("<I4f", 40, 0.25, 0.5, 0.75, 1.0)
    return head + rows + struct.pack("<I4f", 41, 1.25, 1.5, 1.75, 2.0)


def test_rows_are_told_by_tick_joint_and_field(wire):
    bridge, transport = wire.bridge()
    seen = []
    bridge.on_rows.append(seen.append)
    transport.queue.put(framing.encode(rows_frame(3)))
    assert until(lambda: seen)
    rows = seen[0]
    assert (rows.ticks, rows.joints, rows.dropped) == ([40, 41], [0, 2], 3)
    assert rows.fields == ["angle_rad", "setpoint_rad"]
    assert rows.values == [[[0.25, 0.5], [0.75, 1.0]], [[1.25, 1.5], [1.75, 2.0]]]
    assert bridge.counters.rows == 2
    assert bridge.counters.dropped == 3


def test_a_fault_is_told_once_and_acknowledged_each_time(wire):
    bridge, transport = wire.bridge()
    told = []
    bridge.on_event.append(lambda name, data: told.append((name, data)))
    for _ in range(3):
        transport.queue.put(framing.encode(m.build(m.FAULT, 1, 500, 1, 4, 4)))
    assert until(lambda: transport.kinds().count(m.SEEN) == 3)
    assert told == [("fault", {"joint": 1, "fault": 4, "mode": 4, "tick": 500})]
    assert bridge.faults == {1: (4, 500)}
    assert transport.sent[0][2:] == bytes((1, 4))


def test_health_and_text_become_events(wire):
    bridge, transport = wire.bridge()
    told = []
    bridge.on_event.append(lambda name, data: told.append((name, data)))
    transport.queue.put(
        framing.encode(m.build(m.HEALTH, 1, 300, 900, 2, 7, 450, 65000, 1, 2, 3, 4))
    )
    transport.queue.put(framing.encode(bytes((m.TEXT, 2, 1)) + b"half a letter \xc3"))
    assert until(lambda: len(told) == 2)
    assert told[0][1]["late"] == 2
    assert told[0][1]["free"] == 65000
    assert told[0][1]["standstills"] == 4
    assert told[1][1]["text"].startswith("half a letter")


# --- losing the board


def test_a_board_that_goes_away_is_told_once_and_ends_what_waits(wire):
    bridge, transport = wire.bridge(lambda payload: [])
    told = []
    bridge.on_event.append(lambda name, data: told.append((name, data)))
    threading.Timer(0.1, lambda: setattr(transport, "gone", "unplugged")).start()
    with pytest.raises(LinkLostError, match="unplugged"):
        bridge.request(m.DRIVE_OFF, MASK, 5.0)
    assert bridge.lost == "unplugged"
    with pytest.raises(LinkLostError):
        bridge.tell(m.SETPOINTS, b"")
    assert until(lambda: transport.closed)
    assert told == [("link_lost", {"reason": "unplugged"})]


def test_closing_takes_the_drive_off_first(wire):
    bridge, transport = wire.bridge()
    bridge.close()
    assert transport.sent[-1][0] == m.DRIVE_OFF
    assert transport.sent[-1][2:] == b"\xff\xff"
    assert transport.closed
    assert bridge.lost is None


def test_closing_a_silent_board_gives_up_after_a_few_tries(wire):
    bridge, transport = wire.bridge(lambda payload: [])
    bridge.close()
    assert transport.closed
    asked = [payload for payload in transport.sent if payload[0] == m.DRIVE_OFF]
    assert 1 <= len(asked) < 20
