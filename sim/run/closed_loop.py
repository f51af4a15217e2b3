"""Closed loop over time: one readable run, or a batch of parts on all cores.

    joint = load_joint("finger.toml")
    trace = simulate(joint, joint.scenarios()["step"])
    print(trace.metrics.settling_2pct_s, trace["joint_rad"].max())

One integrator: Strang splitting, implicit midpoint damping, set-valued friction.
"""

import csv
import functools
import itertools
import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from controller.joint.settings.settings import Settings
from controller.records import copy, fields
from sim.errors import InputError
from sim.joint import identified, spread
from sim.joint.datasheet import nominal_part
from sim.joint.file import JointFile, check
from sim.joint.gains import compute_delay, joint_digest
from sim.joint.part import Part
from sim.joint.settings import joint_settings
from sim.model import loop
from sim.model.rig import Rig, Row
from sim.model.schedule import Run
from sim.model.start import start_plant
from sim.reading import parse_toml, read_text
from sim.run import kernels, metrics
from sim.run.scenarios import Scenario, named
from sim.schema import of_file
from sim.writing import first_name, put_in_place

TRACE_COLUMNS = tuple(name for name, _ in fields(Row))
FINE_S = 5e-5
"""Longest substep of a single run (s)."""
NOISE = 2654435761
COARSE_S = 1e-4
"""Longest substep of a batch (s)."""


@dataclass
class Joint:
    """A joint file with what follows from it."""

    path: str
    tables: dict[str, Any]
    file: JointFile
    part: Part
    settings: Settings

    def scenarios(self, step_rad: float | None = None) -> dict[str, Scenario]:
        """Return the named scenarios of this joint (step size in rad)."""
        return named(self.settings, self.part.sensor.noise_counts, step_rad)

    @property
    def delay_s(self) -> float:
        """Time from reading to drive (s)."""
        return compute_delay(self.file)

    @property
    def digest(self) -> str:
        """Digest of what gains depend on."""
        return joint_digest(self.tables)


def load_joint(path: str | Path) -> Joint:
    """Read a joint file. Raises InputError."""
    name = str(path)
    return joint_of(parse_toml(read_text(path), name), name)


def joint_of(tables: dict[str, Any], name: str) -> Joint:
    """Return the joint of a file's tables. Raises InputError, in the name of the file."""
    file = check(tables, name)
    with of_file(name):
        _refuse_stale(file, tables)
        part = nominal_part(file)
        settings = joint_settings(file, part)
        _refuse_stiff(part, settings)
    return Joint(name, tables, file, part, settings)


def _refuse_stale(file: JointFile, tables: dict[str, Any]) -> None:
    """Refuse results that were found for another state of the file."""
    if file.gains is not None and file.gains.digest not in (None, joint_digest(tables)):
        raise InputError("", "gains.digest", file.gains.digest,
                         "these gains were tuned for another joint or an earlier state of this file; "
                         "tune again, or delete this line to keep them knowingly")  # fmt: skip
    basis = file.identified.digest if file.identified is not None else None
    if basis not in (None, identified.basis_digest(tables)):
        raise InputError("", "identified.digest", basis, "[joint], [motor] or [cable] were changed since; "
                         "identify again, or delete the table")  # fmt: skip


def _refuse_stiff(part: Part, settings: Settings) -> None:
    try:
        spread.substeps_for(part, settings.tick_s, FINE_S)
    except ValueError as error:
        raise InputError("", "cable.stiffness", None, str(error)) from None


@dataclass
class Trace:
    """Time series of one run: ``trace["joint_rad"]``; metrics beside."""

    rows: np.ndarray
    """Structured by ``Row``, shape (ticks,)."""
    metrics: metrics.Metrics
    scenario: Scenario
    tick_s: float
    substeps: int
    seed: int
    runtime: str

    def __getitem__(self, column: str) -> np.ndarray:
        return np.asarray(self.rows[column])

    def write_csv(self, path: str | Path) -> None:
        """Write the time series with units in the header, whole or not at all."""
        partial = first_name(Path(path))
        with partial.open("w", newline="") as out:
            writer = csv.writer(out)
            writer.writerow(TRACE_COLUMNS)
            writer.writerows([[repr(float(v)) for v in row] for row in self.rows.tolist()])
        put_in_place(partial, Path(path))


def fitted(settings: np.ndarray, scenario: Scenario) -> np.ndarray:
    """Settings (structured array) with the self-test only where a scenario has it."""
    if not scenario.self_test:
        settings = settings.copy()
        settings["stopping"]["check_V"] = 0.0
    return settings


