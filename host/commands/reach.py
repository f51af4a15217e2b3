"""``jointloop reach``: what must change so that a joint reaches its goals."""

import csv
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from host.commands.shared.arguments import RUNS, Joint, Json, Out, Seed
from host.commands.shared.terminal import Terminal, plain, quoted
from sim.errors import InputError

if TYPE_CHECKING:
    from sim.size.reach import Found, Proposal

EXAMPLE = 'reach finger.toml --vary "cable.joint_radius=6 mm..12 mm/13" --into stronger.toml'

EFFECTS = (
    ("no_load_speed_rad_s", "no-load speed"), ("stall_force_N", "fingertip force, stalled, nominal"),
    ("impact_tip_N", "fingertip, hard impact"), ("impact_cable_N", "cable, hard impact"),
    ("margin_of_cable", "breaking strength over that"), ("resonance_Hz", "cable resonance"),
    ("overshoot_rad", "overshoot"),
)  # fmt: skip
"""Columns of a sweep that are shown beside each other, in words."""


def run(
    path: Joint,
    vary: Annotated[
        list[str] | None,
        typer.Option(
            "--vary",
            help="What may change, as in `sweep`; repeat. Left out: drum, pulley, gear ratio, supply "
            "and tip distance, from half to twice.",
        ),
    ] = None,
    motors: Annotated[
        Path | None,
        typer.Option(
            "--motors", help="Table (CSV) of motors to choose from: name, and keys of [motor]."
        ),
    ] = None,
    into: Annotated[
        Path | None,
        typer.Option(
            "--into", help="Write the smallest change (or --choice) into a new joint file."
        ),
    ] = None,
    choice: Annotated[int, typer.Option(help="Which proposal goes into it.", min=1, max=99)] = 1,
    seed: Seed = 1,
    as_json: Json = False,
    out: Out = RUNS,
) -> int:
    """Find the smallest changes with which a joint reaches its [goals]."""
    terminal = Terminal(as_json)
    terminal.say(f"Goals of {plain(path)} ...")
    from host.commands.shared.loading import slug
    from host.figures.look import save
    from host.figures.reach import reach_figure
    from host.files import make_folder
    from sim.reading import parse_toml, read_text
    from sim.run.closed_loop import joint_of
    from sim.size.goals import told
    from sim.size.reach import free_of, reach
    from sim.size.sweep import check_units, read_axis

    name, text = str(path), read_text(path)
    tables = parse_toml(text, name)
    joint = joint_of(tables, name)
    if into is not None and into.exists():
        raise InputError(str(into), "--into", None, "exists already; name a new file")
    axes = [read_axis(one) for one in vary or []]
    if axes:
        check_units(tables, axes, name)
    known = [] if motors is None else read_motors(motors)
    with terminal.progress() as progress:
        task = progress.add_task("changes", total=1000, note="")

        def tell(done: int, total: int) -> None:
            progress.update(
                task, completed=round(1000 * done / total), note=f"{done} of {total} kinds"
            )

        found = reach(tables, name, free_of(tables, axes), seed, tell, known)
    figure = save(
        reach_figure(joint, found), make_folder(out) / f"{slug(joint.file.joint.name)}-reach.png"
    )
    terminal.say(f"Figure: {plain(figure)}")
    terminal.table("Goals, over the spread of the parts", ("", "wanted", "now", ""),
                   [told(one, joint) for one in found.present])  # fmt: skip
    for sentence in sentences(found):
        terminal.say(sentence)
    effects = show(terminal, tables, name, found)
    if into is not None and found.proposals:
        chosen = found.proposals[min(choice, len(found.proposals)) - 1]
        write(into, text, tables, chosen)
        terminal.say(f"Written to {plain(into)}: {change_told(chosen)}.")
        terminal.next(f"jointloop tune {quoted(into)}")
    terminal.result({
        "joint": joint.file.joint.name, "figure": str(figure), "met": all(one.met for one in found.present),
        "goals": [vars(one) for one in found.present], "tried": len(found.tried),
        "proposals": [as_dict(one) for one in found.proposals],
        "nearest": None if found.nearest is None else as_dict(found.nearest), "effects": effects,
    })  # fmt: skip
    return 0 if found.proposals or all(one.met for one in found.present) else 1


