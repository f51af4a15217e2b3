"""``jointloop tune``: gains by search over scenarios and the part spread."""

import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from host.commands.shared.arguments import (
    RUNS,
    Cluster,
    Gains,
    Joints,
    Json,
    Out,
    Seed,
    Workers,
)
from host.commands.shared.terminal import Terminal, plain
from sim.errors import InputError
from sim.units import DEG

if TYPE_CHECKING:
    import numpy as np

    from sim.run.closed_loop import Joint
    from sim.tune.tuning import Tuning

SHOWN = (
    ("settling_2pct_s", "settling to 2 %, ms", 1e3, 0),
    ("settling_count_s", "settling to the noise, ms", 1e3, 0),
    ("overshoot_rad", "overshoot, deg", 1.0 / DEG, 2),
    ("steady_error_rad", "steady-state error, deg", 1.0 / DEG, 2),
    ("hunting_rad", "hunting, +- deg", 1.0 / DEG, 2),
    ("drive_noise_V", "drive noise, V", 1.0, 2),
    ("peak_tension_N", "cable tension, N", 1.0, 1),
)
TABLES = (
    ("before", "before"),
    ("first_guess", "first guess"),
    ("tuned", "tuned, search's parts"),
    ("held_out", "tuned, held out"),
    ("outside", "tuned, outside rule"),
    ("single_precision", "single precision"),
)


EXAMPLE = "tune finger.toml --seed 3"


def run(
    paths: Joints,
    step: Annotated[
        str | None,
        typer.Option(help="Size of the steps; left out, 60 deg where the range allows it."),
    ] = None,
    effort: Annotated[
        str, typer.Option("--effort", help='"full", or "small": a quicker, coarser search.')
    ] = "full",
    into: Annotated[
        Path | None,
        typer.Option("--into", help="Write the gains to this file instead of into the joint file."),
    ] = None,
    write: Annotated[bool, typer.Option(help="Write the gains at all.")] = True,
    accept: Annotated[
        bool, typer.Option("--accept", help="Write gains that are outside their bounds, too.")
    ] = False,
    gains: Gains = None,
    seed: Seed = 1,
    starts: Annotated[
        int, typer.Option(help="Searches of each joint, of which the best is kept.", min=1, max=100)
    ] = 1,
    cluster: Cluster = None,
    workers: Workers = None,
    as_json: Json = False,
    out: Out = RUNS,
) -> int:
    """Find gains on many parts and in many scenarios, and judge them on others."""
    terminal = Terminal(as_json)
    terminal.say("Tuning " + ", ".join(plain(path) for path in paths) + " ...")
    from host.commands.shared.several import load_all, stems, together
    from host.files import make_folder
    from sim.run.scenarios import STEP_RAD

    if effort not in ("full", "small"):
        raise InputError("", "--effort", effort, "must be full or small")
    if into is not None and len(paths) > 1:
        raise InputError("", "--into", str(into), "is for one joint at a time")
    joints = load_all(paths, gains)
    seen = [path.read_text(encoding="utf-8-sig") for path in paths]
    step_rad = STEP_RAD if step is None else min(steps_of(joints, step))
    if into is not None and not into.parent.is_dir():
        raise InputError(str(into.parent), "--into", None, "no such folder")
    folder = make_folder(out)
    start = time.monotonic()
    if len(joints) == 1 and starts == 1 and cluster is None:
        tunings = [search(terminal, joints[0], step_rad, seed, effort)]
    else:
        tunings = searches(terminal, joints, step_rad, seed, effort, starts, (cluster, workers))
    elapsed = time.monotonic() - start
    results = []
    for joint, path, name, tuning, text in zip(joints, paths, stems(joints), tunings, seen, strict=True):  # fmt: skip
        show(terminal, joint, tuning)
        if write and (
            accept or not tuning.outside
        ):  # before the figures: a full disk loses nothing
            target = save(joint, tuning, path, into, text)
            terminal.say(f"Gains written to {plain(target)}.")
        elif write:
            terminal.say("[bold red]Nothing was written.[/bold red] --accept writes these gains all the same; "
                         "another --seed or --starts 3 may find better ones.")  # fmt: skip
        figures = draw(joint, tuning, folder, name)
        terminal.say("Figures: " + ", ".join(plain(one) for one in figures))
        results.append(result(joint, tuning, elapsed, figures))
    terminal.result(together(results))
    return 1 if any(tuning.outside for tuning in tunings) and not accept else 0


