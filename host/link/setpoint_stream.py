"""Stream setpoints to the bench in step, and stop first whatever happens."""

import signal
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from math import floor
from typing import Any

import numpy as np

from controller.joint.modes import POWERED
from controller.wire import messages as m
from host.errors import RefusedError, StoppedError
from host.link.moves import Move
from host.link.session import INBOUND_SHARE, Session
from sim.errors import InputError

ARM_WAIT_S = 4.0
"""Longest self-test, by the board's clock."""
STOPPED_S = 1.0
"""A controlled stop is over by then, by the board's clock."""
LOOK_S = 0.01
UNHEARD_S = 20.0
"""Real time in which a board must tell some time of its own."""


@dataclass
class Streamed:
    """What a stream did: send times against due times (s)."""

    sent: int = 0
    late_s: list[float] = field(default_factory=list)

    def jitter(self) -> dict[str, float]:
        """Lateness of sending: median, 99th percentile, worst (s)."""
        late = np.array(self.late_s or [0.0])
        return {"median_s": float(np.median(late)), "p99_s": float(np.percentile(late, 99)),
                "worst_s": float(late.max())}  # fmt: skip


class StopOnInterrupt:
    """Ctrl-C stops the drive first and the program then."""

    def __init__(self, session: Session) -> None:
        self.session = session
        self.asked = False

    def __enter__(self) -> "StopOnInterrupt":
        return self

    def __exit__(self, kind: object, *_: object) -> None:
        """STOP where Ctrl-C has unwound what was going on: a write in hand holds its lock no more."""
        if kind is not KeyboardInterrupt or self.asked:
            return
        main = threading.current_thread() is threading.main_thread()
        before = signal.signal(signal.SIGINT, signal.SIG_IGN) if main else None
        self.asked = True
        print(f"\nSTOP: {self.session.stop().words()}", flush=True)
        if before is not None:
            signal.signal(signal.SIGINT, before)


def check_budget(session: Session, rate_Hz: float) -> None:
    """Refuse a stream beyond what the boards can take in. Raises InputError."""
    share = session.inbound_share(rate_Hz)
    if share > INBOUND_SHARE:
        beats = session.inbound_share(0.0)  # they take their share at any rate
        most = floor(rate_Hz * (INBOUND_SHARE - beats) / (share - beats))
        told = (
            f"at most about {most} Hz" if most >= 4 else "not even beats fit; lower the tick rate"
        )
        raise InputError("", "--rate", f"{rate_Hz:g} Hz",
                         f"is beyond the board's inbound budget; {told}")  # fmt: skip


def arm_and_wait(session: Session, joints: list[int] | None = None) -> None:
    """Arm, and wait until the self-tests are over. Raises StoppedError, with the fault that is in the way."""
    asked = session.masks(joints)
    states: dict[tuple[int, int], int] = {}
    latched: dict[int, int] = {}

    def watch(number: int) -> Callable[[Any], None]:
        first = asked[number][0].first

        def take(rows: Any) -> None:
            if "mode" in rows.fields:
                at = rows.fields.index("mode")
                for place, values in zip(rows.joints, rows.values[-1], strict=True):
                    states[number, place] = int(values[at])
                    if "fault" in rows.fields:
                        fault = int(values[rows.fields.index("fault")])
                        latched[first + place] = fault

        return take

    listeners = []
    for number, (board, _) in enumerate(asked):
        listeners.append((board.bridge, watch(number)))
        board.bridge.on_rows.append(listeners[-1][1])
    try:
        try:
            session.arm(joints)
        except RefusedError as error:
            raise StoppedError(f"arming was refused: {error}") from None
        for _ in waiting(session, ARM_WAIT_S):
            modes = [states.get((n, place), 0) for n, (_, mask) in enumerate(asked)
                     for place in range(16) if mask >> place & 1]  # fmt: skip
            if modes and all(mode == POWERED for mode in modes):
                return
    finally:
        for bridge, listener in listeners:
            bridge.on_rows.remove(listener)
    for joint, fault in sorted(latched.items()):
        if fault != 0:  # latched before, and its cause stands: the board does not tell it again
            raise StoppedError(fault_words(session.name_of(joint), fault))
    raise StoppedError("the joints did not become powered in time")


def fault_words(joint: str, fault: int) -> str:
    """A joint's fault by name, cause and cure."""
    from sim.documentation import fault_table

    texts = {row["number"]: row for row in fault_table()}
    row = texts.get(fault, {"name": f"fault {fault}", "cause": "", "cure": ""})
    return f"{joint}: {row['name']} ({row['cause']}). {row['cure']}."