def read_motors(path: Path) -> list[dict[str, Any]]:
    """Rows of a table of motors: name, and keys of [motor] with their units. Raises InputError, each row named."""
    from sim.errors import together
    from sim.joint.file import MotorTable
    from sim.reading import read_text
    from sim.schema import read

    rows = list(csv.DictReader(read_text(path).splitlines()))
    if not rows or "name" not in rows[0]:
        raise InputError(
            str(path),
            "name",
            None,
            "needs a header with name and keys of [motor], and a row for each motor",
        )
    known, wrong = [], []
    for number, row in enumerate(rows, 2):
        kept: dict[str, Any] = {}
        for key, value in row.items():
            if not key or key == "name" or not (value or "").strip():
                continue
            plain_number = key in (
                "cost",
                "gear_ratio",
                "stiction_ratio",
                "coulomb_share",
                "load_loss",
            )
            try:
                kept[key] = float(value) if plain_number and ":" not in value else value.strip()
            except ValueError:
                wrong.append(
                    InputError(str(path), f"line {number}, {key}", value, "must be a number")
                )
        try:
            read(MotorTable, kept, str(path), f"line {number} ({row['name']}), ")
            from sim.joint.datasheet import motor_constants

            motor_constants(read(MotorTable, kept, str(path)))
        except InputError as error:
            wrong.append(
                InputError(
                    str(path),
                    f"line {number} ({row['name']})",
                    None,
                    str(error).removeprefix(f"{path}: "),
                )
            )
            continue
        known.append({"name": row["name"], "motor": kept})
    if wrong:
        raise together(wrong)
    return known


def sentences(found: "Found") -> list[str]:
    """What was found, in words."""
    if all(one.met for one in found.present):
        return ["All goals are met as it is: nothing must change."]
    if found.proposals:
        first = found.proposals[0]
        more = len(found.proposals) - 1
        rest = f"; {more} more below" if more else ""
        kind = (
            "One change is enough"
            if len(first.changes) == 1
            else "No single change is enough; two are"
        )
        return [f"{kind}: {change_told(first)}. All goals are then met by 95 % of 200 parts, by "
                f"{100 * first.margin:.0f} % at least{rest}."]  # fmt: skip
    if found.nearest is None:
        return ["Nothing that may change makes another joint of it."]
    bar = min(found.nearest.goals, key=lambda one: one.margin)
    return [f"Nothing of what may change reaches all goals, alone or in pairs. Nearest: {change_told(found.nearest)}; what "
            f"bars it is {bar.name.replace('_', ' ')} ({bar.reached:.3g} {bar.unit} where {bar.wanted:.3g} is wanted). "
            "Allow more with --vary, other motors with --motors, or ask for less."]  # fmt: skip


def change_told(one: "Proposal") -> str:
    """A proposal's values in words."""
    return " and ".join(f"{key} = {value}" for key, value in one.changes.items())


def show(
    terminal: Terminal, tables: dict[str, Any], name: str, found: "Found"
) -> list[dict[str, Any]]:
    """The proposals beside each other, with what else changes; the numbers for programs."""
    from host.figures.sweep import shown
    from sim.size.sweep import evaluate

    chosen = found.proposals or ([found.nearest] if found.nearest is not None else [])
    if not chosen:
        return []
    rows = [(str(k), change_told(one), ", ".join(f"{g.name.replace('_', ' ')} {100 * g.margin:+.0f} %" for g in one.goals))
            for k, one in enumerate(chosen, 1)]  # fmt: skip
    terminal.table("What to change, the smallest first", ("", "change", "margins"), rows)
    plain_tables = {
        key: value for key, value in tables.items() if key not in ("gains", "identified")
    }
    values = [evaluate(plain_tables, name), *[evaluate(one.tables, name) for one in chosen]]
    table = []
    for key, words in EFFECTS:
        if not all(abs(one[key]) < 1e9 for one in values):
            continue
        factor, unit = (
            shown(key)[1],
            shown(key)[0].rpartition(", ")[2] if ", " in shown(key)[0] else "",
        )
        table.append(
            (f"{words}, {unit}".removesuffix(", "), *[f"{one[key] * factor:.3g}" for one in values])
        )
    terminal.table("What else changes (by the rule's gains, nominal part)",
                   ("", "now", *[str(k) for k in range(1, len(values))]), table)  # fmt: skip
    return [{key: one[key] for key, _ in EFFECTS} for one in values]


def as_dict(one: "Proposal") -> dict[str, Any]:
    """A proposal for programs."""
    return {"changes": one.changes, "size": one.size, "margin": one.margin,
            "goals": [vars(goal) for goal in one.goals]}  # fmt: skip


def write(path: Path, text: str, tables: dict[str, Any], chosen: "Proposal") -> None:
    """Write a joint file with a proposal's values, its remarks kept, its results left out. Raises InputError."""
    import tomlkit

    from host.files import write_whole

    if not path.parent.is_dir():
        raise InputError(str(path.parent), "--into", None, "no such folder")
    document = tomlkit.parse(text)
    for table in ("gains", "identified"):
        if table in document:
            document.remove(table)
    for table, keys in chosen.tables.items():
        if not isinstance(keys, dict) or table in ("gains", "identified", "calibration"):
            continue
        if table not in document:
            document[table] = tomlkit.table()
        before = tables.get(table, {})
        for key, value in keys.items():
            if before.get(key) != value:
                document[table][key] = value
        for key in [one for one in before if one not in keys]:
            document[table].remove(key)
    write_whole(path, tomlkit.dumps(document))
