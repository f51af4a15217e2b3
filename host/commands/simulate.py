"""``jointloop simulate``: one joint through one scenario."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from controller.joint.angles import TURN_RAD
from controller.joint.motion.setpoint import in_gap
from controller.joint.settings.settings import CONTINUOUS
from host.commands.shared.arguments import RUNS, Gains, Joint, Json, Out, Part, Seed
from host.commands.shared.terminal import Terminal, degrees, plain, seconds
from sim.errors import InputError
from sim.joint.datasheet import overpull
from sim.joint.part import DIRECT
from sim.model import schedule
from sim.units import DEG

if TYPE_CHECKING:
    from sim.joint.part import Part as Specimen
    from sim.run.closed_loop import Joint as LoadedJoint
    from sim.run.closed_loop import Trace
    from sim.run.scenarios import Scenario

RUNTIMES = ("compiled", "python", "single", "single_python")


EXAMPLE = "simulate finger.toml --scenario hard_object"


def run(
    path: Joint,
    name: Annotated[
        str,
        typer.Option(
            "--scenario", help="Name of a scenario (--list shows them), or a scenario file."
        ),
    ] = "step",
    step: Annotated[
        str | None,
        typer.Option(help="Size of the steps; left out, 60 deg where the range allows it."),
    ] = None,
    part: Part = "nominal",
    runtime: Annotated[
        str,
        typer.Option(
            "--runtime",
            help='"compiled", "python" (same bits, slow), "single" (single precision, the controller as C), or "single_python" (its bits, slow).',
        ),
    ] = "compiled",
    trace_to: Annotated[
        Path | None, typer.Option("--trace", help="Write the time series to this CSV file.")
    ] = None,
    record_to: Annotated[
        Path | None,
        typer.Option("--recording", help="Write the run to this folder, as recordings are."),
    ] = None,
    drive: Annotated[
        Path | None,
        typer.Option(
            "--drive", help="Play a log's voltage into the joint instead, over what was measured."
        ),
    ] = None,
    columns: Annotated[
        str, typer.Option(help="Of that log: role=column[unit]; roles time, drive, angle.")
    ] = "time=time_s[s],drive=allowed_V[V],angle=angle_rad[rad]",
    list_them: Annotated[bool, typer.Option("--list", help="List the scenarios.")] = False,
    gains: Gains = None,
    seed: Seed = 1,
    as_json: Json = False,
    out: Out = RUNS,
) -> int:
    """Run the joint through a scenario and draw what happens."""
    terminal = Terminal(as_json)
    terminal.say(f"Simulating {plain(path)} ...")
    from host.commands.shared.loading import load, slug, step_of
    from host.files import make_folder

    if runtime not in RUNTIMES:
        raise InputError("", "--runtime", runtime, "must be one of " + ", ".join(RUNTIMES))
    joint = load(path, gains)
    if drive is not None:
        from host.commands.play_log import play_log

        return play_log(terminal, joint, drive, columns, seed, out)
    from sim.run.scenarios import STEP_RAD

    known = joint.scenarios(STEP_RAD if step is None else step_of(joint, step))
    if list_them:
        terminal.table(
            "Scenarios",
            ("name", "what happens"),
            [(one.name, one.meaning) for one in known.values()],
        )
        terminal.result({"scenarios": {one.name: one.meaning for one in known.values()}})
        return 0
    again: dict[str, Any] = {}
    if name.endswith(".toml"):
        scene, chosen, warmth, again = replayed(joint, Path(name), part, seed)
        seed = again.pop("seed")
        name = Path(name).stem
    elif name in known:
        scene = known[name]
        chosen, warmth = pick(joint, part, seed)
    else:
        raise InputError("", "--scenario", name, "must be a scenario file (.toml) or one of "
                         + ", ".join(known))  # fmt: skip
    folder = make_folder(out)
    from sim.run.closed_loop import simulate

    trace = simulate(joint, scene, chosen, warmth, seed, runtime, **again)
    from host.figures.look import save
    from host.figures.run import trace_figure

    figure = save(trace_figure(joint, trace), folder / f"{slug(joint.file.joint.name)}-{name}.png")
    if trace_to is not None:
        if not trace_to.parent.is_dir():
            raise InputError(str(trace_to.parent), "--trace", None, "no such folder")
        trace.write_csv(trace_to)
        terminal.say(f"Time series: {plain(trace_to)}")
    if record_to is not None:
        record(joint, trace, record_to)
        terminal.say(f"Recording: {plain(record_to)}")
    terminal.say(f"Figure: {plain(figure)}")
    show(terminal, joint, trace)
    terminal.result(
        {
            "joint": joint.file.joint.name,
            "scenario": name,
            "part": part,
            "seed": seed,
            "runtime": runtime,
            "tick_s": trace.tick_s,
            "substeps": trace.substeps,
            "figure": str(figure),
            **{key: value if told(trace, key) else None
               for key, value in trace.metrics.as_dict().items()},
        }
    )  # fmt: skip
    broken = (
        trace.metrics.fault_s is not None
        or overpull(joint.file, trace.metrics.peak_tension_N) is not None
    )
    return 1 if broken else 0


def refuse_out_of_range(joint: "LoadedJoint", scene: "Scenario", path: Path) -> None:
    """Refuse what a person asks for beyond the range: the joint would stay where it is. Raises InputError."""
    s, limits = joint.settings.sensor, joint.settings.limits
    low, high = limits.command_low_rad, limits.command_high_rad
    if s.travel == CONTINUOUS:
        low, high = -TURN_RAD, TURN_RAD
    start_low, start_high = (low, high)
    if s.travel != CONTINUOUS:
        start_low, start_high = limits.travel_low_rad, limits.travel_high_rad
    if not start_low - 1e-9 <= scene.start_rad <= start_high + 1e-9:
        raise InputError(str(path), "start", f"{scene.start_rad / DEG:.1f} deg",
                         f"must lie in {start_low / DEG:.1f} .. {start_high / DEG:.1f} deg")  # fmt: skip
    for t, kind, angle, *_ in scene.rows:
        asks = kind in (schedule.TARGET, schedule.STREAM, schedule.GRIP)
        if asks and not low - 1e-9 <= angle <= high + 1e-9:
            raise InputError(str(path), f"at {t:g} s", f"{angle / DEG:.1f} deg",
                             f"must lie in {low / DEG:.1f} .. {high / DEG:.1f} deg")  # fmt: skip
        if asks and s.travel == CONTINUOUS and in_gap(s, angle):
            raise InputError(str(path), f"at {t:g} s", f"{angle / DEG:.1f} deg", "lies in the sensor's dead gap, where no "
                             "joint can be held")  # fmt: skip


def record(joint: "LoadedJoint", trace: "Trace", folder: Path) -> None:
    """Write a simulated run in the format of recordings. Raises InputError."""
    from host import __version__
    from host.recordings.recorder import write_simulated

    text = Path(joint.path).read_text(encoding="utf-8-sig")
    about = {
        "made_by": f"jointloop {__version__}", "seed": trace.seed, "scenario": trace.scenario.name,
        "joint_files": [{"path": Path(joint.path).name, "name": joint.file.joint.name, "file": text,
                         "digest": joint.digest}],
    }  # fmt: skip
    write_simulated(folder, trace, about)


def replayed(
    joint: "LoadedJoint", path: Path, part: str, seed: int
) -> "tuple[Scenario, Specimen, float, dict[str, Any]]":
    """Read a scenario file: what happens, on which part, how warm; with which noise and steps."""
    from sim.challenge.crew import crew_fleet
    from sim.run import scenario_file
    from sim.run.closed_loop import COARSE_S, seed_of

    found = scenario_file.read(path, joint.settings.tick_s)
    if found.part is None:
        refuse_out_of_range(joint, found.scenario, path)
        chosen, warmth = pick(joint, part, seed)
        return found.scenario, chosen, warmth, {"seed": seed}
    drawn, number = found.part
    if number >= 1000:
        raise InputError(str(path), "part.number", number, "must be below 1000")
    fleet = crew_fleet(joint, drawn, number + 1)
    return (
        found.scenario,
        fleet.objects[number],
        fleet.warmth_C[number],
        {
            "seed": seed_of(int(fleet.words[number])),
            "shift": int(fleet.shifts[number]),
            "longest_s": COARSE_S,
        },
    )


def pick(joint: "LoadedJoint", which: str, seed: int) -> "tuple[Specimen, float]":
    """Return the part to simulate and its winding temperature (degC)."""
    from sim.joint import spread

    if which == "nominal":
        return joint.part, 25.0
    if which != "random":
        raise InputError("", "--part", which, "must be nominal or random")
    entries = spread.spread_of(joint.file)
    parts, warmth = spread.draw_parts(joint.part, entries, 1, seed)
    return parts[0], warmth[0]


STEP_KEYS = ("settling_2pct_s", "settling_count_s", "overshoot_rad", "steady_error_rad")
TAIL_KEYS = ("steady_error_rad", "hunting_rad", "hunting_Hz", "drive_noise_V")
NO_STEP = {schedule.STREAM, schedule.OBJECT, schedule.GRIP}
"""What makes a run no step: it settles nowhere, or on what it met."""


def told(trace: "Trace", key: str) -> bool:
    """Whether a run has measured this number: no step, no overshoot; no tail, no hunting."""
    kinds = {row[1] for row in trace.scenario.rows}
    if key in STEP_KEYS and (schedule.MEASURE not in kinds or kinds & NO_STEP):
        return False
    if key == "tracking_rad":
        return schedule.MEASURE in kinds
    return key not in TAIL_KEYS or {schedule.MEASURE, schedule.TAIL} <= kinds


def rows_of(trace: "Trace", cabled: bool = True) -> list[tuple[str, str]]:
    """Return (quantity, value) of a run's metrics. cabled: whether there are cables to pull."""
    m = trace.metrics
    bound = {name: ticks for name, ticks in m.limit_ticks.items() if ticks}
    step, tail = told(trace, "overshoot_rad"), told(trace, "hunting_rad")
    steady = told(trace, "steady_error_rad")
    often = f" at {m.hunting_Hz:.2f} Hz" if m.hunting_Hz else ""
    rows = [
        ("settling to 2 %", seconds(m.settling_2pct_s) if step else "-"),
        ("settling to the sensor's noise", seconds(m.settling_count_s) if step else "-"),
        ("overshoot", degrees(m.overshoot_rad) if step else "-"),
        ("steady-state error", degrees(m.steady_error_rad) if steady else "-"),
        ("hunting", f"+-{degrees(m.hunting_rad)}{often}" if tail else "-"),
        *([("greatest cable tension", f"{m.peak_tension_N:.1f} N")] if cabled else []),
        ("greatest fingertip force", f"{m.peak_tip_force_N:.1f} N"),
        ("greatest current", f"{m.peak_current_A:.2f} A"),
        ("energy", f"{m.energy_J:.2f} J"),
        ("limits that bound (ticks)", ", ".join(f"{k} {v}" for k, v in bound.items()) or "none"),
        ("at the end", m.mode),
    ]
    if m.fault_s is not None:
        rows.append(("fault", f"{m.fault}, at {m.fault_s:.3f} s"))
    return rows