def run_record(
    part: Part, scenario: Scenario, tick_s: float, delay_s: float, longest_s: float
) -> Run:
    """Return the Run record of a part and scenario. Raises ValueError (too stiff)."""
    run = Run()
    run.ticks = scenario.ticks(tick_s)
    run.substeps = spread.substeps_for(part, tick_s, longest_s, scenario.object_Nm_rad)
    run.delay = min(run.substeps, round(run.substeps * delay_s / tick_s))
    return run


def seed_of(word: int) -> int:
    """The seed with which ``simulate`` has the noise that a batch has with this word."""
    return word * pow(NOISE, -1, 2**32) % 2**32


def simulate(
    joint: Joint,
    scenario: Scenario,
    part: Part | None = None,
    warmth_C: float = 25.0,
    seed: int = 1,
    runtime: str = "compiled",
    settings: Settings | None = None,
    *,
    shift: int = 0,
    longest_s: float = FINE_S,
) -> Trace:
    """Run one joint through a scenario and return its trace.

    part: the plant (nominal where None); warmth_C: winding at the start, degC;
    runtime: "compiled", "python" (same bits) or "single" (controller in single
    precision, as C; "single_python" without, same bits); shift: ticks by which everything comes later (phase of pulse frames);
    longest_s: longest substep (a batch steps by COARSE_S). Raises InputError where the part is too stiff for the substep.
    """
    part = part or joint.part
    settings = settings or joint.settings
    if not scenario.self_test:
        plain = Settings()
        copy(settings, plain)
        plain.stopping.check_V = 0.0
        settings = plain
    try:
        run = run_record(part, scenario, settings.tick_s, joint.delay_s, longest_s)
    except ValueError as error:
        raise InputError(joint.path, "cable.stiffness", None, str(error)) from None
    run.trace_every = 1
    run.shift = shift
    run.ticks += shift
    rig = Rig()
    copy(settings, rig.settings)
    copy(part, rig.part)
    rig.plant = start_plant(rig.part, scenario.start_rad, warmth_C)
    rig.sense.word = seed * NOISE % 2**32
    rig.readings.supply_V = rig.plant.bus_V
    rig.run = run
    rows = kernels.repeated(Row(), run.ticks)
    events = scenario.events(settings.tick_s)
    if runtime == "compiled":
        rigs = kernels.as_array([rig])
        kernels.twin().loop.run_many(rigs, kernels.as_array(events), rows[np.newaxis], 0, 1)
        score, plant = rigs[0]["score"], rigs[0]["plant"]
    else:
        score, plant = _run_plain(rig, events, rows, runtime)
    tail = rows["joint_rad"][-int(score["tail_ticks"]) :] if score["tail_ticks"] > 0 else None
    found = metrics.of_run(score, plant, settings.tick_s, tail)
    return Trace(rows, found, scenario, settings.tick_s, run.substeps, seed, runtime)


def _run_plain(rig: Rig, events: list, rows: np.ndarray, runtime: str) -> tuple:
    """Run on objects, or with a controller in single precision; (score, plant) as structured rows."""
    if runtime in ("single", "single_python"):
        from sim.run import single_precision

        own = single_precision.run_single if runtime == "single" else single_precision.run_objects
        return own(rig, events, rows)
    trace = [Row() for _ in rows]
    loop.run_joint(rig, events, trace)
    rows[:] = kernels.as_array(trace)
    return kernels.as_array([rig.score])[0], kernels.as_array([rig.plant])[0]


