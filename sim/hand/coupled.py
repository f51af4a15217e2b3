"""All joints of a hand in step, through a sequence of postures: moves, supply, couplings."""

from dataclasses import dataclass

import numpy as np

from controller.joint.settings.settings import Settings
from controller.records import copy
from sim.errors import InputError
from sim.hand.file import Hand, Sequence, matrices
from sim.joint import spread
from sim.joint.part import DIRECT, Part
from sim.model import schedule
from sim.model.rig import Rig, Row
from sim.model.start import start_plant
from sim.run import kernels
from sim.run.closed_loop import NOISE, Joint
from sim.run.scenarios import LEAD_S, Scenario

COARSE_S = 2e-4


@dataclass
class HandRun:
    """Courses of all joints: ``run.column("joint_rad")``, shape (n, rows); supply per tick."""

    traces: np.ndarray
    supply_A: np.ndarray
    bus_V: np.ndarray
    scores: np.ndarray
    plants: np.ndarray
    tick_s: float

    def column(self, name: str) -> np.ndarray:
        """One column of the traces of all joints."""
        return np.asarray(self.traces[name])


def in_step(hand: Hand, start: dict[int, float], goal: dict[int, float]) -> float:
    """Time (s) in which every drum can do its part by the joint's profile: all arrive together."""
    longest = 0.2
    shares = mean_shares(hand)
    ways = np.array([goal.get(k, start[k]) - start[k] for k in range(len(hand.members))])
    for k, member in enumerate(hand.members):
        p = member.joint.settings.profile
        way = abs(float(ways[k] + shares[k] @ ways))  # what the drum turns, in joint angle
        longest = max(longest, 15.0 / 8.0 * way / (0.9 * p.speed_rad_s),
                      (5.7735 * way / (0.9 * p.acceleration_rad_s2)) ** 0.5)  # fmt: skip
    return longest


def scenarios(hand: Hand, sequence: Sequence) -> list[Scenario]:
    """One program a joint: minimum-jerk setpoints, all joints of a posture arriving together.

    Peaks of a minimum-jerk move over its mean: speed 15/8, acceleration 5.7735 (T. Flash,
    N. Hogan, J. Neuroscience 5 (1985) 1688-1703).
    """
    span = 0.02
    where = {k: _rest(member.joint) for k, member in enumerate(hand.members)}
    first = hand.postures[sequence.steps[0][1]]
    where.update(first)
    made = [Scenario(sequence.name, where[k], LEAD_S + sequence.duration_s, meaning=sequence.name)
            for k in range(len(hand.members))]  # fmt: skip
    arrives, before = 0.0, sequence.steps[0][1]
    for at, name in sequence.steps[1:]:
        goal = hand.postures[name]
        seconds = in_step(hand, where, goal)
        count = max(1, round(seconds / span))
        if at < arrives - 1e-9:
            raise InputError(hand.path, f"sequence {sequence.name}", f"{name} at {at:g} s",
                             f"begins before {before} has arrived, {arrives:.2f} s")  # fmt: skip
        arrives, before = at + count * span, name
        for k, end in goal.items():
            begin = where[k]
            for n in range(1, count + 1):
                s = n / count
                x = s**3 * (10.0 - 15.0 * s + 6.0 * s * s)
                rate = 30.0 * s * s * (1.0 - s) ** 2 / (count * span) * (end - begin)
                t = LEAD_S + at + n * span
                if t < LEAD_S + sequence.duration_s:
                    made[k].at(t, schedule.STREAM, begin + x * (end - begin), rate, span)
            where[k] = end
    return made


def _rest(joint: Joint) -> float:
    limits = joint.settings.limits
    if joint.settings.sensor.travel != 0:
        return 0.0
    return limits.command_low_rad + 0.1 * (limits.command_high_rad - limits.command_low_rad)


def mean_shares(hand: Hand) -> np.ndarray:
    """Moment arm of cable k over joint j in the middle of its range, over the own arm, shape (n, n)."""
    arms, _ = matrices(hand)
    made = np.zeros(arms.shape[:2])
    for k, j in zip(*np.nonzero(arms[:, :, 0]), strict=True):
        limits = hand.members[j].joint.settings.limits
        q = 0.5 * (limits.command_low_rad + limits.command_high_rad)
        a, b, c = arms[k, j]
        made[k, j] = a * (1.0 + b * q + c * q * q) / hand.members[k].joint.part.cable.joint_m
    return made


def across_rows(hand: Hand, place: dict[int, int]) -> list[Settings]:
    """Settings of all joints with the coupling's rows, for joints that ``place`` knows.

    place: joint's number in the hand to its number where the settings go: a board sees only its
    own joints, the simulation sees all. The three largest shares of a joint are kept.
    """
    shares = mean_shares(hand)
    made = []
    for k, member in enumerate(hand.members):
        settings = Settings()
        copy(member.joint.settings, settings)
        rows = [(j, float(shares[k, j])) for j in place if shares[k, j] != 0.0]
        rows.sort(key=lambda row: -abs(row[1]))
        for number, (j, share) in enumerate(rows[:3], 1):
            setattr(settings.across, f"joint_{number}", place[j])
            setattr(settings.across, f"share_{number}", share)
        made.append(settings)
    return made


