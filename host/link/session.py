"""A session with the bench: joints, the boards they are on, settings, STOP for all.

With no port a virtual board is started and ended with the session, and the
screen says so. A joint is a number over all boards, in the order of the ports.
"""

import contextlib
import math
import struct
import subprocess
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from controller.joint.angles import wrapped
from controller.joint.settings.contradictions import contradiction
from controller.joint.settings.settings import CONTINUOUS, Settings
from controller.wire import messages as m
from controller.wire import table
from controller.wire.framing import BLOCK
from host.errors import LinkLostError, NoAnswerError, RefusedError
from host.link.bridge import BEAT_S, Bridge, Identity
from host.link.transport import open_url
from host.virtual.board import job_of, refuse_builtin
from host.virtual.starting import begin_board, give, url_of
from sim.errors import InputError
from sim.run.closed_loop import Joint
from sim.units import DEG

if TYPE_CHECKING:
    from host.recordings.recorder import Recorder

CELLS_AT_ONCE = 10  # a frame stays within one USB packet of 64 octets
VIRTUAL_CELLS_AT_ONCE = 25  # within what a virtual board reads in a tick
INBOUND_SHARE = 0.7

ANSWER_S = 0.5
"""A board that has not answered a STOP within this may still be driving."""
SOFT_S = 10.0


@dataclass(frozen=True)
class Stopped:
    """What became of a STOP: time (s) until all answered or were given up, boards, the silent ones."""

    took_s: float
    boards: int
    silent: tuple[int, ...]

    def words(self) -> str:
        """What a person must know: a board that is silent may still be driving."""
        if not self.silent:
            who = "the board" if self.boards == 1 else f"all {self.boards} boards"
            return f"stopped: {who} answered within {self.took_s * 1e3:.0f} ms"
        who = "no board answered: it" if len(self.silent) == self.boards else (
            "no answer from board " + ", ".join(str(k) for k in self.silent) + ": it")  # fmt: skip
        return f"{who} may still be driving. Supply switch!"


@dataclass
class Board:
    """One board of a session: its link, who it is, the number of its first joint, its settings' digest."""

    bridge: Bridge
    identity: Identity
    first: int = 0
    digest: int = 0

    @property
    def numbers(self) -> range:
        """Numbers of the joints that it has places for."""
        return range(self.first, self.first + self.identity.joints)


