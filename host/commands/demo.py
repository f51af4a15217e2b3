"""``jointloop demo``: the whole job on an invented joint."""

import shutil
import time
from pathlib import Path
from typing import TYPE_CHECKING

from host.commands.shared.arguments import RUNS, Out, Seed
from host.commands.shared.terminal import Terminal, plain
from host.starters import starter
from sim.units import DEG

if TYPE_CHECKING:
    from host.recordings.recorder import Run
    from host.report import Section
    from sim.run.closed_loop import Joint, Trace
    from sim.size.figures import Size
    from sim.tune.tuning import Tuning


EXAMPLE = "demo"


def run(seed: Seed = 1, out: Out = RUNS) -> int:
    """Do the whole job on an invented joint, and end with a report."""
    terminal = Terminal()
    start = time.monotonic()
    terminal.say("The whole job on one invented joint: size, simulate, tune, simulate, report.")
    terminal.say(
        "The first time, the control code is compiled; that takes a quarter of a minute.\n"
    )
    from host.files import make_folder, write_whole

    folder = make_folder(out / "demo")
    path = folder / "joint.toml"
    write_whole(path, starter())
    from host.commands import size, tune
    from host.commands.shared.loading import load

    joint = load(path)
    terminal.heading("1  What do these parts give?")
    from sim.size.figures import size as size_it

    mine = size_it(joint)
    size.show(terminal, joint.file.joint.name, mine)
    terminal.heading("2  Gains that hold on parts the search never met")
    tuning = tune.search(terminal, joint, 60.0 * DEG, seed, "small")
    tune.show(terminal, joint, tuning)
    if tuning.outside:
        terminal.say("Not written: these gains are outside their bounds. Another --seed may do.")
        return 1
    tune.save(joint, tuning, path, None, path.read_text(encoding="utf-8"))
    terminal.heading("3  The tuned joint: a move, a hard object, a torn-off wire")
    tuned = load(path)
    traces = run_scenes(tuned)
    for trace in traces:
        from host.commands.simulate import show

        show(terminal, joint, trace)
    terminal.heading("4  The same code on a virtual board, streamed and recorded")
    sections = [bench_section(tuned, stream_it(terminal, tuned, folder, seed))]
    page = report(folder / "report.html", joint, mine, tuning, traces, sections)
    took = time.monotonic() - start
    terminal.say(f"\nDone in {took:.0f} s. Joint file with its gains: {plain(path)}")
    terminal.say(f"Report: {plain(page)}")
    return 0


def run_scenes(joint: "Joint") -> "list[Trace]":
    """Simulate the scenarios that the report shows."""
    from sim.run.closed_loop import simulate

    known = joint.scenarios(60.0 * DEG)
    return [simulate(joint, known[name]) for name in ("step", "grip", "hard_object", "wiper_open")]


def stream_it(terminal: Terminal, joint: "Joint", folder: Path, seed: int) -> "Run":
    """Stream six seconds of minimum-jerk moves to a virtual board; return the recording."""
    from host.commands.stream import record_stream
    from host.link.moves import minimum_jerk
    from host.link.session import Session
    from host.recordings.recorder import Run
    from sim.run.scenarios import span_of

    low, high = span_of(joint.settings)
    target = folder / "run"
    if target.exists():
        shutil.rmtree(target)  # ours, of the last demo
    with Session([joint], [], "cpython", seed) as session:
        session.send_settings()
        move = minimum_jerk([low, high, low, high, low], 0.7)
        record_stream(terminal, session, {0: move}, 100.0, 1, target, False, seed)
    return Run(target)


def bench_section(joint: "Joint", run: "Run") -> "Section":
    """Section: the recording with the simulation of the same setpoints laid over it."""
    from host.figures import look
    from host.figures.overlay import overlay_figure
    from host.recordings.comparison import compare
    from host.report import Section

    found = compare(joint, run, 0)
    return Section(
        "On the virtual board",
        "The tuned joint, driven by the board's own program over the link and recorded; the same "
        f"setpoints were then simulated. The simulation explains {100 * found.fit:.1f} % of the "
        "recorded course.",
        [(look.as_svg(overlay_figure("Recorded and simulated", found.time_s, found.rows)),
          "Recorded on the virtual board, and simulated.")],
    )  # fmt: skip


def report(
    path: Path,
    joint: "Joint",
    mine: "Size",
    tuning: "Tuning",
    traces: "list[Trace]",
    more: "list[Section]",
) -> Path:
    """Write the report of the demo; return its path."""
    from host.report import write_report

    sections = [size_section(joint, mine), tuning_section(joint, tuning)]
    sections += [trace_section(joint, trace) for trace in traces] + more
    return write_report(
        path,
        joint.file.joint.name,
        (
            "An invented finger joint, from its datasheet values to tuned gains. Look at the figures "
            "first; the tables below each hold the numbers."
        ),
        sections,
    )


def size_section(joint: "Joint", mine: "Size") -> "Section":
    """Section: what the choice of parts gives."""
    from host.commands.size import rows_of
    from host.figures import look
    from host.figures.size import size_figure
    from host.report import Section

    return Section(
        "What these parts give",
        "",
        [
            (
                look.as_svg(size_figure(joint, mine)),
                "Force, cable load, speed, resolution, heat and loop of the nominal part.",
            )
        ],
        ["", "value", "remark"],
        rows_of(mine),
        mine.findings,
    )


def tuning_section(joint: "Joint", tuning: "Tuning") -> "Section":
    """Section: gains on parts the search never met."""
    from host.commands import tune
    from host.figures import look
    from host.figures import tuning as drawn
    from host.report import Section

    bands, t, target = tune.response_bands(joint, tuning)
    columns, rows = tune.rows_of(tuning)
    p95 = (tuning.summary("held_out") or tuning.summary("tuned"))["settling_2pct_s"]["p95"]
    bound = tune.bound_of(joint, tuning)
    reached = "never settles" if p95 is None else f"settles within {p95 * 1e3:.0f} ms"
    lead = (
        f"Of the parts held out from the search, 95 % {reached}"
        + (f"; the nominal part could not do it in less than {bound * 1e3:.0f} ms" if bound else "")
        + ". The gains were chosen by the worst 5 % of parts, not by the nominal one."
    )
    return Section(
        "Tuned on many parts",
        lead,
        [
            (
                look.as_svg(drawn.step_band_figure(tuning, bands, t, target)),
                "Step responses before and after, and how the joint stands afterwards; green: 2 % band.",
            ),
            (
                look.as_svg(drawn.quality_figure(tuning, bound)),
                "How many parts do as well, over the part spread, both directions.",
            ),
            (
                look.as_svg(drawn.margin_figure(joint, tuning)),
                "Robustness of the linear loop.",
            ),
        ],
        columns,
        rows,
    )


def trace_section(joint: "Joint", trace: "Trace") -> "Section":
    """Section: one scenario."""
    from host.commands.simulate import rows_of
    from host.figures import look
    from host.figures.run import trace_figure
    from host.report import Section

    meaning = trace.scenario.meaning
    return Section(
        meaning[0].upper() + meaning[1:],
        "",
        [
            (
                look.as_svg(trace_figure(joint, trace)),
                "Angle, forces and drive over time.",
            )
        ],
        ["", "value"],
        rows_of(trace),
    )
