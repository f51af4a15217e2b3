"""``jointloop simulate``: one joint through one situation."""

from pathlib import Path
from typing import TYPE_CHECKING, Any

from host.terminal import Terminal, degrees, plain, seconds
from sim.errors import InputError

if TYPE_CHECKING:
    from sim.closed_loop import Joint, Trace
    from sim.part import Part
    from sim.scenarios import Scenario

RUNTIMES = ("compiled", "python", "single")


def run(
    path: Path,
    name: str,
    step: str,
    part: str,
    runtime: str,
    trace_to: Path | None,
    record_to: Path | None,
    list_them: bool,
    gains: Path | None,
    seed: int,
    as_json: bool,
    out: Path,
) -> None:
    """Simulate a situation: figure, table, trace."""
    terminal = Terminal(as_json)
    terminal.say(f"Simulating {plain(path)} ...")
    from host.files import make_folder
    from host.loading import angle, load, slug

    if runtime not in RUNTIMES:
        raise InputError("", "--runtime", runtime, "must be one of " + ", ".join(RUNTIMES))
    joint = load(path, gains)
    known = joint.scenarios(angle(step, "--step"))
    if list_them:
        terminal.table(
            "Situations",
            ("name", "what happens"),
            [(one.name, one.meaning) for one in known.values()],
        )
        terminal.result({"scenarios": {one.name: one.meaning for one in known.values()}})
        return
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
    from sim.closed_loop import simulate

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
    show(terminal, trace)
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
            **trace.metrics.as_dict(),
        }
    )


def record(joint: "Joint", trace: "Trace", folder: Path) -> None:
    """Write a simulated run in the format of recordings. Raises InputError."""
    from host import __version__
    from host.recorder import write_simulated

    text = Path(joint.path).read_text(encoding="utf-8-sig")
    about = {
        "made_by": f"jointloop {__version__}", "seed": trace.seed, "scenario": trace.scenario.name,
        "joint_files": [{"path": Path(joint.path).name, "name": joint.file.joint.name, "file": text,
                         "digest": joint.digest}],
    }  # fmt: skip
    write_simulated(folder, trace, about)


def replayed(
    joint: "Joint", path: Path, part: str, seed: int
) -> "tuple[Scenario, Part, float, dict[str, Any]]":
    """Read a scenario file: what happens, on which part, how warm; with which noise and steps."""
    from sim import scenario_file
    from sim.challenge.crew import crew_fleet
    from sim.closed_loop import COARSE_S, seed_of

    found = scenario_file.read(path, joint.settings.tick_s)
    if found.part is None:
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


def pick(joint: "Joint", which: str, seed: int) -> "tuple[Part, float]":
    """Return the part to simulate and its winding temperature (degC)."""
    from sim import tolerance

    if which == "nominal":
        return joint.part, 25.0
    if which != "random":
        raise InputError("", "--part", which, "must be nominal or random")
    entries = tolerance.spread_of(joint.file, joint.path)
    parts, warmth = tolerance.draw_parts(joint.part, entries, 1, seed)
    return parts[0], warmth[0]


def rows_of(trace: "Trace") -> list[tuple[str, str]]:
    """Return (quantity, value) of a run's metrics."""
    m = trace.metrics
    bound = {name: ticks for name, ticks in m.limit_ticks.items() if ticks}
    rows = [
        ("settling to 2 %", seconds(m.settling_2pct_s)),
        ("settling to the sensor's noise", seconds(m.settling_count_s)),
        ("overshoot", degrees(m.overshoot_rad)),
        ("steady error", degrees(m.steady_error_rad)),
        (
            "hunting",
            f"+-{degrees(m.hunting_rad)}" + (f" at {m.hunting_Hz:.2f} Hz" if m.hunting_Hz else ""),
        ),
        ("greatest cable tension", f"{m.peak_tension_N:.1f} N"),
        ("greatest fingertip force", f"{m.peak_tip_force_N:.1f} N"),
        ("greatest current", f"{m.peak_current_A:.2f} A"),
        ("energy", f"{m.energy_J:.2f} J"),
        ("limits that bound (ticks)", ", ".join(f"{k} {v}" for k, v in bound.items()) or "none"),
        ("at the end", m.mode),
    ]
    if m.fault_s is not None:
        rows.append(("fault", f"{m.fault}, at {m.fault_s:.3f} s"))
    return rows


def show(terminal: Terminal, trace: "Trace") -> None:
    """Print the metrics of a run."""
    terminal.table(trace.scenario.meaning or trace.scenario.name, ("", "value"), rows_of(trace))