def steps_of(joints: "list[Joint]", text: str) -> list[float]:
    """The step that the option gives, for each joint. Raises InputError."""
    from host.commands.shared.loading import step_of

    found = [step_of(joint, text) for joint in joints]
    if min(found) < 0.0:
        raise InputError("", "--step", text, "must be more than 0: steps are made both ways")
    return found


def searches(terminal: Terminal, joints: "list[Joint]", step_rad: float, seed: int, effort: str,
             starts: int, where: tuple[str | None, int | None]) -> "list[Tuning]":  # fmt: skip
    """Search each joint from several starts on this machine's processes or a cluster, and judge it."""
    from dataclasses import replace

    from host.commands.shared.several import spread
    from sim.run.executors import open_executor
    from sim.tune.tuning import APART, SMALL, Effort, Work, judge_of, search_of

    much = SMALL if effort == "small" else Effort()
    works = [Work(joint.tables, joint.path, seed, step_rad, much) for joint in joints]
    every = [replace(work, seed=seed + APART * k) for work in works for k in range(starts)]
    with open_executor(*where) as runner:
        found = spread(terminal, runner, "searches", search_of, every)
        ends = [replace(work, found=tuple(found[k * starts : (k + 1) * starts]))
                for k, work in enumerate(works)]  # fmt: skip
        return spread(terminal, runner, "held-out parts", judge_of, ends)


def search(terminal: Terminal, joint: "Joint", step_rad: float, seed: int, effort: str) -> "Tuning":
    """Run the search and show its progress."""
    from sim.tune.tuning import SMALL, Effort, Progress, tune

    with terminal.progress() as progress:
        tasks: dict[str, Any] = {}

        def listen(news: Progress) -> None:
            if news.stage not in tasks:
                tasks[news.stage] = progress.add_task(news.stage, total=news.total, note="")
            note = "" if news.best == float("inf") else f"cost {news.best:.3f}"
            progress.update(tasks[news.stage], completed=min(news.done, news.total), note=note)

        return tune(joint, seed, step_rad, SMALL if effort == "small" else Effort(), listen)


def response_bands(
    joint: "Joint", tuning: "Tuning"
) -> "tuple[dict[str, np.ndarray], np.ndarray, float]":
    """Step responses of held-out parts: joint angles (parts, rows), times, target."""
    from sim.model.schedule import MEASURE
    from sim.run.scenarios import LEAD_S
    from sim.tune.cost import search_scenarios
    from sim.tune.tuning import with_gains

    fleet = tuning.fleets.get("held_out") or next(iter(tuning.fleets.values()))
    scene = search_scenarios(joint, tuning.step_rad, 2.0)["step"]
    target = next(row[2] for row in scene.rows if row[1] == MEASURE)
    tick = joint.settings.tick_s
    every = max(1, round(0.002 / tick))
    bands = {}
    for name, settings in (
        ("before", joint.settings),
        ("tuned", with_gains(joint.settings, tuning.gains, tuning.profile)),
    ):
        traces = fleet.run(settings, scene, every).traces
        assert traces is not None
        first = round(LEAD_S / tick / every)
        bands[name] = traces["joint_rad"][:, first:]
    rows = min(len(one[0]) for one in bands.values()) - round(0.04 / tick / every)
    bands = {name: one[:, :rows] for name, one in bands.items()}
    import numpy as np

    return bands, np.arange(rows) * tick * every, target


def draw(joint: "Joint", tuning: "Tuning", folder: Path, name: str) -> list[Path]:
    """Draw the figures of a tuning; return their paths."""
    from host.figures import look
    from host.figures import tuning as drawn

    bands, t, target = response_bands(joint, tuning)
    bound = bound_of(joint, tuning)
    return [
        look.save(
            drawn.step_band_figure(tuning, bands, t, target),
            folder / f"{name}-tune-steps.png",
        ),
        look.save(drawn.quality_figure(tuning, bound), folder / f"{name}-tune-quality.png"),
        look.save(drawn.margin_figure(joint, tuning), folder / f"{name}-tune-margins.png"),
    ]


def bound_of(joint: "Joint", tuning: "Tuning") -> float | None:
    """Bang-bang bound (s) of the nominal part for the step tuned for."""
    from sim.size.figures import own_bound

    found = own_bound(joint, tuning.step_rad)
    return found if found == found else None  # noqa: PLR0124  (nan)


