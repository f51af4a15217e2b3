"""The node, the link and the second watch on the real MicroPython interpreter."""

import struct
import time
from collections import Counter
from pathlib import Path

import pytest

from controller.joint import faults
from controller.wire import messages as m
from host.errors import RefusedError
from host.link.session import Session
from sim.model import schedule
from sim.model.schedule import MOVE_BY_HAND, RAISE, STALL
from sim.run.closed_loop import load_joint
from tests.waiting import until

NOMINAL = Path(__file__).resolve().parents[1] / "data" / "nominal.toml"


# --- what a frame costs

MEASURED = {
    # bytes of heap a frame, on the 64-bit interpreter (v1.28 and v1.29); a 32-bit board takes about
    # half. plain: nothing to stuff; worst: every octet is stuffed.
    ("encode_plain", 9): 192, ("encode_worst", 9): 384,
    ("encode_plain", 32): 256, ("encode_worst", 32): 608,
    ("encode_plain", 53): 256, ("encode_worst", 53): 768,
    ("encode_plain", 248): 640, ("encode_worst", 248): 2336,
    ("decode_plain", 9): 96, ("decode_worst", 9): 288,
    ("decode_plain", 32): 128, ("decode_worst", 32): 416,
    ("decode_plain", 53): 128, ("decode_worst", 53): 512,
    ("decode_plain", 248): 320, ("decode_worst", 248): 1504,
    ("read_plain", 9): 448, ("read_worst", 9): 640,
    ("read_plain", 32): 512, ("read_worst", 32): 832,
    ("read_plain", 53): 512, ("read_worst", 53): 960,
    ("read_plain", 248): 896, ("read_worst", 248): 2336,
    ("pieces_plain", 9): 768, ("pieces_worst", 9): 960,
    ("pieces_plain", 32): 1344, ("pieces_worst", 32): 2208,
    ("pieces_plain", 53): 1600, ("pieces_worst", 53): 3584,
}  # fmt: skip


@pytest.fixture(scope="module")
def frame_costs(run_script):
    found = {}
    for line in run_script("framing_budget.py").splitlines():
        name, octets, cost = line.split()
        found[name, int(octets)] = int(cost)
    return found


def test_measuring_itself_costs_nothing(frame_costs):
    assert frame_costs["loop", 0] == 0


@pytest.mark.parametrize(("name", "octets"), MEASURED)
def test_a_frame_keeps_its_budget_of_memory(frame_costs, name, octets):
    """A tenth above what was measured."""
    cost = frame_costs[name, octets]
    assert octets <= cost <= 1.1 * MEASURED[name, octets]


def test_what_a_frame_costs_grows_with_its_length_not_with_its_square(frame_costs):
    for work in ("encode", "decode", "read"):
        for kind in ("plain", "worst"):
            name = f"{work}_{kind}"
            least, most = frame_costs[name, 9], frame_costs[name, 248]
            assert (most - least) / (248 - 9) <= 12.0, name


# --- a session, octet for octet


@pytest.fixture(scope="module")
def sessions(run_script):
    """What the node sent in simulated time, on both interpreters: lines of tick, kind, payload."""
    texts = [run_script("node_session.py", python=python, heap="512k") for python in (True, False)]
    return [[line.split() for line in text.splitlines()] for text in texts]


def test_a_session_is_the_same_octet_for_octet(sessions):
    on_cpython, on_micropython = sessions
    for a, b in zip(on_cpython, on_micropython, strict=True):
        assert a == b


def test_the_session_uses_what_it_should(sessions):
    """Guard of the guard: every kind of message, every result, every fault that was provoked."""
    lines = [line for line in sessions[0] if line[0] != "end"]
    payloads = [bytes.fromhex(line[2]) for line in lines]
    kinds = Counter(payload[0] for payload in payloads)
    every = {m.IDENTITY, m.ECHO, m.ANSWER, m.VALUES, m.ROWS, m.FAULT, m.HEALTH, m.TEXT}
    assert set(kinds) == every
    assert kinds[m.ROWS] > 100
    results = {payload[4] for payload in payloads if payload[0] == m.ANSWER}
    assert results == {m.DONE, m.UNKNOWN, m.BAD_LENGTH, m.NO_JOINT, m.OUT_OF_RANGE, m.DIFFERS,
                       m.NOT_NOW, m.NO_LEASE, m.REFUSED}  # fmt: skip
    told = {m.parse(payload)[2] for payload in payloads if payload[0] == m.FAULT}
    assert {faults.STOP_PRESSED, faults.TICK_ERROR, faults.LINK_SILENT} < told
    assert told & {faults.WIPER_RAIL, faults.SENSOR_JUMP}
    rows = [payload for payload in payloads if payload[0] == m.ROWS]
    want = [struct.unpack_from("<Iff", payload, 8)[2] for payload in rows]
    assert max(want) > 1.75
    assert sessions[0][-1] == ["end", sessions[0][-1][1], "0.0", "True"], "off, and driven before"


