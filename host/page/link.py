"""The session that the page works on: what may be asked of it, its telemetry, its links lost and found."""

import contextlib
import struct
import threading
import time
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from host.page.joints import low_force
from host.page.opening import Opening
from host.page.orders import SHOWN
from host.page.sine import Sine

FIND_S = 0.5
"""Between attempts to open a lost link again."""
FIELDS = ["angle_rad", "setpoint_rad", "force_N", "allowed_V", "winding_C", "mode"]
MORE = ["counts", "fault", "limits"]
"""Of a single joint too."""
HEAD = struct.Struct("<IIII")
"""Of a telemetry block: first joint, joints | fields << 16, rows, rows dropped by the board; then the
ticks (u32), then rows of joints of fields (f32)."""


class Link:
    """The session and what the page may ask of it."""

    def __init__(self, opening: Opening, say: Any, board: Any) -> None:
        """Open ports or a virtual board that was begun, begin to record. Raises InputError."""
        from host.link.session import Session
        from host.page.joints import read
        from host.virtual.hand_boards import open_boards

        self.say = say
        self.opening = opening
        self.joints, hand = read(opening.paths)
        self.whole = hand is not None
        """Whether the joints are one hand: a trip of one then stops all."""
        self.boards = contextlib.ExitStack()
        ports = opening.ports
        with contextlib.ExitStack() as undone:  # whatever was opened is closed where the rest fails
            undone.callback(self.boards.close)
            if hand is not None:
                ports = open_boards(hand, ports, opening.runtime, opening.seed, self.boards)
            self.session = Session(self.joints, ports, opening.runtime, opening.seed, board)
            undone.callback(self.session.close)
            self._begin(hand.name if hand else self.joints[0].file.joint.name)
            undone.pop_all()

    def _begin(self, name: str) -> None:
        """Send settings, begin to listen and to record. Raises InputError."""
        from host.commands.shared.loading import slug
        from host.link.session import new_folder
        from host.recordings.session_recording import about, begin_recording

        opening = self.opening
        self.shares = [opening.low_share] * len(self.joints)
        self.settings = [low_force(joint, opening.low_share) for joint in self.joints]
        self.session.send_settings(dict(enumerate(self.settings)))
        tick_s = self.joints[0].settings.tick_s
        self.every = max(1, round(1.0 / ((1000.0 if len(self.joints) == 1 else 200.0) * tick_s)))
        self.folder = new_folder(Path(opening.out), slug(name) + "-bench")
        self.blocks: list[tuple[int, Any]] = []
        self.lock = threading.Lock()
        self.recording_failed = False
        self.stops = 0
        """Stops so far: orders asked before the last one are void."""
        self.gone = threading.Event()
        """A link was lost, or a joint of a hand has tripped: the rest is to be stopped."""
        self.closing = threading.Event()
        self.orders = threading.Lock()
        for bridge in self.session.bridges:
            self._listen(bridge)
        self.lead = self.session.bridges[0]
        """Ticks are told as this one counts them."""
        self.fields = _in_order(FIELDS + MORE if len(self.joints) == 1 else FIELDS)
        info = {**about(self.session, opening.seed), "made_on": "the bench page"}
        self.recorder = begin_recording(self.session, self.folder, self.fields, self.every, info)
        self.sine_run: Sine | None = None
        self.stopped_for_silence = False
        self.in_the_way = ""
        """Why a lost link was not opened again at the last attempt."""

    def _listen(self, bridge: Any) -> None:
        first = self.session.first_joint(bridge)
        bridge.on_rows.append(partial(self._rows, first))
        bridge.on_event.append(partial(self._event, bridge.url, first))

    # --- links lost and found

    def find(self) -> None:
        """Stop the rest when a link is lost, and open it again: a thread's work until the end."""
        while not self.closing.is_set():
            if self.gone.wait(FIND_S) and self.powered:
                self.stop(1)
            self.gone.clear()
            for number, bridge in enumerate(self.session.bridges):
                if bridge.lost is not None and not self.closing.is_set():
                    self._try_again(number)

    def _try_again(self, number: int) -> None:
        """Open a lost link, or say once what is in the way."""
        try:
            found = self.session.open_again(number, self.every)  # seconds: orders need not wait
            try:
                with self.orders:  # an order sees the old link or the new one, with its settings
                    self.session.take_in(number, found)
                    self._take_back(number, found)
            except Exception as error:
                found.close()
                found.lost = found.lost or str(error)
                raise
        except Exception as error:
            if str(error) != self.in_the_way:
                self.in_the_way = str(error)
                self.say(("event", "text", {"text": f"not found again yet: {error}"}))
            return
        self.in_the_way = ""
        data = {"port": found.url, "joints": self.session.joints_of(number)}
        self.recorder.event("link_found", data)
        self.say(("event", "link_found", data))

    def _take_back(self, number: int, found: Any) -> None:
        """Listen to a board that is there again, and send it what it had."""
        from host.recordings.session_recording import listen_to

        joints = self.session.joints_of(number)
        self._listen(found)
        listen_to(self.session, found, self.lead, self.recorder)
        latched = list(found.faults.items())  # before anybody listened
        for joint, (fault, tick) in latched:
            for listener in found.on_event:
                listener("fault", {"joint": joint, "fault": fault, "mode": 4, "tick": tick})
        self.session.send_settings({k: self.settings[k] for k in joints})
        self.session.telemetry(self.fields, self.every, joints_of=joints)

    # --- telemetry

    def _rows(self, first: int, rows: Any) -> None:
        with self.lock:
            self.blocks.append((first, rows))

    def _event(self, url: str, first: int, name: str, data: dict[str, Any]) -> None:
        from host.recordings.session_recording import numbered

        if name == "link_lost":
            data = {"port": url, **data}
        if name == "link_lost" or (name == "fault" and self.whole):
            self.gone.set()
        if name != "health":
            self.say(("event", name, numbered(data, first)))

    def flush(self) -> None:
        """Send what has come as one block: ticks (u32), then rows of joints of fields (f32)."""
        with self.lock:
            blocks, self.blocks = self.blocks, []
        groups: dict[tuple[int, tuple[int, ...]], list[Any]] = {}
        for first, rows in blocks:  # a board sends as many joints a frame as fit
            if rows.fields == self.fields:
                groups.setdefault((first, tuple(rows.joints)), []).append(rows)
        for (first, places), frames in groups.items():
            ticks = np.array([tick for rows in frames for tick in rows.ticks], np.uint32)
            values = np.array([row for rows in frames for row in rows.values], np.float32)
            count, joints, fields = values.shape
            shape = joints | fields << 16
            head = HEAD.pack(first + places[0], shape, count, frames[-1].dropped)
            self.say(("rows", head + ticks.tobytes() + values.tobytes()))

    def status(self) -> dict[str, Any]:
        """How links and boards are."""
        boards = []
        for bridge in self.session.bridges:
            trips = bridge.counters.round_trips_s[-40:]
            boards.append({"port": bridge.url, "lost": bridge.lost, "bad": bridge.counters.bad,
                           "dropped": bridge.counters.dropped, "health": bridge.health,
                           "round_trip_ms": 1e3 * float(np.median(trips)) if trips else None})  # fmt: skip
        return {"boards": boards, "powered": self.powered, "shares": self.shares,
                "sine": self.sine_run is not None and self.sine_run.is_alive(),
                "recorded_rows": self.recorder.rows_written, "gaps": self.recorder.gaps}  # fmt: skip

    @property
    def powered(self) -> bool:
        """Whether the drive of any joint is on, as the boards' echoes tell."""
        return any(bridge.powered for bridge in self.session.bridges if bridge.lost is None)

    # --- what may be asked

    def end_sine(self) -> None:
        """End what is being streamed."""
        if self.sine_run is not None:
            self.sine_run.ended.set()

    def stop(self, category: int) -> dict[str, Any]:
        """STOP all joints on all boards."""
        self.stops += 1
        self.end_sine()
        done = self.session.stop(category)
        self.recorder.event("stop", {"category": category, "answered_s": done.took_s,
                                     "silent_boards": list(done.silent)})  # fmt: skip
        return {"answered_ms": 1e3 * done.took_s, "answered_at": time.time(),
                "silent": list(done.silent), "words": done.words()}  # fmt: skip

    def arm(self, joints: list[int] | None, cautioned: bool = False) -> dict[str, Any]:
        """Arm; the self-test runs on the board. ``cautioned``: the caution was ticked for it."""
        self.stopped_for_silence = False
        self.recorder.event("caution", {"joints": joints, "ticked": cautioned})
        self.session.arm(joints)
        return {}

    def drive_off(self, joints: list[int] | None) -> dict[str, Any]:
        """Drive off."""
        from controller.wire import messages as m

        self.end_sine()
        self.session.order(m.DRIVE_OFF, joints)
        return {}

    def clear(self, joints: list[int] | None) -> dict[str, Any]:
        """Clear latched faults; never arms."""
        from controller.wire import messages as m

        self.session.order(m.CLEAR, joints)
        for bridge in self.session.bridges:
            bridge.faults.clear()
        return {}

    def release(self, joints: list[int] | None) -> dict[str, Any]:
        """A short weak move back, then off."""
        from controller.wire import messages as m

        self.end_sine()
        self.session.order(m.RELEASE, joints)
        return {}

    def target(self, joint: int, angle: float, mark: str) -> dict[str, Any]:
        """Move to an angle by the profile; the tick at which it was taken."""
        self.end_sine()
        self.session.target(joint, angle)
        bridge = self.session.board_of(joint)[0].bridge
        self.recorder.event("mark", {"what": mark, "joint": joint, "angle_rad": angle})
        return {"tick": bridge.board_tick}

    def sine(self, joint: int, centre: float, amplitude: float, hertz: float, seconds: float
             ) -> dict[str, Any]:  # fmt: skip
        """Stream a sine."""
        from host.link.moves import sine

        self.end_sine()
        move = sine(centre, amplitude, hertz, seconds)
        self.sine_run = Sine(self.session, joint, move,
                           lambda k, why: self.say(("event", "sine", {"joint": k, "why": why})))  # fmt: skip
        self.sine_run.start()
        self.recorder.event("mark", {"what": "sine", "joint": joint, "hertz": hertz})
        return {}

    def apply(self, joint: int, gains: dict[str, float] | None, share: float | None) -> dict[str, Any]:  # fmt: skip
        """Take new gains or another force limit: drive off, settings sent whole. Raises InputError."""
        from controller.joint.settings.settings import Settings
        from controller.records import copy

        self.drive_off([joint])
        self._wait_off(joint)
        kept = self.settings[joint]
        made = Settings()
        copy(kept, made)
        if share is not None:
            fresh = low_force(self.joints[joint], share)
            copy(kept.gains, fresh.gains)
            made = fresh
        for name, value in (gains or {}).items():
            setattr(made.gains, name, value)
        self.session.send_settings({joint: made})
        self.settings[joint] = made
        if share is not None:
            self.shares[joint] = share
        self.recorder.event("settings", {"joint": joint, "gains": gains, "force_share": share})
        return {"shares": self.shares, "gains": self.gains(joint)}

    def gains(self, joint: int) -> dict[str, float]:
        """The gains in force that the page shows."""
        own = self.settings[joint].gains
        return {name: float(getattr(own, name)) for name in SHOWN}

    def _wait_off(self, joint: int) -> None:
        """Wait until the board tells that the joint's drive is off."""
        board, place = self.session.board_of(joint)
        bridge = board.bridge
        end = time.monotonic() + 1.0
        while bridge.powered >> place & 1 and time.monotonic() < end:
            time.sleep(0.005)

    def inject(self, joint: int, fault: str) -> dict[str, Any]:
        """Let something go wrong on a virtual board."""
        from host.virtual.faults import WORDS

        self._meddle(joint, WORDS[fault][0])
        self.recorder.event("injected", {"joint": joint, "fault": fault})
        return {}

    def hand(self, joint: int, angle: float) -> dict[str, Any]:
        """Move a virtual joint as by hand."""
        from sim.model.schedule import MOVE_BY_HAND

        self._meddle(joint, [(MOVE_BY_HAND, angle, 0.0, 0.0)])
        return {}

    def _meddle(self, joint: int, injects: list[tuple[int, float, float, float]]) -> None:
        from controller.wire import messages as m
        from sim.errors import InputError

        if not self.session.virtual:
            raise InputError("", "inject", None, "only a virtual board takes faults")
        board, place = self.session.board_of(joint)
        bridge = board.bridge
        for kind, a, b, c in injects:
            bridge.request(m.MEDDLE, struct.pack(m.LAYOUT[m.MEDDLE], place, kind, a, b, c))

    def close(self) -> None:
        """Drive off, recording closed."""
        self.closing.set()
        self.gone.set()
        self.end_sine()
        with contextlib.suppress(Exception):
            self.session.stop(0)
        self.session.close()
        self.boards.close()
        with contextlib.suppress(Exception):
            self.recorder.close()


def _in_order(names: list[str]) -> list[str]:
    """Fields as rows carry them: in the order of the link's bits."""
    from controller.wire import messages as m

    return [name for name in m.FIELDS if name in names]
