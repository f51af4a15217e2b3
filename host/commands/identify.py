"""``jointloop identify``: constants of one axis from a log, by regression."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from host.commands.shared.arguments import RUNS, Json, Number, Out, Resistance, Temperature, Yes
from host.commands.shared.terminal import Terminal, plain
from sim.errors import InputError

if TYPE_CHECKING:
    from sim.identify.log import Log
    from sim.identify.regression import Regression


EXAMPLE = "identify jointloop-runs/RUN --into finger.toml"


def run(
    path: Annotated[
        Path,
        typer.Argument(
            metavar="LOG", help="Folder of a run of `record --excite`, or a CSV log of one axis."
        ),
    ],
    columns: Annotated[
        str, typer.Option(help="CSV: role=column[unit], roles time, drive, angle.")
    ] = "time=time_s[s],drive=allowed_V[V],angle=angle_rad[rad]",
    cutoff: Annotated[
        str | None, typer.Option(help="CSV: cut-off of the filter; left out, the best of several.")
    ] = None,
    gravity: Annotated[bool, typer.Option("--gravity", help="CSV: with a gravity term.")] = False,
    number: Number = 0,
    joint: Annotated[
        Path | None,
        typer.Option(
            "--joint-file", help="Run: joint file to fit, instead of the one kept in the run."
        ),
    ] = None,
    into: Annotated[
        Path | None,
        typer.Option("--into", help="Run: joint file to fit, into which the result is written."),
    ] = None,
    write: Annotated[
        bool, typer.Option("--write/--no-write", help="Run: whether --into is written.")
    ] = True,
    resistance: Resistance = None,
    temperature: Temperature = "22 degC",
    winding: Annotated[
        str | None,
        typer.Option(help="Run: the winding when it began; left out, as the board reckoned."),
    ] = None,
    yes: Yes = False,
    as_json: Json = False,
    out: Out = RUNS,
) -> None:
    """Find a joint's constants from its recording, or those of any axis from a CSV log."""
    if path.is_dir():
        from host.commands.identify_run import Given, identify_run

        given = Given(joint, into, write, resistance, temperature, winding, yes)
        identify_run(path, number, given, Terminal(as_json), out)
        return
    terminal = Terminal(as_json)
    terminal.say(f"Identifying from {plain(path)} ...")
    from host.figures.identify import regression_figure
    from host.figures.look import save
    from host.files import make_folder
    from sim import units
    from sim.identify.log import read_csv
    from sim.identify.regression import regress

    log = read_csv(path, columns)
    cutoff_Hz = None
    if cutoff is not None:
        try:
            cutoff_Hz = units.parse(cutoff, "Hz", "20 Hz")
        except ValueError as error:
            raise InputError("", "--cutoff", cutoff, str(error)) from None
        if not 0.0 < cutoff_Hz <= 0.2 / log.step_s:
            raise InputError(
                "", "--cutoff", cutoff, f"must lie above 0 and at most {0.2 / log.step_s:g} Hz"
            )
    try:
        found = regress(log.time_s, log.drive, log.angle, cutoff_Hz, gravity)
    except ValueError as error:
        raise InputError(str(path), "", None, str(error)) from None
    figure = save(
        regression_figure(path.name, log, found), make_folder(out) / f"{path.stem}-identify.png"
    )
    terminal.say(f"Figure: {plain(figure)}")
    rows = []
    for name, value, deviation in zip(found.names, found.values, found.deviations, strict=True):
        share = 100.0 * deviation / abs(value) if value else float("inf")
        told = "" if share <= 10.0 else "not told by this log"
        rows.append((name.replace("_", " "), f"{value:.6g}", f"+-{1.96 * deviation:.2g}", f"{share:.2f} %",
                     unit_of(name, log), told))  # fmt: skip
    terminal.table(
        "Inverse dynamic model", ("", "value", "95 %", "relative deviation", "unit", "remark"), rows
    )
    terminal.say(f"Filter {found.cutoff_Hz:.0f} Hz, {found.rows} rows, condition number {found.condition:.0f}, "
                 f"residual {100 * found.residual_share:.1f} % of the drive.")  # fmt: skip
    for remark in log.remarks:
        terminal.warning(f"{plain(remark)}.")
    if found.value("inertia") < 0.0:
        terminal.warning("The inertia is negative: drive or angle has the wrong sign.")
    terminal.result(as_dict(path, figure, log, found))


def unit_of(name: str, log: "Log") -> str:
    """Unit of a parameter: of the drive over that of its column."""
    drive, angle = log.drive_unit, log.angle_unit
    per = {"inertia": f"{drive}/({angle}/s^2)", "viscous": f"{drive}/({angle}/s)"}
    return per.get(name, drive)


def as_dict(path: Path, figure: Path, log: "Log", found: "Regression") -> dict[str, Any]:
    """The result for programs."""
    return {
        "log": str(path), "figure": str(figure), "samples": len(log.time_s), "step_s": log.step_s,
        "drive_unit": log.drive_unit, "angle_unit": log.angle_unit,
        "values": dict(zip(found.names, map(float, found.values), strict=True)),
        "deviations": dict(zip(found.names, map(float, found.deviations), strict=True)),
        "condition": found.condition, "residual_share": found.residual_share,
        "cutoff_Hz": found.cutoff_Hz, "rows": found.rows, "remarks": log.remarks,
    }  # fmt: skip