class Fleet:
    """A batch of parts, kept as arrays: run it through scenarios, on all cores."""

    def __init__(
        self,
        parts: list[Part],
        warmth_C: list[float],
        tick_s: float,
        delay_s: float,
        seed: int,
        workers: int | None = None,
    ) -> None:
        """Prepare parts; ``seed`` draws their noise and the phase of pulse frames."""
        self.parts = kernels.as_array(parts)
        self.objects = parts
        self.warmth_C = warmth_C
        self.tick_s = tick_s
        self.delay_s = delay_s
        self.workers = workers or min(os.cpu_count() or 1, max(len(parts), 1))
        rng = np.random.default_rng(seed)
        self.words = rng.integers(1, 2**32, len(parts))
        frame = parts[0].amplifier_frame_s if parts[0].amplifier != 0 else 0.0
        phases = np.random.default_rng((seed, 1))  # its own: part k has its phase in any count
        self.shifts = phases.integers(0, round(frame / tick_s) + 1, len(parts))
        self._runs: dict[tuple, np.ndarray] = {}
        self._plants: np.ndarray | None = None

    def __len__(self) -> int:
        return len(self.objects)

    def _run_array(self, scenario: Scenario) -> np.ndarray:
        key = (scenario.duration_s, scenario.object_Nm_rad)
        if key not in self._runs:
            try:
                records = [
                    run_record(part, scenario, self.tick_s, self.delay_s, COARSE_S)
                    for part in self.objects
                ]
            except ValueError as error:
                raise InputError("", "cable.stiffness", None, str(error)) from None
            runs = kernels.as_array(records)
            runs["shift"] = self.shifts
            runs["ticks"] += self.shifts
            self._runs[key] = runs
        return self._runs[key].copy()

    def run(self, settings: Settings, scenario: Scenario, every: int = 0) -> "Batch":
        """Run all parts through a scenario with one set of settings.

        every: ticks between rows of the kept traces; 0 keeps none.
        """
        return self.run_array(kernels.as_array([settings]), scenario, every)

    def run_array(self, settings: np.ndarray, scenario: Scenario, every: int = 0) -> "Batch":
        """The same with settings as a structured array, shape (1,) or (n,)."""
        count = len(self)
        rigs = np.repeat(_fresh_rig(), count)
        rigs["settings"] = fitted(settings, scenario)
        rigs["run"] = self._run_array(scenario)
        rigs["run"]["trace_every"] = every
        rigs["part"] = self.parts
        rigs["plant"] = self._plants_at(scenario.start_rad)
        rigs["sense"]["word"] = self.words
        rigs["readings"]["supply_V"] = rigs["plant"]["bus_V"]
        rows = int(-(-int(rigs["run"]["ticks"].max()) // every)) if every else 0
        traces = np.zeros((count if every else 1, max(rows, 1)), kernels.dtype_of(Row))
        self._spread((rigs, kernels.as_array(scenario.events(self.tick_s)), traces), count)
        kept = rigs["score"].copy(), rigs["plant"].copy()  # not the whole rigs
        return Batch(*kept, traces if every else None, self.tick_s)

    def trace(self, joint: Joint, scenario: Scenario, number: int) -> Trace:
        """Run one part of the batch alone, with the same bits, and keep its trace."""
        return simulate(joint, scenario, self.objects[number], self.warmth_C[number],
                        seed_of(int(self.words[number])), shift=int(self.shifts[number]),
                        longest_s=COARSE_S)  # fmt: skip

    def _plants_at(self, angle: float) -> np.ndarray:
        """Plant states at rest at ``angle`` (rad), as ``start_plant`` makes them."""
        if self._plants is None:
            self._plants = kernels.as_array(
                [
                    start_plant(part, 0.0, warm)
                    for part, warm in zip(self.objects, self.warmth_C, strict=True)
                ]
            )
        plants = self._plants.copy()
        cables = self.parts["cable"]
        bend = 1.0 + 0.5 * cables["arm_1"] * angle + cables["arm_2"] * angle * angle / 3.0
        plants["joint_rad"] = angle
        plants["drum_rad"] = cables["joint_m"] * angle * bend / cables["drum_m"]
        return plants

    def _spread(self, arrays: tuple, count: int) -> None:
        """Run on all cores: the kernel lets go of the interpreter."""
        run_many = kernels.twin().loop.run_many
        if self.workers <= 1 or count == 1:
            run_many(*arrays, 0, count)
            return
        share = max(1, -(-count // (4 * self.workers)))
        edges = [*list(range(0, count, share)), count]
        with ThreadPoolExecutor(self.workers) as pool:
            jobs = [pool.submit(run_many, *[*arrays, a, b]) for a, b in itertools.pairwise(edges)]
            for job in jobs:
                job.result()


@functools.lru_cache(maxsize=1)
def _fresh_rig() -> np.ndarray:
    return kernels.as_array([Rig()])


@dataclass
class Batch:
    """Results of a batch: structured scores and plants, shape (n,); traces (n, rows)."""

    scores: np.ndarray
    plants: np.ndarray
    traces: np.ndarray | None
    tick_s: float

    def table(self) -> dict[str, np.ndarray]:
        """Metrics as arrays, shape (n,)."""
        rows = metrics.table(self.scores, self.tick_s)
        rows["peak_tension_N"] = self.plants["peak_cable_N"]
        rows["peak_tip_force_N"] = self.plants["peak_tip_N"]
        return rows
