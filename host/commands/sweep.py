"""``jointloop sweep``: many variants of a joint as a table and a trade-off figure."""

import csv
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import numpy as np
import typer

from host.commands.shared.arguments import RUNS, Cluster, Joint, Json, Out, Workers
from host.commands.shared.terminal import Terminal, plain
from sim.errors import InputError

if TYPE_CHECKING:
    from sim.run.executors import Runner
    from sim.size.sweep import Axis

DEFAULT = ("no_load_speed_rad_s", "stall_force_N")
LARGER = {
    "no_load_speed_rad_s",
    "force_limit_N",
    "stall_force_N",
    "resonance_Hz",
    "margin_of_cable",
}
"""Columns of which more is better; of the others less is."""


EXAMPLE = 'sweep finger.toml --vary "cable.joint_radius=4 mm..8 mm/9"'


def run(
    path: Joint,
    vary: Annotated[
        list[str] | None,
        typer.Option("--vary", help="table.key=low..high/count, or values with commas; repeat."),
    ] = None,
    trade: Annotated[str, typer.Option(help="Two columns of the table to weigh.")] = "",
    cluster: Cluster = None,
    workers: Workers = None,
    as_json: Json = False,
    out: Out = RUNS,
) -> None:
    """Vary values of a joint: a table of what each variant gives, and the best trade-offs."""
    terminal = Terminal(as_json)
    terminal.say(f"Sweeping {plain(path)} ...")
    from host.commands.shared.loading import slug
    from host.figures.look import save
    from host.figures.sweep import brief, shown, sweep_figure
    from host.files import make_folder
    from sim.reading import parse_toml, read_text
    from sim.run.executors import open_executor
    from sim.size.sweep import COLUMNS, check_units, pareto, points, read_axis

    name = str(path)
    tables = parse_toml(read_text(path), name)
    axes = [read_axis(text) for text in vary or []]
    if not axes:
        raise InputError(
            "", "--vary", None, 'is missing; such as --vary "cable.joint_radius=4 mm..8 mm/5"'
        )
    count = len(points(axes))
    if count > 1_000_000:
        raise InputError("", "--vary", count, "makes more than 1000000 variants")
    x, y = _trade(trade, COLUMNS)
    check_units(tables, axes, name)
    stem = slug(str(tables.get("joint", {}).get("name", path.stem)))
    table = make_folder(out) / f"{stem}-sweep.csv"
    with open_executor(cluster, workers) as runner:
        found, refused = gather(terminal, tables, axes, name, runner, table)
        lost = runner.lost
    numbers = np.array(found)
    chosen = numbers[:, [COLUMNS.index(x), COLUMNS.index(y)]]
    signs = np.array([1.0 if one in LARGER else -1.0 for one in (x, y)])
    front = pareto(chosen * signs)
    every = points(axes)
    figure = save(sweep_figure(axes, every, chosen, front, (x, y)), out / f"{stem}-sweep.png")
    terminal.say(f"Table: {plain(table)}\nFigure: {plain(figure)}")
    best = [k for k in np.argsort(-chosen[:, 0] * signs[0]) if front[k]]
    (across, to_x), (up, to_y) = shown(x), shown(y)
    terminal.table(f"Nothing else is better in both ({len(best)} of {count})", (*(axis.key for axis in axes), across, up),
                   [(*map(brief, every[k]), f"{chosen[k, 0] * to_x:.4g}", f"{chosen[k, 1] * to_y:.4g}") for k in best[:24]])  # fmt: skip
    if refused:
        terminal.say(f"{refused} variants are no joint: the table says why.")
    if lost:
        terminal.say(f"Workers were lost {lost} times; their variants were done again.")
    terminal.result({"table": str(table), "figure": str(figure), "variants": count, "refused": refused, "lost": lost,
                     "front": [{**dict(zip([axis.key for axis in axes], every[k], strict=True)),
                                x: float(chosen[k, 0]), y: float(chosen[k, 1])} for k in best]})  # fmt: skip


def gather(terminal: Terminal, tables: dict[str, Any], axes: "list[Axis]", name: str, runner: "Runner",
           table: Path) -> tuple[list[list[float]], int]:  # fmt: skip
    """Evaluate all variants into a CSV file, rows kept as they come; numbers and how many were no joint."""
    from sim.size.sweep import COLUMNS, points, sweep

    partial = table.with_suffix(".csv.part")
    found: list[list[float]] = []
    refused = 0
    with terminal.progress() as progress, partial.open("w", newline="", encoding="utf-8") as stream:
        task = progress.add_task("variants", total=len(points(axes)), note="")
        writer = csv.writer(stream)
        writer.writerow([*(axis.key for axis in axes), *COLUMNS, "error"])

        def tell(done: int, _: int) -> None:
            progress.update(task, completed=done, note=f"{refused} refused")
            stream.flush()

        for point, row in sweep(tables, axes, name, runner, tell):
            refused += "error" in row
            values = [row.get(column, float("nan")) for column in COLUMNS]
            found.append(values)
            shown = ["" if np.isnan(value) else f"{value:.9g}" for value in values]
            writer.writerow([*point, *shown, row.get("error", "")])
    partial.replace(table)
    return found, refused


def _trade(text: str, columns: tuple[str, ...]) -> tuple[str, str]:
    names = [one.strip() for one in text.split(",")] if text else list(DEFAULT)
    if len(names) != 2 or any(one not in columns for one in names):
        raise InputError("", "--trade", text, "must be two of " + ", ".join(columns))
    return names[0], names[1]