def cell(value: float | None, factor: float, digits: int) -> str:
    """Show one number of the table."""
    return "never" if value is None else f"{value * factor:.{digits}f}"


def rows_of(tuning: "Tuning", cabled: bool = True) -> tuple[list[str], list[list[str]]]:
    """Return columns and rows (median / 95th percentile) of the result table. cabled: whether there is a cable to pull."""
    known = [(key, label) for key, label in TABLES if key in tuning.tables]
    rows = []
    for key, label, factor, digits in SHOWN:
        if key == "peak_tension_N" and not cabled:
            continue
        row = [label]
        for name, _ in known:
            both = tuning.summary(name)[key]
            row.append(
                f"{cell(both['median'], factor, digits)} / {cell(both['p95'], factor, digits)}"
            )
        rows.append(row)
    return ["middle / 95th percentile", *[label for _, label in known]], rows


def margin_words(joint: "Joint", m: dict[str, Any]) -> list[str]:
    """What the margins are, of the loop that these gains are in."""
    from sim.joint.part import BUILTIN, DIRECT
    from sim.tune.cost import MS_MOST, SWING_MS_MOST

    if joint.part.amplifier == BUILTIN:
        return ["Margins: none. The motor's own loop is the loop, and these gains are not in it."]
    margin = m["resonance_gain_margin"]
    swings = (f"gain {'-' if margin is None else f'{margin:.1f}'} at the cable resonance (bound 2), "
              if joint.part.cable.kind != DIRECT else "")  # fmt: skip
    told = [f"Margins: Ms {m['ms']:.2f} (bound {MS_MOST:g}), phase {m['phase_margin_deg']:.0f} deg, {swings}"
            f"bandwidth {m['bandwidth_Hz']:.1f} Hz"]  # fmt: skip
    if m["swing_rad"] > 0.0:
        told.append(f"With the help against stiction, errors that swing by {m['swing_rad'] / DEG:.1f} deg see the "
                    f"least of it: Ms {m['swing_ms']:.2f} (bound {SWING_MS_MOST:g}), phase "
                    f"{m['swing_phase_margin_deg']:.0f} deg, on a part without any friction.")  # fmt: skip
    return told


def verdict(tuning: "Tuning") -> list[str]:
    """What was found and whether it is good, in words."""
    step = f"a {tuning.step_rad / DEG:.0f} deg step"
    judged = tuning.summary("held_out") or tuning.summary("tuned")
    now, before = (one["settling_2pct_s"]["p95"] for one in (judged, tuning.summary("before")))
    whom = "parts that the search never met" if "held_out" in tuning.tables else "parts"
    was = "never" if before is None else f"{before * 1e3:.0f} ms"
    found = (f"95 of 100 {whom} do not all settle {step} (before: {was})." if now is None else
             f"95 of 100 {whom} settle {step} within {now * 1e3:.0f} ms (before: {was}).")  # fmt: skip
    good = ("All bounds are kept." if not tuning.outside else
            f"{len(tuning.outside)} bound(s) are not kept: {'; '.join(tuning.outside)}.")  # fmt: skip
    return [found, good]


def show(terminal: Terminal, joint: "Joint", tuning: "Tuning") -> None:
    """Say what was found, and print it: table, margins, interval, distance from the bound."""
    from sim.tune.tuning import bootstrap_p95

    for sentence in verdict(tuning):
        terminal.say(plain(sentence))
    columns, rows = rows_of(tuning, joint.file.cable.kind != "direct")
    terminal.table(
        f"{joint.file.joint.name}: {tuning.step_rad / DEG:.0f} deg steps, both ways", columns, rows
    )
    m = tuning.margins
    g = tuning.gains
    terminal.say(
        f"Gains: kp {g.kp:.1f} V/rad, ki {g.ki:.0f} V/(rad s), kd {g.kd:.3f} V s/rad, "
        f"filter {g.derivative_filter_s * 1e3:.1f} ms, dead band "
        f"{g.rest_in_rad / DEG:.2f} deg, help against stiction {g.breakaway_feed_V:.2f} V"
    )
    for sentence in margin_words(joint, m):
        terminal.say(sentence)
    settle = tuning.tables.get("held_out", tuning.tables["tuned"])["settling_2pct_s"]
    low, high = bootstrap_p95(settle, tuning.seed)
    p95 = (tuning.summary("held_out") or tuning.summary("tuned"))["settling_2pct_s"]["p95"]
    if p95 is not None:
        bound = bound_of(joint, tuning)
        over = f"; the nominal part's bang-bang bound is {bound * 1e3:.0f} ms" if bound else ""
        terminal.say(
            f"Held out: 95th percentile of settling {p95 * 1e3:.0f} ms "
            f"(95 % bootstrap interval {low * 1e3:.0f} to {high * 1e3:.0f}){over}."
        )
    few, whole = (
        len(tuning.tables[name]["settling_2pct_s"]) // 2
        for name in ("single_precision", "first_guess")
    )
    if few < whole:
        terminal.say(
            f"Single precision: {few} of {whole} parts only, for no C compiler is found here."
        )
    terminal.warning(cable_warning(joint, tuning))
    for text in tuning.outside:
        terminal.warning(f"Outside a bound: {text}.")


