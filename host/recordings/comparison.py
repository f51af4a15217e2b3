"""A recorded run held against the simulation of the same setpoints."""

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from host.recordings.recorder import Run
from sim.errors import InputError
from sim.identify.drive import motor_volts
from sim.identify.explain import Reason, reasons
from sim.joint.file import check
from sim.joint.part import Part
from sim.reading import parse_toml, read_text
from sim.run import replay
from sim.run.closed_loop import Fleet, Joint, joint_of, simulate

LEAST_ROWS = 10
STILL_RAD = 0.0175
"""Nothing moved: what stays within so much (1 deg) of where it ended."""
REST_S = 1.0
"""Kept of the rest after the last motion, where a stretch is cut short."""


@dataclass
class Comparison:
    """Course of one joint, recorded and simulated, at every tick. Shapes (n,)."""

    time_s: np.ndarray
    rows: dict[str, np.ndarray]
    """setpoint, measured, simulated, low, high (rad); drive, simulated_drive (V)."""
    fit: float
    """Share of the recorded course that the simulation explains; below 0: none; not finite: nothing moved."""
    inside: float | None
    """Share of the time in which the recording lay inside the band of the spread."""
    reasons: list[Reason] = field(default_factory=list)
    """Which number of the part would explain the gap, the best first."""
    moved: bool = True
    """Whether the joint moved, or was to."""


def joint_of_run(run: Run, number: int, path: Path | None, identified: bool = True) -> Joint:
    """The joint of a run: from a file, or as the run keeps it. Raises InputError.

    identified: with what was identified of it; without, it stands for its datasheet.
    """
    count = int(run.about.get("joints", 1))
    if not 0 <= number < count:
        raise InputError("", "--joint", number, f"must be 0 .. {count - 1}")
    if path is not None:
        name, text = str(path), read_text(path)
    else:
        kept = run.about.get("joint_files", [])
        if number >= len(kept) or not kept[number].get("file"):
            raise InputError(str(run.folder / "run.json"), "joint_files", None,
                             "holds no joint file; name one")  # fmt: skip
        name, text = str(kept[number].get("path", "joint.toml")), kept[number]["file"]
    tables = parse_toml(text, name)
    if not identified:
        tables.pop("identified", None)
    joint = joint_of(tables, name)
    if abs(float(run.about["tick_s"]) - joint.settings.tick_s) > 1e-9:
        raise InputError(name, "control.rate", None,
                         f"the run was recorded at {1.0 / float(run.about['tick_s']):g} Hz")  # fmt: skip
    return joint


TOLD = ("joint", "motor", "cable", "sensor", "drive")
"""Tables that say which joint it is."""


def differences(run: Run, number: int, joint: Joint) -> list[str]:
    """How a joint differs from the one that a run keeps, key by key, in words. Raises InputError."""
    kept = run.about.get("joint_files") or []
    if number >= len(kept) or not kept[number].get("file"):
        return ["the recording keeps no joint file: it does not say which joint it is of"]
    name = f"{run.folder / 'run.json'}: joint_files"
    tables = parse_toml(kept[number]["file"], name)
    then = check(tables, name)
    found = []
    for table in TOLD:
        old, new = getattr(then, table), getattr(joint.file, table)
        for key in type(new).model_fields:
            if getattr(old, key) != getattr(new, key):
                was, now = (
                    one.get(table, {}).get(key, "left out") for one in (tables, joint.tables)
                )
                found.append(f"{table}.{key} is {was} in the recording, {now} in the file")
    return found


def stretches(run: Run, k: int) -> list[slice]:
    """Powered stretches of joint ``k`` that hold ten rows or more. Raises InputError where none does."""
    flags = np.concatenate([[0], (run.joint(k, "mode") == 2.0).astype(int), [0]])
    ends = zip(np.nonzero(np.diff(flags) == 1)[0], np.nonzero(np.diff(flags) == -1)[0], strict=True)
    found = [slice(int(a), int(b)) for a, b in ends if b - a >= LEAST_ROWS]
    if not found:
        raise InputError(str(run.folder), f"joint {k}", None, "was not powered in this recording")
    return found


def longest(run: Run, k: int) -> slice:
    """The longest powered stretch of joint ``k``. Raises InputError."""
    return max(stretches(run, k), key=lambda one: one.stop - one.start)


def last_moving(run: Run, k: int, longest_s: float | None = None) -> slice:
    """The last powered stretch of joint ``k`` in which it moved, or was to; the last one where none did.

    longest_s: of a longer one, the seconds that end when it has come to rest. Raises InputError.
    """
    found = stretches(run, k)
    for one in reversed(found):
        last = last_motion(run.joint(k, "setpoint_rad")[one], run.joint(k, "angle_rad")[one])
        if last is not None:
            return _shortened(run["time_s"], one, one.start + last, longest_s)
    return _shortened(run["time_s"], found[-1], found[-1].stop - 1, longest_s)


