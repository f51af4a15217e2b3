"""``jointloop size``: what a choice of parts gives."""

from math import isfinite, isnan
from typing import Annotated, Any

import typer

from host.commands.shared.arguments import RUNS, Cluster, Gains, Joints, Json, Out, Seed, Workers
from host.commands.shared.terminal import Terminal, degrees, plain, quoted, seconds
from sim.size.figures import Size
from sim.units import DEG

_MARKS = {
    "good": "[green]good[/green]",
    "note": "[cyan]note[/cyan]",
    "warning": "[bold red]warning[/bold red]",
}


EXAMPLE = "size finger.toml"


def run(
    paths: Joints,
    faults: Annotated[
        bool, typer.Option("--faults", help="Also study every fault over the part spread.")
    ] = False,
    parts: Annotated[int, typer.Option(help="Parts of the fault study.", min=2, max=100_000)] = 200,
    gains: Gains = None,
    seed: Seed = 1,
    cluster: Cluster = None,
    workers: Workers = None,
    as_json: Json = False,
    out: Out = RUNS,
) -> None:
    """Say what this choice of parts gives: speed, force, cable load, resolution, heat."""
    terminal = Terminal(as_json)
    terminal.say("Sizing " + ", ".join(plain(path) for path in paths) + " ...")
    from host.commands.shared.several import load_all, spread, stems, together
    from host.files import make_folder

    joints = load_all(paths, gains)
    folder = make_folder(out)
    names = stems(joints)
    studies: list[Any] = [None] * len(joints)
    if len(joints) == 1 and cluster is None:
        from sim.size.figures import size

        sizes = [size(joints[0])]
    else:
        from sim.challenge.fault_study import study_of
        from sim.run.executors import open_executor
        from sim.size.figures import size_of

        with open_executor(cluster, workers) as runner:
            works = [(joint.tables, joint.path) for joint in joints]
            sizes = spread(terminal, runner, "joints", size_of, works)
            if faults:
                cases = [(*work, parts, seed) for work in works]
                studies = spread(terminal, runner, "fault studies", study_of, cases)
    from host.commands.faults import run as study
    from host.figures.look import save
    from host.figures.size import size_figure
    from sim.size.goals import judge, told

    results = []
    for joint, path, name, mine, known in zip(joints, paths, names, sizes, studies, strict=True):
        figure = save(size_figure(joint, mine), folder / f"{name}-size.png")
        terminal.say(f"Figure: {plain(figure)}")
        judged = judge(joint, seed=seed)
        show(terminal, joint.file.joint.name, mine, [told(one, joint) for one in judged])
        missed = [one for one in judged if not one.met]
        if missed:
            terminal.next(f"jointloop reach {quoted(path)}")
        more = study(terminal, joint, parts, seed, folder / name, known) if faults else {}
        results.append(
            {
                "joint": joint.file.joint.name,
                "figure": str(figure),
                **mine.as_dict(),
                "goals": [{**vars(one), "met": one.met} for one in judged],
                **more,
            }
        )
    terminal.result(together(results))


def rows_of(mine: Size) -> list[tuple[str, str, str]]:
    """Return (quantity, value, remark) for the table and the report."""
    low, _, high = mine.force_at_limit_N
    strength = mine.cable_strength_N
    cabled = isfinite(mine.resonance_Hz)  # a direct coupling has nothing that swings or stretches
    forever = next((t for _, f, t in mine.hold_s if abs(f - mine.force_limit_N) < 0.02), None)
    rows = [
        ("no-load speed", f"{mine.no_load_speed_rad_s / DEG:.0f} deg/s", "at full supply"),
        (
            f"quickest {mine.step_rad / DEG:.0f} deg step",
            seconds(mine.step_bound_s),
            "bang-bang bound, this supply and limit",
        ),
        ("fingertip force, stalled", f"{mine.stall_force_N:.1f} N", "nominal part"),
        (
            "fingertip force at the limit",
            f"{mine.force_limit_N:.1f} N",
            f"over the spread {low:.1f} to {high:.1f} N",
        ),
        (
            "held after running into something",
            f"{mine.contact_N[1]:.1f} N",
            f"at most, at full speed; middle {mine.contact_N[0]:.1f} N"
            + (f"; cable {mine.cable_contact_N:.0f} N" if cabled else ""),
        ),
        (
            "self-test on arming",
            f"{mine.modes.self_test_N:.1f} N",
            "at most, if something is in its way",
        ),
        (
            "release",
            f"{mine.modes.release_N:.1f} N",
            "at most, opening"
            + (f"; its cable {mine.modes.release_cable_N:.0f} N" if cabled else ""),
        ),
        (
            "held from cold",
            "continuously" if forever is None else f"{forever:.0f} s",
            f"at the limit, in full; {mine.hold_continuously_N:.1f} N continuously",
        ),
    ]
    if cabled:
        rows.append(
            (
                "cable tension",
                f"{mine.cable_at_limit_N:.0f} N",
                f"at the limit; {mine.cable_impact_N:.0f} N on a hard impact"
                + (f"; breaks at {strength:.0f} N" if strength else ""),
            )
        )
    if mine.bend_ratio_joint is not None and cabled:
        suggested = (
            f"suggested {mine.bend_suggested:.0f}"
            if mine.bend_suggested
            else "no figure for this cable"
        )
        ratios = f"{mine.bend_ratio_joint:.0f}, {mine.bend_ratio_drum:.0f}"
        rows.append(("pulley, drum over cable diameter", ratios, suggested))
    rows += [
        (
            "one count",
            degrees(mine.angle_per_count_rad, 3),
            f"noise {degrees(mine.noise_rad)} rms, effective step {degrees(mine.angle_effective_rad)}",
        ),
        *(
            [("cable resonance", f"{mine.resonance_Hz:.0f} Hz", "should be at least 45 Hz")]
            if cabled
            else []
        ),
        (
            "bandwidth reached",
            "-" if mine.bandwidth_Hz is None else f"{mine.bandwidth_Hz:.1f} Hz",
            "the motor's own loop is the loop: no gains of ours are in it"
            if isnan(mine.ms)
            else f"with the present gains, Ms {mine.ms:.2f}",
        ),
        (
            "supply current",
            f"{mine.supply_at_limit_A:.2f} A",
            f"at the limit; {mine.supply_stall_A:.2f} A stalled, supply then {mine.bus_at_stall_V:.1f} V",
        ),
        (
            "voltage to move at all",
            f"{mine.breakaway_V:.1f} V",
            "stiffest, hottest part of the spread",
        ),
    ]
    return rows


def show(
    terminal: Terminal, name: str, mine: Size, goals: list[tuple[str, ...]] | None = None
) -> None:
    """Print table, goals and findings."""
    terminal.table(f"{name}: what these parts give", ("", "value", "remark"), rows_of(mine))
    if goals:
        terminal.table("Goals, over the spread of the parts", ("", "wanted", "now", ""), goals)
    terminal.heading("What limits, and what to change")
    terminal.remarks((_MARKS[one.weight], one.text) for one in mine.findings)
