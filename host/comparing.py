"""A recorded run held against the simulation of the same setpoints."""

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from host.recorder import Run
from sim import replay
from sim.closed_loop import Fleet, Joint, joint_of, simulate
from sim.errors import InputError
from sim.identify.explain import Reason, reasons
from sim.joint_file import parse_toml, read_text
from sim.part import Part


@dataclass
class Comparison:
    """Course of one joint, recorded and simulated, at every tick. Shapes (n,)."""

    time_s: np.ndarray
    rows: dict[str, np.ndarray]
    """want, measured, simulated, low, high (rad); drive, simulated_drive (V)."""
    fit: float
    """Share of the recorded course that the simulation explains."""
    inside: float | None
    """Share of the time in which the recording lay inside the band of the spread."""
    reasons: list[Reason] = field(default_factory=list)
    """Which number of the part would explain the gap, the best first."""


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


def powered_rows(run: Run, k: int) -> dict[str, np.ndarray]:
    """The longest powered stretch of joint ``k``: time_s and the recorded fields. Raises InputError."""
    mode = run.joint(k, "mode")
    part = replay.longest_stretch(mode == 2.0)
    names = ("want_rad", "angle_rad", "allowed_V")
    rows = {name: run.joint(k, name)[part] for name in names}
    rows["time_s"] = run["time_s"][part]
    good = np.all([np.isfinite(one) for one in rows.values()], axis=0)
    if good.sum() < 10:
        raise InputError(str(run.folder), f"joint {k}", None, "was not powered in this recording")
    return {name: one[good] for name, one in rows.items()}


def compare(
    joint: Joint,
    run: Run,
    k: int,
    part: Part | None = None,
    parts: list[Part] | None = None,
    seed: int = 1,
) -> Comparison:
    """Simulate the setpoints of joint ``k`` of a run and hold the two side by side.

    part: the plant (nominal where None). parts: parts of the spread, for the band.
    Raises InputError.
    """
    rows = powered_rows(run, k)
    tick = joint.settings.tick_s
    scene = replay.replay(tick, rows["time_s"], rows["want_rad"], rows["angle_rad"])
    trace = simulate(joint, scene, part, seed=seed)
    lead = replay.lead_ticks(tick)
    measured, want, drive = (
        replay.on_ticks(tick, rows["time_s"], rows[name])
        for name in ("angle_rad", "want_rad", "allowed_V")
    )
    count = len(measured)
    found = {
        "want": want,
        "measured": measured,
        "drive": drive,
        "simulated": trace["joint_rad"][lead : lead + count],
        "simulated_drive": trace["allowed_V"][lead : lead + count],
    }
    inside, why = None, []
    if parts:
        why = reasons(joint, rows["time_s"], rows["angle_rad"], rows["allowed_V"])
        fleet = Fleet(parts, [25.0] * len(parts), tick, joint.delay_s, seed)
        traces = fleet.run(joint.settings, scene, 1).traces
        assert traces is not None
        band = traces[:, lead : lead + count, 3]
        noise = 3.0 * joint.part.probe.noise_counts * abs(joint.settings.sensing.rad_per_count)
        found["low"], found["high"] = band.min(axis=0), band.max(axis=0)
        within = (measured >= found["low"] - noise) & (measured <= found["high"] + noise)
        inside = float(within.mean())
    fit = replay.fit_share(measured, found["simulated"])
    return Comparison(tick * np.arange(count), found, fit, inside, why)