class Session:
    """Open links to all boards of some joints."""

    def __init__(self, joints: list[Joint], ports: list[str] | None = None,
                 runtime: str = "cpython", seed: int = 1,
                 board: subprocess.Popen[str] | None = None) -> None:  # fmt: skip
        """Open the ports, or a virtual board: ``board`` is one begun early. Raises InputError."""
        for joint in joints:
            refuse_builtin(joint)
        self.joints = joints
        self.virtual_process = board
        self.recorder: Recorder | None = None
        """What this session is recorded by, if anything: watched like the joints."""
        self._virtual_as = (runtime, seed)
        self.boards: list[Board] = []
        if not ports:
            ports = [self._start_virtual(runtime, seed)]
        with contextlib.ExitStack() as undone:
            undone.callback(self.close)
            bridges = []
            for port in ports:
                bridges.append(Bridge(open_url(port), port))
                undone.callback(bridges[-1].close)
            self.boards = [Board(bridge, _greet(bridge)) for bridge in bridges]
            for one in self.boards:
                _same_code(one.bridge, one.identity)
            self._share_out()
            undone.pop_all()
        for one in self.boards:
            one.bridge.beat()

    @property
    def bridges(self) -> list[Bridge]:
        """The links to the boards."""
        return [board.bridge for board in self.boards]

    def _start_virtual(self, runtime: str, seed: int) -> str:
        if self.virtual_process is None:
            self.virtual_process = begin_board(runtime)
        give(self.virtual_process, job_of(self.joints, seed=seed))
        return url_of(self.virtual_process)

    def _share_out(self) -> None:
        """Give every joint a place on a board; the boards must have just enough, and one rate."""
        rates = sorted({board.identity.tick_us for board in self.boards})
        if len(rates) > 1:
            told = ", ".join(f"{1e6 / one:g}" for one in rates)
            raise InputError("", "--port", None, f"the boards run at {told} Hz: boards of one session "
                             "need one rate")  # fmt: skip
        places = 0
        for board in self.boards:
            board.first = places
            places += board.identity.joints
        if places < len(self.joints):
            raise InputError("", "--port", None, f"{len(self.joints)} joints, but the boards have "
                             f"places for {places}")  # fmt: skip

    def board_of(self, joint: int) -> tuple[Board, int]:
        """The board that a joint is on, and its place there."""
        board = next(one for one in self.boards if joint in one.numbers)
        return board, joint - board.first

    @property
    def virtual(self) -> bool:
        """Whether every board is a simulated one."""
        return all(board.identity.virtual for board in self.boards)

    def reopen(self, number: int, every: int = 1) -> Bridge:
        """Open a lost link again; its ticks count on in steps of ``every``. Raises InputError.

        The drive is off, and the settings are the board's own: send them again. Listeners of the
        former link are not taken over.
        """
        return self.take_in(number, self.open_again(number, every))

    def open_again(self, number: int, every: int = 1) -> Bridge:
        """The slow part of ``reopen``: a new link to a lost board; the session still has the old one."""
        lost = self.boards[number].bridge
        lost.close()  # its reader may still have the port
        if self.virtual_process is not None and self.virtual_process.poll() is not None:
            self.virtual_process = None
            lost.url = self._start_virtual(*self._virtual_as)
        found = Bridge(open_url(lost.url), lost.url)
        try:
            identity = _greet(found)
            _same_code(found, identity)
            before = self.boards[number].identity.joints
            if identity.joints != before:
                raise InputError("", "--port", lost.url,
                                 f"came back with {identity.joints} joints, not {before}")  # fmt: skip
            # before the first beat: a link that was gone for less than the lease left it powered
            found.request(m.DRIVE_OFF, struct.pack("<H", 0xFFFF))
            found.beat()
            found.continue_from(lost, every)
        except BaseException:
            found.close()
            raise
        return found

    def take_in(self, number: int, found: Bridge) -> Bridge:
        """The rest of ``reopen``: the new link in the old one's place; nothing may be asked meanwhile."""
        assert found.identity is not None  # it has been greeted
        self.boards[number] = Board(found, found.identity, self.boards[number].first)
        return found

    def joints_of(self, number: int) -> list[int]:
        """Numbers of the joints on a board."""
        return [k for k in self.boards[number].numbers if k < len(self.joints)]

    def first_joint(self, bridge: Bridge) -> int:
        """Number of the first joint of a board."""
        return next(board.first for board in self.boards if board.bridge is bridge)

    def name_of(self, joint: int) -> str:
        """What a joint is called: by its file, or by the hand's."""
        return self.joints[joint].file.joint.name if joint < len(self.joints) else f"joint {joint}"

    def masks(self, joints: list[int] | None = None) -> list[tuple[Board, int]]:
        """Masks of some joints (all where None) by board."""
        asked = range(len(self.joints)) if joints is None else joints
        found = []
        for board in self.boards:
            mask = sum(1 << k - board.first for k in asked if k in board.numbers)
            if mask:
                found.append((board, mask))
        return found

    def send_settings(self, changed: dict[int, Settings] | None = None) -> None:
        """Send settings of all joints (or of some), checked here with the board's own code first.

        Raises InputError where a setting is contradictory or the board refuses it.
        """
        for k, joint in enumerate(self.joints):
            if changed is not None and k not in changed:
                continue
            settings = joint.settings if changed is None else changed[k]
            wrong = contradiction(settings)
            if wrong is not None:
                raise InputError(joint.path, wrong, _value(settings, wrong),
                                 "cannot stand beside the other settings")  # fmt: skip
            self._send_table(k, table.pack_table(settings))
        for board in self.boards:
            if board.bridge.lost is None:
                board.digest = board.bridge.greet().settings

    def _send_table(self, joint: int, data: bytes) -> None:
        board, place = self.board_of(joint)
        bridge, path = board.bridge, self.joints[joint].path
        step = 4 * (VIRTUAL_CELLS_AT_ONCE if board.identity.virtual else CELLS_AT_ONCE)
        try:
            for at in range(0, len(data), step):
                head = struct.pack(m.HEAD[m.SETTING], place, at // 4)
                bridge.request(m.SETTING, head + data[at : at + step])
            bridge.request(m.APPLY, struct.pack(m.LAYOUT[m.APPLY], place, table.digest(data)))
        except RefusedError as error:
            name = None
            if error.result == m.OUT_OF_RANGE:
                name = table.name_of(Settings, error.detail)
            if name == "tick_s":
                raise InputError(path, "control.rate", None,
                                 f"the board runs at {1e6 / board.identity.tick_us:g} Hz") from None  # fmt: skip
            raise InputError(path, name or "settings", None,
                             f"the board refused the settings: {error}") from None  # fmt: skip

    def telemetry(self, fields: list[str], every: int = 1, rows: int = 8,
                  joints_of: list[int] | None = None) -> None:  # fmt: skip
        """Ask the boards (of some joints, or all) for rows of these fields; 0 rows ends it."""
        mask = sum(1 << m.FIELDS.index(name) for name in set(fields))
        for board, joints in self.masks(joints_of):
            body = struct.pack(m.LAYOUT[m.TELEMETRY], joints, mask, every, rows)
            board.bridge.request(m.TELEMETRY, body)

    # --- time

    def time_s(self) -> float:
        """Time (s) by the boards' clocks: it stands still while a simulation waits for the computer."""
        return time.monotonic() - max(bridge.paused_s for bridge in self.bridges)

    def ticked_s(self) -> float:
        """Time (s) that the slowest board has ticked, as far as it has told; 0: one has told nothing yet."""
        return min(board.bridge.board_tick * board.identity.tick_us * 1e-6 for board in self.boards)

    # --- orders

    def arm(self, joints: list[int] | None = None) -> None:
        """Arm joints. Raises RefusedError."""
        for board, mask in self.masks(joints):
            board.bridge.faults.clear()
            self._granted(board.bridge, m.ARM, struct.pack("<HI", mask, board.digest))

    @staticmethod
    def _granted(bridge: Bridge, kind: int, body: bytes) -> None:
        """An order that a board refuses while another waits for its tick: asked again until that has come."""
        end = time.monotonic() + ANSWER_S
        while True:
            try:
                bridge.request(kind, body)
            except RefusedError as error:
                if error.result != m.NOT_NOW or time.monotonic() > end:
                    raise
                time.sleep(0.005)
            else:
                return

    def order(self, kind: int, joints: list[int] | None = None, extra: bytes = b"") -> None:
        """Send DRIVE_OFF, CLEAR, RELEASE or HOLD to joints: to every board, though one fails.

        Raises what the last failing board raised.
        """
        failed: Exception | None = None
        for board, mask in self.masks(joints):
            try:
                self._granted(board.bridge, kind, struct.pack("<H", mask) + extra)
            except (NoAnswerError, LinkLostError, RefusedError) as error:
                failed = error
        if failed is not None:
            raise failed

    def stop(self, category: int = 0) -> "Stopped":
        """STOP every joint on every board at once; return who answered, and when all had.

        A board that does not answer is counted on its lease: its beats end, and its link counts as lost.
        A virtual one that is to stop softly may be slow: its time waits for the computer.
        """
        begun = time.monotonic()
        wait_s = SOFT_S if category == 1 and self.virtual else ANSWER_S

        def one(bridge: Bridge) -> bool:
            try:
                bridge.request(m.STOP, struct.pack("<HB", 0xFFFF, category), wait_s)
            except (NoAnswerError, LinkLostError, RefusedError):
                bridge.beat(False)
                bridge.lose("did not answer a STOP")
                return False
            return True

        with ThreadPoolExecutor(len(self.bridges)) as pool:
            answers = list(pool.map(one, self.bridges))
        silent = tuple(k for k, good in enumerate(answers) if not good)
        return Stopped(time.monotonic() - begun, len(answers), silent)

    def target(self, joint: int, angle: float, grip: bool = False, turn: int | None = None) -> None:
        """Move a joint to an angle (rad) by its profile. Raises RefusedError."""
        board, place = self.board_of(joint)
        flags = (1 if grip else 0) | (0 if turn is None else 2)
        board.bridge.request(m.TARGET, struct.pack("<BBfh", place, flags, angle, turn or 0))

    def setpoints(self, angles: dict[int, tuple[float, float]], span_s: float) -> None:
        """Stream setpoints: joint to (angle rad, speed rad/s), the next one ``span_s`` later."""
        by_board: dict[int, list[tuple[int, int, int]]] = {}
        for k, (angle, speed) in angles.items():
            board, place = self.board_of(k)
            row = (place, *scaled(self.joints[k].settings, angle, speed))
            by_board.setdefault(self.boards.index(board), []).append(row)
        span = max(1, min(255, round(span_s * 1e3)))
        for number, rows in by_board.items():
            rows.sort()
            mask = sum(1 << place for place, _, _ in rows)
            body = struct.pack(m.HEAD[m.SETPOINTS], mask, span)
            body += b"".join(struct.pack("<Hh", position, rate) for _, position, rate in rows)
            self.boards[number].bridge.tell(m.SETPOINTS, body)

    def inbound_share(self, rate_Hz: float) -> float:
        """Share of the tightest board's inbound budget that a stream of this rate takes."""
        worst = 0.0
        for board, mask in self.masks():
            octets = _on_wire(5 + 4 * mask.bit_count() + 5)
            beats = _on_wire(9 + 5) / BEAT_S
            budget = board.identity.inbound * 1e6 / board.identity.tick_us
            worst = max(worst, (octets * rate_Hz + beats) / budget)
        return worst

    def close(self) -> None:
        """Drive off, links closed, virtual board ended."""
        for bridge in self.bridges:
            with contextlib.suppress(Exception):
                bridge.close()
        if self.virtual_process is not None:
            process = self.virtual_process
            if process.stdin is not None:
                with contextlib.suppress(OSError):
                    process.stdin.close()  # its end of life is ours
            try:
                process.wait(2.0)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()

    def __enter__(self) -> "Session":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def scaled(settings: Settings, angle: float, speed: float) -> tuple[int, int]:
    """A setpoint in the wire's 16 bits: position over the range, speed over its limit.

    Raises InputError where the angle lies outside the commanded range.
    """
    from controller.joint.motion.setpoint import highest, lowest

    low, high = lowest(settings), highest(settings)
    if settings.sensor.travel == CONTINUOUS:
        angle = wrapped(angle)  # the board takes the turn that is nearest
    share = (angle - low) / (high - low)
    if not -1e-6 <= share <= 1.0 + 1e-6:
        raise InputError("", "setpoint", f"{angle / DEG:.3f} deg",
                         f"must lie within {low / DEG:.1f} .. "
                         f"{high / DEG:.1f} deg")  # fmt: skip
    most = settings.limits.speed_rad_s
    rate = max(-1.0, min(1.0, speed / most))
    return round(min(max(share, 0.0), 1.0) * 65535.0), round(rate * 32767.0)


def _value(settings: Settings, name: str) -> Any:
    from controller.records import get

    return get(settings, name)


def _on_wire(octets: int) -> int:
    """What a frame takes of the link: stuffed, on average, and filled up to whole blocks."""
    return BLOCK * math.ceil(octets * 1.06 / BLOCK)


def _greet(bridge: Bridge) -> Identity:
    try:
        found = bridge.greet()
    except NoAnswerError:
        raise InputError(
            "", "--port", bridge.url,
            "does not answer as a jointloop board; is it deployed and running? "
            "(`jointloop deploy`), and is no other program using the port?",
        ) from None  # fmt: skip
    except LinkLostError as error:
        raise InputError("", "--port", bridge.url, f"went away: {error}") from None
    if found.half:
        raise InputError("", "--port", bridge.url, "was half written: `jointloop deploy` again")
    return found


def _same_code(bridge: Bridge, identity: Identity) -> None:
    """Refuse a board that runs other control code than this host: what was tuned is not there."""
    from host.link.control_code import build_number

    own = build_number()
    if identity.build != own:
        raise InputError("", "--port", bridge.url, f"runs other control code (build "
                         f"{identity.build:08x}, this host {own:08x}); deploy again")  # fmt: skip


def new_folder(out: Path, name: str) -> Path:
    """A folder for a run that does not exist yet."""
    stamp = time.strftime("%Y%m%d-%H%M%S")
    folder = out / f"{name}-{stamp}"
    number = 1
    while folder.exists():
        number += 1
        folder = out / f"{name}-{stamp}-{number}"
    return folder