def last_motion(setpoint_rad: np.ndarray, angle_rad: np.ndarray) -> int | None:
    """Row in which a joint, or its setpoint, was last away from where it ended; None: nothing moved."""
    away = [np.abs(one - one[-1]) > STILL_RAD for one in (smooth(setpoint_rad), smooth(angle_rad))]
    rows = np.nonzero(away[0] | away[1])[0]
    return int(rows[-1]) if len(rows) else None


def smooth(values: np.ndarray) -> np.ndarray:
    """A column (n,) without its noise: the median of rows, then the mean; gaps as the row before."""
    from scipy.ndimage import median_filter, uniform_filter1d

    good = np.isfinite(values)
    if not good.any():
        return np.zeros_like(values)
    held = values[np.maximum.accumulate(np.where(good, np.arange(len(values)), np.argmax(good)))]
    return np.asarray(uniform_filter1d(median_filter(held, 5, mode="nearest"), 15, mode="nearest"))


def _shortened(time_s: np.ndarray, one: slice, last: int, longest_s: float | None) -> slice:
    if longest_s is None or time_s[one.stop - 1] - time_s[one.start] <= longest_s:
        return one
    until = min(time_s[last] + REST_S, time_s[one.stop - 1])
    inside = time_s[one]
    rows = np.nonzero((inside >= until - longest_s) & (inside <= until))[0]
    return slice(one.start + int(rows[0]), one.start + int(rows[-1]) + 1)


def powered_rows(
    run: Run, k: int, joint: Joint, stretch: slice | None = None
) -> dict[str, np.ndarray]:
    """A powered stretch of joint ``k`` (None: the longest): time_s and the recorded fields. Raises InputError.

    ``motor_V`` beside: what its motor had (sim/identify/drive.py); ``winding_C`` where it was recorded.
    """
    part = longest(run, k) if stretch is None else stretch
    fields = run.about.get("fields", [])
    names = [
        "setpoint_rad",
        "angle_rad",
        "allowed_V",
        *(["winding_C"] if "winding_C" in fields else []),
    ]
    rows = {name: run.joint(k, name)[part] for name in names}
    rows["time_s"] = run["time_s"][part]
    supply = run.joint(k, "supply_V") if "supply_V" in fields else None
    every = (run["time_s"], run.joint(k, "mode"), run.joint(k, "allowed_V"), supply)
    rows["motor_V"] = motor_volts(joint, *every)[part]
    good = np.all([np.isfinite(one) for one in rows.values()], axis=0)
    if good.sum() < LEAST_ROWS:
        raise InputError(str(run.folder), f"joint {k}", None, "was not powered in this recording")
    return {name: one[good] for name, one in rows.items()}


def compare(
    joint: Joint,
    run: Run,
    k: int,
    part: Part | None = None,
    parts: list[Part] | None = None,
    seed: int = 1,
    winding_C: float | None = None,
    warmth_C: list[float] | None = None,
    stretch: slice | None = None,
) -> Comparison:
    """Simulate the setpoints of joint ``k`` of a run and hold the two side by side.

    part: the plant (nominal where None). parts: parts of the spread, for the band, with their
    windings (warmth_C, degC). winding_C: of ``part`` when it began; None: as the board
    reckoned, 25 degC where that was not recorded. stretch: rows of the run; None: the last
    powered ones with motion (``last_moving``). Raises InputError.
    """
    rows = powered_rows(run, k, joint, last_moving(run, k) if stretch is None else stretch)
    moved = last_motion(rows["setpoint_rad"], rows["angle_rad"]) is not None
    tick = joint.settings.tick_s
    scene = replay.replay(tick, rows["time_s"], rows["setpoint_rad"], rows["angle_rad"])
    if winding_C is None:
        winding_C = float(rows["winding_C"][0]) if "winding_C" in rows else 25.0
    trace = simulate(joint, scene, part, winding_C, seed=seed)
    lead = replay.lead_ticks(tick)
    measured, setpoint, drive = (
        replay.on_ticks(tick, rows["time_s"], rows[name])
        for name in ("angle_rad", "setpoint_rad", "allowed_V")
    )
    count = len(measured)
    found = {
        "setpoint": setpoint,
        "measured": measured,
        "drive": drive,
        "simulated": trace["joint_rad"][lead : lead + count],
        "simulated_drive": trace["allowed_V"][lead : lead + count],
    }
    inside, why = None, []
    if parts and moved:
        why = reasons(
            joint, rows["time_s"], rows["angle_rad"], rows["motor_V"], rows.get("winding_C")
        )
        fleet = Fleet(parts, warmth_C or [winding_C] * len(parts), tick, joint.delay_s, seed)
        traces = fleet.run(joint.settings, scene, 1).traces
        assert traces is not None
        band = traces["joint_rad"][:, lead : lead + count]
        noise = 3.0 * joint.part.sensor.noise_counts * abs(joint.settings.sensor.rad_per_count)
        found["low"], found["high"] = band.min(axis=0), band.max(axis=0)
        within = (measured >= found["low"] - noise) & (measured <= found["high"] + noise)
        inside = float(within.mean())
    fit = replay.fit_share(measured, found["simulated"]) if moved else float("nan")
    return Comparison(tick * np.arange(count), found, fit, inside, why, moved)
