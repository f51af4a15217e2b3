"""``jointloop challenge``: the user's own joint and gains attacked."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import tomlkit
import typer

from host.commands.shared.arguments import RUNS, Cluster, Gains, Joints, Json, Out, Seed, Workers
from host.commands.shared.terminal import Terminal, plain, quoted

if TYPE_CHECKING:
    from sim.challenge.attack import Attack, Outcome
    from sim.run.closed_loop import Joint
    from sim.run.executors import Runner

MEANING = {
    "window": "a drive outside the window of force limit and supply",
    "off": "a drive that is not zero while off or tripped",
    "number": "a drive that is no number",
    "relit": "a tripped joint driven again without a clear",
    "kick": "a drive in the first powered tick",
    "false trip": "a trip in normal use",
    "tension": "cable tension over the allowed pull (plus 10 %)",
    "travel": "angle beyond the hard stops (plus 3 deg, and what a load from outside does)",
    "force": "lasting tip force over what limit and friction can hold",
    "heat": "winding over its limit (plus 15 degC)",
}


EXAMPLE = 'challenge finger.toml --duration "5 min"'


def run(
    paths: Joints,
    scenarios: Annotated[
        int, typer.Option(help="Scenarios to draw.", min=1, max=100_000_000)
    ] = 2000,
    duration: Annotated[str | None, typer.Option("--duration", help="So long, instead.")] = None,
    parts: Annotated[
        int, typer.Option(help="Parts that each scenario is run on.", min=1, max=1000)
    ] = 32,
    gains: Gains = None,
    seed: Seed = 1,
    cluster: Cluster = None,
    workers: Workers = None,
    as_json: Json = False,
    out: Out = RUNS,
) -> int:
    """Attack the joint: search for a scenario that breaks a limit; exit 1 if there is one."""
    terminal = Terminal(as_json)
    terminal.say("Attacking " + ", ".join(plain(path) for path in paths) + " ...")
    from contextlib import nullcontext

    from host.commands.shared.loading import length
    from host.commands.shared.several import load_all, stems, together
    from host.files import make_folder

    minutes = None if duration is None else length(duration, 0.6, 604_800.0) / 60.0
    joints = load_all(paths, gains)
    folder = make_folder(out)
    from sim.run.executors import open_executor

    results = []
    with nullcontext() if cluster is None else open_executor(cluster, workers) as runner:
        for joint, name in zip(joints, stems(joints), strict=True):
            wanted = (None if minutes else scenarios, minutes, parts, workers)
            search = watched(terminal, joint, seed, wanted, runner)
            results.append(told(terminal, joint, search, folder / name))
    terminal.result(together(results))
    return 1 if any(one["broken"] for one in results) else 0


def watched(terminal: Terminal, joint: "Joint", seed: int,
            wanted: tuple[int | None, float | None, int, int | None], runner: "Runner | None") -> "Attack":  # fmt: skip
    """Attack a joint with progress. wanted: programs, minutes, parts, workers here."""
    from sim.challenge.attack import attack

    programs, minutes, parts, workers = wanted
    with terminal.progress() as progress:
        task = progress.add_task("drawing scenarios", total=1000, note="")

        def tell(outcome: "Outcome", share: float) -> None:
            worst = max(((w.share, name) for name, w in outcome.worst.items()), default=(0.0, ""))
            note = f"{outcome.scenarios} scenarios, nearest {worst[1]} {100 * worst[0]:.0f} %"
            progress.update(task, completed=round(1000 * share), note=note)

        return attack(joint, seed, programs, minutes, tell, parts, workers, runner)


def told(terminal: Terminal, joint: "Joint", search: "Attack", stem: Path) -> dict[str, Any]:
    """Draw, write and say what an attack found; the result for programs."""
    from host.figures.challenge import margins_figure
    from host.figures.look import save

    found = search.outcome
    figure = save(margins_figure(joint, found), stem.with_name(f"{stem.name}-challenge.png"))
    terminal.say(f"Figure: {plain(figure)}")
    breach = stem.with_name(f"{stem.name}-breach")
    files = write_breach(joint, search, breach) if found.broken else {}
    show(terminal, search, files)
    terminal.warning(cable_warning(joint, search))
    return as_dict(joint, search, str(figure), files)


def write_breach(joint: "Joint", search: "Attack", stem: Path) -> dict[str, str]:
    """Write the smallest breaking scenario as a scenario file, and a figure of it; return the paths."""
    from host.figures.look import save
    from host.figures.run import trace_figure
    from host.files import write_whole
    from sim.run import scenario_file

    found = search.outcome
    assert found.breach is not None and found.broken is not None
    found.breach.name = found.breach.meaning = f"breach: {MEANING[found.broken]}"
    tables = scenario_file.to_tables(found.breach, joint.settings.tick_s, (search.seed, found.part))
    path = stem.with_suffix(".toml")
    head = (f"# The smallest scenario found that breaks: {MEANING[found.broken]}.\n"
            f"# Replay: jointloop simulate {quoted(joint.path)} --scenario {quoted(path)}\n\n")  # fmt: skip
    write_whole(path, head + tomlkit.dumps(tables))
    trace = search.fleet.trace(joint, found.breach, found.part)
    figure = save(trace_figure(joint, trace), stem.with_suffix(".png"))
    return {"scenario": str(path), "figure": str(figure)}


def show(terminal: Terminal, search: "Attack", files: dict[str, str]) -> None:
    """Say what was tried, how near it came, and what broke."""
    found = search.outcome
    rate = found.runs / max(found.elapsed_s, 1e-9)
    terminal.say(
        f"{found.scenarios} scenarios on {len(search.fleet)} parts each (nominal, corners of the spread, "
        f"random): {found.runs} runs in {found.elapsed_s:.0f} s ({rate:.0f} a second)."
    )
    rows = [(MEANING[name], f"{100 * one.share:.0f} %") for name, one in found.worst.items()]
    terminal.table("Nearest to each limit", ("", "of the limit"), rows)
    kinds = ", ".join(f"{kind} {count}" for kind, count in found.kinds.most_common())
    faults = ", ".join(f"{name} {count}" for name, count in found.faults.most_common())
    terminal.say(f"Steps drawn: {kinds}.")
    terminal.say(f"Trips answered: {faults or 'none'}.")
    missing = [name for name in ("tension", "travel") if name not in found.worst]
    if missing:
        terminal.say(f"Not tried, for want of a limit in the file: {', '.join(missing)}.")
    terminal.say(
        "Not tried: several joints on one supply, wear, a cable off its pulley, the link itself."
    )
    if found.broken is None:
        terminal.say(
            "[green]No rule was broken.[/green] That is no proof: try another --seed, a longer --duration."
        )
        return
    terminal.say(f"[bold red]Broken:[/bold red] {MEANING[found.broken]}.")
    terminal.say(
        f"Smallest scenario: {plain(files['scenario'])}\nFigure of it: {plain(files['figure'])}"
    )


def cable_warning(joint: "Joint", search: "Attack") -> str | None:
    """What the hardest program did to the cable, where it was more than is allowed."""
    from sim.joint.datasheet import overpull

    return overpull(joint.file, search.outcome.pull_N)


def as_dict(joint: "Joint", search: "Attack", figure: str, files: dict[str, str]) -> dict[str, Any]:
    """The result for programs."""
    found = search.outcome
    return {
        "joint": joint.file.joint.name, "figure": figure, "seed": search.seed,
        "scenarios": found.scenarios, "runs": found.runs, "elapsed_s": found.elapsed_s,
        "first_result_s": found.first_s, "broken": found.broken, "breach": files or None,
        "worst_share": {name: one.share for name, one in found.worst.items()},
        "kinds": dict(found.kinds), "faults": dict(found.faults),
    }  # fmt: skip