def simulate_hand(
    hand: Hand,
    scenes: list[Scenario],
    parts: list[Part] | None = None,
    seed: int = 1,
    arms: np.ndarray | None = None,
    every: int = 1,
    feed: bool = True,
) -> HandRun:
    """Run all joints in step. Raises InputError where rates differ or a part is too stiff.

    arms: another moment-arm matrix than the file's (n, n, 3), for instance none; feed: whether
    the controllers know of the cables that cross.
    """
    joints = [member.joint for member in hand.members]
    tick = joints[0].settings.tick_s
    if any(abs(joint.settings.tick_s - tick) > 1e-12 for joint in joints):
        raise InputError(
            hand.path, "joint", None, "all joints of a coupled simulation need one rate"
        )
    own_arms, links = matrices(hand)
    chosen = own_arms if arms is None else arms
    made = hung(hand, links, parts)
    everyone = {k: k for k in range(len(joints))}
    known = across_rows(hand, everyone if feed else {})
    rigs = _rigs(hand, known, made, scenes, chosen)
    rigs["sense"]["word"] = [(seed + k) * NOISE % 2**32 for k in range(len(joints))]
    rigs["run"]["trace_every"] = every
    return _run(rigs, scenes, crossings(chosen), links)


def hung(hand: Hand, links: np.ndarray, parts: list[Part] | None = None) -> list[Part]:
    """Parts of the joints (the file's, or others), whose links weigh instead of themselves.

    Raises InputError for a direct drive.
    """
    made = []
    for k, member in enumerate(hand.members):
        part = Part()
        copy(parts[k] if parts else member.joint.part, part)
        if part.cable.kind == DIRECT:
            raise InputError(hand.path, f"joint.{member.name}", None,
                             "direct drives are not part of a coupled simulation")  # fmt: skip
        if links[k, 1] > 0.0:
            part.hinge.gravity_Nm = 0.0
        made.append(part)
    return made


def rest_plants(parts: list[Part], angles: list[float], arms: np.ndarray) -> np.ndarray:
    """Plants at rest at these angles (rad), cables taken up round the others; shape (n,)."""
    count = len(parts)
    plants = kernels.as_array([start_plant(part, angle, 25.0)
                               for part, angle in zip(parts, angles, strict=True)])  # fmt: skip
    for k in range(count):
        path = sum(_path(arms[k, j], angles[j]) for j in range(count) if j != k)
        plants["drum_rad"][k] += path / parts[k].cable.drum_m
    return plants


def crossings(arms: np.ndarray) -> np.ndarray:
    """Rows (k, j, a, b, c) of the kernel: cable of joint k crosses joint j; shape (m, 5)."""
    count = len(arms)
    return np.array([(k, j, *arms[k, j]) for k in range(count) for j in range(count)
                     if k != j and arms[k, j, 0] != 0.0], float).reshape(-1, 5)  # fmt: skip


def _rigs(hand: Hand, known: list[Settings], parts: list[Part], scenes: list[Scenario], arms: np.ndarray) -> np.ndarray:  # fmt: skip
    """All joints at the beginning of their scenarios. Raises InputError where a part is too stiff."""
    joints = [member.joint for member in hand.members]
    tick = joints[0].settings.tick_s
    try:
        substeps = max(spread.substeps_for(part, tick, COARSE_S) for part in parts)
    except ValueError as error:
        raise InputError(hand.path, "joint", None, str(error)) from None
    rigs = kernels.repeated(Rig(), len(joints))
    rigs["settings"], rigs["part"] = kernels.as_array(known), kernels.as_array(parts)
    rigs["settings"]["stopping"]["check_V"] = 0.0
    rigs["plant"] = rest_plants(parts, [scene.start_rad for scene in scenes], arms)
    rigs["readings"]["supply_V"] = rigs["plant"]["bus_V"]
    rigs["run"]["ticks"] = [scene.ticks(tick) for scene in scenes]
    rigs["run"]["substeps"] = substeps
    rigs["run"]["delay"] = [
        min(substeps, round(substeps * joint.delay_s / tick)) for joint in joints
    ]
    return rigs


def _run(rigs: np.ndarray, scenes: list[Scenario], pairs: np.ndarray, links: np.ndarray) -> HandRun:
    tick, ticks = float(rigs["settings"]["tick_s"][0]), int(rigs["run"]["ticks"][0])
    events = [scene.events(tick) for scene in scenes]
    begins = np.cumsum([0, *map(len, events)])
    traces = np.zeros(
        (len(rigs), -(-ticks // int(rigs["run"]["trace_every"][0]))), kernels.dtype_of(Row)
    )
    drawn = np.zeros(ticks)
    flat = kernels.as_array([one for own in events for one in own])
    kernels.twin().hand_loop.run_hand(rigs, flat, begins, traces, pairs, links, drawn)
    supply = rigs["part"][0]
    bus = supply["supply_V"] - supply["supply_ohm"] * drawn
    return HandRun(traces, drawn, bus, rigs["score"].copy(), rigs["plant"].copy(), tick)


def _path(arm: np.ndarray, q: float) -> float:
    a, b, c = arm
    return float(a * q * (1.0 + 0.5 * b * q + c * q * q / 3.0))
