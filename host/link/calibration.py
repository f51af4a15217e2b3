"""Measurements for calibration: readings at rest, neutral of a pulse amplifier, force."""

from dataclasses import dataclass
from typing import Any

import numpy as np

from controller.joint.settings.settings import Settings
from controller.records import copy
from controller.wire import messages as m
from host.errors import StoppedError
from host.link.session import Session
from host.link.setpoint_stream import arm_and_wait, raise_faults, wait, waiting
from sim.errors import InputError
from sim.model.schedule import MOVE_BY_HAND
from sim.units import DEG

SEARCH_S = 60e-6
"""How far (s) from the file's neutral the standstill of a pulse amplifier is looked for."""


class Watcher:
    """Collects telemetry of one joint while it is open."""

    def __init__(self, session: Session, joint: int, fields: list[str]) -> None:
        self.fields = [
            name for name in m.FIELDS if name in fields
        ]  # the order in which rows carry them
        board, self.place = session.board_of(joint)
        self.bridge = board.bridge
        self.rows: list[list[float]] = []
        session.telemetry(fields, 1)
        self.bridge.on_rows.append(self._take)

    def _take(self, rows: Any) -> None:
        if rows.fields == self.fields and self.place in rows.joints:
            at = rows.joints.index(self.place)
            self.rows += [values[at] for values in rows.values]

    def column(self, name: str) -> np.ndarray:
        """What has come so far of one field."""
        return np.array([row[self.fields.index(name)] for row in list(self.rows)])

    def close(self) -> None:
        """Stop collecting."""
        self.bridge.on_rows.remove(self._take)


@dataclass
class Reading:
    """Counts at rest: mean, noise (rms), number of readings."""

    counts: float
    noise: float
    number: int


def read_counts(session: Session, joint: int, seconds: float = 0.6) -> Reading:
    """Average the reading of a joint at rest. Raises InputError if it moves or is lost."""
    watcher = Watcher(session, joint, ["counts"])
    try:
        for _ in waiting(session, seconds, faults=False):
            pass
        if watcher.bridge.lost:
            raise StoppedError(f"the link was lost: {watcher.bridge.lost}")
    finally:
        watcher.close()
    counts = watcher.column("counts")
    if len(counts) < 20:
        raise InputError("", "--port", None, "sends no readings")
    halves = counts[: len(counts) // 2].mean(), counts[len(counts) // 2 :].mean()
    noise = float(np.diff(counts).std() / np.sqrt(2.0))
    if abs(halves[1] - halves[0]) > max(8.0, 3.0 * noise):
        raise InputError("", "reading", round(halves[1] - halves[0]),
                         "counts of drift: hold the joint still and try again")  # fmt: skip
    return Reading(float(counts.mean()), noise, len(counts))


def move_virtual_joint(session: Session, joint: int, angle: float) -> None:
    """Put a simulated joint at an angle (rad), as a hand would."""
    import struct

    board, place = session.board_of(joint)
    bridge = board.bridge
    bridge.request(m.MEDDLE, struct.pack("<BBfff", place, MOVE_BY_HAND, angle, 0.0, 0.0))


def idle_settings(settings: Settings, neutral_s: float) -> Settings:
    """Settings under which an armed pulse drive puts out ``neutral_s`` and nothing else."""
    made = Settings()
    copy(settings, made)
    g = made.gains
    for name in ("kp", "ki", "kd", "speed_feed", "acceleration_feed", "friction_feed_V",
                 "breakaway_feed_V"):  # fmt: skip
        setattr(g, name, 0.0)
    made.stopping.check_V = 0.0
    made.drive.neutral_s = neutral_s
    made.drive.dead_s = 0.0
    return made


def drift_at(session: Session, joint: int, neutral_s: float, seconds: float = 0.5) -> float:
    """Speed (rad/s) of the joint while the pulse has this width."""
    settings = idle_settings(session.joints[joint].settings, neutral_s)
    session.send_settings({joint: settings})
    watcher = Watcher(session, joint, ["angle_rad", "mode"])
    try:
        arm_and_wait(session, [joint])
        watcher.rows.clear()
        wait(session, seconds)
        angle = watcher.column("angle_rad")
    finally:
        session.order(m.DRIVE_OFF)
        watcher.close()
        for _ in waiting(session, 0.05, faults=False):
            pass
    quarter = max(len(angle) // 4, 1)
    return float(angle[-quarter:].mean() - angle[:quarter].mean()) / (0.75 * seconds)


def find_neutral(session: Session, joint: int, tell: Any) -> tuple[float, float]:
    """Find a pulse amplifier's standstill: (neutral s, half width of the dead band s).

    The pulses at both ends of +-``SEARCH_S`` must move the joint, opposite ways; then the way
    to where each of the two motions begins is halved. Raises StoppedError.
    """
    settings = session.joints[joint].settings
    still = 0.03

    def way(away: float) -> int:
        if session.virtual:
            limits = settings.limits
            move_virtual_joint(session, joint,
                               0.5 * (limits.command_low_rad + limits.command_high_rad))  # fmt: skip
        speed = drift_at(session, joint, settings.drive.neutral_s + away)
        tell(1.0 if away >= 0.0 else -1.0, abs(away), speed)
        return 0 if abs(speed) <= still else (1 if speed > 0.0 else -1)

    ends = {direction: way(direction * SEARCH_S) for direction in (1.0, -1.0)}
    if ends[1.0] * ends[-1.0] >= 0:
        raise StoppedError(f"pulses {SEARCH_S * 1e6:.0f} us to both sides of "
                           f"{settings.drive.neutral_s * 1e6:.0f} us must move the joint, opposite "
                           "ways: is the motor supplied and plugged in, the joint free?")  # fmt: skip
    edges = []
    for direction, moving in ends.items():
        out, into = direction * SEARCH_S, -direction * SEARCH_S
        for _ in range(7):
            middle = 0.5 * (out + into)
            if way(middle) == moving:
                out = middle
            else:
                into = middle
        edges.append(0.5 * (out + into))
    neutral = settings.drive.neutral_s + 0.5 * (edges[0] + edges[1])
    return neutral, 0.5 * (edges[0] - edges[1])


FREE_RAD, STILL_RAD = 3.0 * DEG, 1.0 * DEG
"""A joint that is blocked stands still, this far from where it was told to go."""


def blocked(angle: np.ndarray, towards: float) -> bool:
    """Tell whether a joint whose angles (rad) these are stands against something."""
    return bool(np.ptp(angle) < STILL_RAD and abs(np.median(angle) - towards) > FREE_RAD)


def press_and_hold(session: Session, joint: int, towards: float, seconds: float) -> float:
    """Grip towards an angle (rad) and return the estimated force (N) once it stands.

    Raises StoppedError; InputError where nothing is in its way.
    """
    watcher = Watcher(session, joint, ["force_N", "angle_rad", "mode"])
    try:
        arm_and_wait(session, [joint])
        session.target(joint, towards, grip=True)
        wait(session, seconds)
        raise_faults(session)
        force, angle = watcher.column("force_N"), watcher.column("angle_rad")
    finally:
        watcher.close()
    last = max(len(force) // 5, 1)
    if not blocked(angle[-last:], towards):
        raise InputError("", "calibrate --force", None, "the joint does not stand against anything: there is no force to "
                         "measure. Put the fingertip against a scale that it cannot push away, and begin again")  # fmt: skip
    return float(np.median(force[-last:]))