def cable_warning(joint: "Joint", tuning: "Tuning") -> str | None:
    """What the steps of all tables did to the cable, where it was more than is allowed."""
    from sim.joint.datasheet import overpull

    told = [tuning.tables[name]["peak_tension_N"] for name in ("tuned", "held_out", "outside")
            if name in tuning.tables]  # fmt: skip
    return overpull(joint.file, float(max(one.max() for one in told)))


def provenance(joint: "Joint", tuning: "Tuning") -> dict[str, Any]:
    """Where the gains come from."""
    import numba
    import numpy as np

    from host import __version__

    p95 = (tuning.summary("held_out") or tuning.summary("tuned"))["settling_2pct_s"]["p95"]
    return {
        "made_by": f"jointloop tune {__version__}",
        "seed": tuning.seed,
        "joint": joint.file.joint.name,
        "step": f"{tuning.step_rad / DEG:.6g} deg",
        "runs_of_the_search": tuning.evaluations,
        "held_out_settling_p95": "never" if p95 is None else f"{p95 * 1e3:.0f} ms",
        "versions": f"python {sys.version.split()[0]}, numpy {np.__version__}, "
        f"numba {numba.__version__}",
    }


def save(joint: "Joint", tuning: "Tuning", path: Path, into: Path | None, seen: str) -> Path:
    """Write the gains into the joint file, or into a gains file; return which."""
    import tomlkit

    from host.files import put_table, write_whole
    from sim.joint.gains import gain_table

    table = {
        "digest": joint.digest,
        **gain_table(tuning.gains, tuning.profile),
        "provenance": provenance(joint, tuning),
    }
    if into is None:
        put_table(path, "gains", table, seen)
        return path
    document = tomlkit.document()
    document.add(tomlkit.comment(f'Gains of the joint "{joint.file.joint.name}".'))
    document["gains"] = table
    write_whole(into, tomlkit.dumps(document))
    return into


def result(
    joint: "Joint", tuning: "Tuning", elapsed_s: float, figures: list[Path]
) -> dict[str, Any]:
    """Return the JSON result."""
    from controller.joint.settings.settings import Gains
    from controller.records import fields
    from sim.joint.result_tables import PROFILE_KEYS
    from sim.tune.tuning import bootstrap_p95

    def gains_of(gains: Any, profile: Any) -> dict[str, float]:
        rows = {name: float(getattr(gains, name)) for name, _ in fields(Gains)}
        rows.update({f"profile_{key}": float(getattr(profile, key)) for key in PROFILE_KEYS})
        return rows

    settle = tuning.tables.get("held_out", tuning.tables["tuned"])["settling_2pct_s"]
    low, high = bootstrap_p95(settle, tuning.seed)
    interval = [None if one == float("inf") else one for one in (low, high)]
    return {
        "joint": joint.file.joint.name,
        "seed": tuning.seed,
        "step_rad": tuning.step_rad,
        "gains": gains_of(tuning.gains, tuning.profile),
        "first_guess_gains": gains_of(tuning.first_gains, tuning.first_profile),
        "margins": {
            key: (None if isinstance(value, float) and value == float("inf") else value)
            for key, value in tuning.margins.items()
        },
        "outside": tuning.outside,
        **{name: tuning.summary(name) for name, _ in TABLES},
        "held_out_settling_p95_interval_s": interval,
        "step_bound_s": bound_of(joint, tuning),
        "evaluations": tuning.evaluations,
        "elapsed_s": elapsed_s,
        "figures": [str(one) for one in figures],
    }