def raise_faults(session: Session) -> None:
    """Raise StoppedError if a joint has tripped or a link was lost, InputError if recording failed."""
    if session.recorder is not None:
        session.recorder.check()
    for bridge in session.bridges:
        if bridge.lost is not None:
            raise StoppedError(f"the link was lost: {bridge.lost}")
        for place, (fault, _) in sorted(bridge.faults.items()):
            joint = session.first_joint(bridge) + place
            raise StoppedError(fault_words(session.name_of(joint), fault))


def clear_latched(session: Session, wait_s: float = 0.25) -> list[str]:
    """Clear what is latched from an earlier run, for a person who starts the next one; say what.

    A fault whose cause stands is latched again at once, and refuses arming.
    """
    from sim.documentation import fault_table

    names = {row["number"]: row["name"] for row in fault_table()}
    for _ in waiting(session, wait_s, faults=False):  # boards tell a new host ten times a second
        if all(bridge.faults for bridge in session.bridges):
            break
    found = []
    for bridge in session.bridges:
        for place, (fault, _) in sorted(bridge.faults.items()):
            joint = session.name_of(session.first_joint(bridge) + place)
            found.append(f"{joint}: {names.get(fault, fault)}")
    if found:
        session.order(m.CLEAR)
        for bridge in session.bridges:
            bridge.faults.clear()
        for _ in waiting(session, 0.05, faults=False):
            pass
    return found


def approach(session: Session, starts: dict[int, float]) -> None:
    """Go to the first setpoints by the profile before a stream begins."""
    for joint, angle in starts.items():
        session.target(joint, angle)
    longest = 0.3
    for joint in starts:
        p = session.joints[joint].settings.profile
        span = 7.0
        if session.joints[joint].file.joint.range is not None:
            low, high = session.joints[joint].file.joint.range or (0.0, 0.0)
            span = high - low
        longest = max(longest, span / p.speed_rad_s + p.speed_rad_s / p.acceleration_rad_s2)
    wait(session, longest + 0.3)


def waiting(session: Session, seconds: float, faults: bool = True) -> Iterator[None]:
    """Look again and again until so much time has gone by on every board.

    Raises StoppedError where a joint trips (with ``faults``), a link is lost, or a board tells no time.
    """
    end: float | None = None
    heard, at = -1.0, time.monotonic()
    while (now := session.ticked_s()) < (end or now + 1.0):
        if end is None and now > 0.0:
            end = now + seconds
        if now != heard:
            heard, at = now, time.monotonic()
        elif time.monotonic() - at > UNHEARD_S:
            if not faults:
                return
            raise StoppedError(f"a board has told nothing for {UNHEARD_S:g} s")
        if faults:
            raise_faults(session)
        elif any(bridge.lost is not None for bridge in session.bridges):
            return
        yield
        time.sleep(LOOK_S)


def wait(session: Session, seconds: float) -> None:
    """Wait by the boards' clocks, watching for faults. Raises StoppedError."""
    for _ in waiting(session, seconds):
        pass


def stream(session: Session, moves: dict[int, Move], rate_Hz: float, repeats: int = 1,
           tell: Callable[[float, float], None] | None = None) -> Streamed:  # fmt: skip
    """Send setpoints of some joints in step, ``rate_Hz`` times a second.

    Jumping moves are sent as targets of the profile when they change. Raises
    StoppedError when a joint trips or a link is lost.
    """
    done = Streamed()
    seconds = max(move.seconds for move in moves.values())
    span = 1.0 / rate_Hz
    count = floor(seconds * rate_Hz + 1e-9) + 1
    jumping = {joint: move for joint, move in moves.items() if move.jumps}
    smooth = {joint: move for joint, move in moves.items() if not move.jumps}
    held: dict[int, float] = {}
    begun = session.time_s()
    for number in range(count * repeats):
        due = begun + number * span
        while (left := due - session.time_s()) > 0.0:
            time.sleep(left)
        done.late_s.append(max(session.time_s() - due, 0.0))
        raise_faults(session)
        t = (number % count) * span
        for joint, move in jumping.items():
            angle, _ = move.at(t)
            if held.get(joint) != angle:
                held[joint] = angle
                session.target(joint, angle)
        if smooth:
            session.setpoints({joint: move.at(t) for joint, move in smooth.items()}, span)
        done.sent += 1
        if tell is not None:
            tell(number * span, seconds * repeats)
    return done


def stop_softly(session: Session) -> None:
    """End a stream: a controlled stop, then the drive off. Raises StoppedError where a board is silent."""
    ended = session.stop(1)
    if ended.silent:
        raise StoppedError(ended.words())
    for _ in waiting(session, STOPPED_S, faults=False):
        if not any(bridge.powered for bridge in session.bridges):
            break
    session.order(m.DRIVE_OFF)