# --- the virtual board, as people start it


def converse(runtime):
    """A session with a virtual board; returns what can be compared between runtimes.

    Waiting is bounded, never timed: what is compared are answers, not when they came.
    """
    joint = load_joint(NOMINAL)
    joint.settings.stopping.check_V = 0.0
    heard = []
    rows = []
    with Session([joint], runtime=runtime) as session:
        (bridge,) = session.bridges
        bridge.on_rows.append(lambda got: rows.extend(got.values))

        def ask(kind, body=b""):
            try:
                payload = bridge.request(kind, body, 5.0)
            except RefusedError as error:
                heard.append((kind, error.result, error.detail))
            else:
                heard.append((kind, m.DONE, payload[5:].hex() if payload[0] == m.VALUES else ""))

        def wait_for(condition):
            assert until(condition), f"{runtime}: it never came to that"

        identity = session.boards[0].identity
        ask(m.ARM, struct.pack("<HI", 1, 0xDEADBEEF))
        ask(m.TARGET, struct.pack("<BBfh", 0, 0, 1.0, 0))
        session.send_settings()
        digest = session.boards[0].digest
        heard.append(("digest", digest))
        ask(m.READ, struct.pack("<BHB", 0, 0, 40))
        ask(m.READ, struct.pack("<BHB", 0, 60000, 1))
        session.telemetry(["angle_rad", "setpoint_rad", "allowed_V", "mode"], every=2, rows=4)
        wait_for(lambda: rows)
        session.arm()
        wait_for(lambda: bridge.powered == 1)
        ask(m.APPLY, struct.pack("<BI", 0, digest))
        session.target(0, 1.3)
        wait_for(lambda: abs(rows[-1][0][0] - 1.3) < 0.03 and rows[-1][0][1] == pytest.approx(1.3))
        ask(m.TARGET, struct.pack("<BBfh", 0, 0, 99.0, 0))
        while rows[-1][0][1] < 1.38:
            session.setpoints({0: (min(rows[-1][0][1] + 0.05, 1.4), 0.0)}, 0.02)
            time.sleep(0.02)
        ask(m.HOLD, struct.pack("<H", 1))
        session.stop()
        wait_for(lambda: rows[-1][0][3] == 4 and rows[-1][0][2] == 0.0)
        wait_for(lambda: bridge.powered == 0 and 0 in bridge.faults)
        heard.append(("fault", bridge.faults[0][0]))
        ask(m.SEEN, struct.pack("<BB", 0, faults.STOP_PRESSED))
        ask(m.CLEAR, struct.pack("<H", 1))
        ask(m.MEDDLE, struct.pack("<BBfff", 0, schedule.LOAD, 0.01, 0.0, 0.0))
        ask(m.MEDDLE, struct.pack("<BBfff", 5, schedule.LOAD, 0.0, 0.0, 0.0))
        ask(m.MEDDLE, struct.pack("<BBfff", 0, 250, 0.0, 0.0, 0.0))
        meddled = len(heard)
        ask(m.MEDDLE, struct.pack("<BBfff", 0, MOVE_BY_HAND, 1.0, 0.0, 0.0))
        ask(m.MEDDLE, struct.pack("<BBfff", 0, STALL, 0.001, 0.0, 0.0))
        ask(m.MEDDLE, struct.pack("<BBfff", 0, RAISE, 0.0, 0.0, 0.0))
        special = heard[meddled:]
        del heard[meddled:]
        ask(0x55)
        ask(m.LEAVE, struct.pack("<I", 7))
    return {
        "answers": heard, "special": special, "build": identity.build, "joints": identity.joints,
        "flags": identity.flags, "tick_us": identity.tick_us, "version": identity.version,
    }  # fmt: skip


@pytest.fixture(scope="module")
def conversations(micropython):
    pytest.importorskip("pty", reason="needs a pty")
    return converse("cpython"), converse("micropython")


def test_a_virtual_board_answers_alike_under_both_runtimes(conversations):
    on_cpython, on_micropython = conversations
    assert on_cpython["answers"] == on_micropython["answers"]
    for key in ("build", "joints", "flags", "tick_us", "version"):
        assert on_cpython[key] == on_micropython[key], key


def test_the_conversation_was_one(conversations):
    """Guard of the guard: refused and done, and the fault of the stop."""
    answers = conversations[0]["answers"]
    assert ("fault", faults.STOP_PRESSED) in answers
    results = {answer[1] for answer in answers if isinstance(answer[0], int)}
    assert {m.DONE, m.UNKNOWN, m.NOT_NOW, m.OUT_OF_RANGE, m.REFUSED} <= results


def test_what_can_be_injected_is_the_same_under_both_runtimes(conversations):
    on_cpython, on_micropython = conversations
    assert [result for _, result, _ in on_cpython["special"]] == [m.DONE] * 3
    assert on_cpython["special"] == on_micropython["special"]