def sentences(joint: "LoadedJoint", trace: "Trace") -> list[str]:
    """What happened, in words: the drive, the motion, the cable."""
    from sim.documentation import fault_table
    from sim.joint.datasheet import allowed_pull

    m = trace.metrics
    if m.fault_s is not None:
        row = next((one for one in fault_table() if one["name"] == m.fault), None)
        cure = "" if row is None else f" ({row['cause']}); {row['cure']}"
        told_ = [f"The drive went off after {m.fault_s:.2f} s: {m.fault}{cure}."]
    elif told(trace, "settling_2pct_s") and m.settling_2pct_s is not None:
        told_ = [
            f"It settles to 2 % in {seconds(m.settling_2pct_s)} and overshoots by {degrees(m.overshoot_rad)}."
        ]
    elif told(trace, "settling_2pct_s"):
        told_ = ["It does not settle to 2 % of the step."]
    else:
        told_ = ["The drive stayed on to the end."]
    if m.peak_tip_force_N > 0.05:
        told_.append(f"The fingertip presses with up to {m.peak_tip_force_N:.1f} N.")
    allowed = allowed_pull(joint.file)
    if joint.part.cable.kind != DIRECT:
        of = "" if allowed is None else f" of the {allowed:.0f} N allowed"
        told_.append(f"The cable is pulled with up to {m.peak_tension_N:.1f} N{of}.")
    return told_


def show(terminal: Terminal, joint: "LoadedJoint", trace: "Trace") -> None:
    """Say what happened, print the metrics of a run, and what it did to the cable."""
    for sentence in sentences(joint, trace):
        terminal.say(plain(sentence))
    terminal.table(
        trace.scenario.meaning or trace.scenario.name,
        ("", "value"),
        rows_of(trace, joint.part.cable.kind != DIRECT),
    )
    terminal.warning(overpull(joint.file, trace.metrics.peak_tension_N))
