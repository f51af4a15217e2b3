"""``jointloop identify``: constants of one axis from logs, or of a joint from its recording."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from host.commands.shared.arguments import RUNS, Json, Number, Out, Resistance, Temperature, Yes
from host.commands.shared.terminal import Terminal, plain, quoted
from sim.errors import InputError

if TYPE_CHECKING:
    from sim.identify.axis.axis_model import AxisModel
    from sim.identify.axis.log import Log
    from sim.identify.axis.predict import Prediction

EXAMPLE = "identify jointloop-runs/RUN --into finger.toml"


def run(
    paths: Annotated[
        list[Path],
        typer.Argument(
            metavar="LOG",
            help="Folder of a run of `record --excite`, or logs of one axis (text files of one rig).",
        ),
    ],
    columns: Annotated[
        str, typer.Option(help="Logs: role=column[unit]; roles time, drive, angle or speed.")
    ] = "time=time_s[s],drive=allowed_V[V],angle=angle_rad[rad]",
    per_count: Annotated[
        str, typer.Option("--per-count", help="Logs: what a count is worth.")
    ] = "",
    gravity: Annotated[bool, typer.Option("--gravity", help="Logs: with a gravity term.")] = False,
    predict: Annotated[
        Path | None, typer.Option("--predict", help="Logs: another log, to be predicted.")
    ] = None,
    cutoff: Annotated[
        str | None, typer.Option(help="Logs: by regression, with this filter.")
    ] = None,
    number: Number = 0,
    joint: Annotated[
        Path | None,
        typer.Option(
            "--joint-file", help="Run: joint file to fit, instead of the one kept in the run."
        ),
    ] = None,
    into: Annotated[
        Path | None,
        typer.Option(
            "--into",
            help="Joint file for the result: of a run [identified], of a motor's logs [motor].",
        ),
    ] = None,
    write: Annotated[
        bool, typer.Option("--write/--no-write", help="Whether --into is written.")
    ] = True,
    resistance: Resistance = None,
    temperature: Temperature = "22 degC",
    winding: Annotated[
        str | None,
        typer.Option(help="Run: the winding when it began; left out, as the board reckoned."),
    ] = None,
    weight: Annotated[
        str | None,
        typer.Option(help="Run: weight that hung on the moving part; tells torque from friction."),
    ] = None,
    at: Annotated[
        str | None,
        typer.Option("--at", help="Run: hinge to where it hung; left out, the tip's distance."),
    ] = None,
    level: Annotated[
        str | None,
        typer.Option(help="Run: angle at which it pulled most; left out, joint.gravity_at."),
    ] = None,
    yes: Yes = False,
    as_json: Json = False,
    out: Out = RUNS,
) -> None:
    """Find a joint's constants from its recording, or those of any axis from its logs."""
    terminal = Terminal(as_json)
    if paths[0].is_dir():
        from host.commands.identify_run import Given, identify_run

        if len(paths) > 1:
            raise InputError(
                "", "LOG", str(paths[1]), "one run at a time; several logs must be files"
            )
        given = Given(joint, into, write, resistance, temperature, winding, weight, at, level, yes)
        identify_run(paths[0], number, given, terminal, out)
        return
    terminal.say("Identifying from " + ", ".join(plain(path) for path in paths) + " ...")
    from host.commands.shared.measured import cold_ohm
    from sim.identify.axis.log import read_log, understood

    logs = [read_log(path, columns, per_count) for path in paths]
    for log, path in zip(logs, paths, strict=True):
        if (path.parent / "run.json").exists():
            log.remarks.append(
                f"{plain(path)} is of a recorded run: its drive came a tick late and through cables, which an "
                f"axis has not; `jointloop identify {quoted(path.parent)}` fits the joint itself"
            )
    other = None if predict is None else read_log(predict, columns, per_count)
    for log in logs if other is None else [*logs, other]:
        terminal.table(f"{log.name}: what was understood", ("", "value"), understood(log))
    found, result = identify_axis(terminal, logs, other, gravity, cutoff_of(cutoff, logs[0]), out)
    if into is not None:
        from host.commands.identify_motor import into_motor

        ohm = None if resistance is None else cold_ohm(resistance, temperature)
        result["motor"] = into_motor(terminal, into, logs, found, ohm, write)
    terminal.result(result)


def cutoff_of(text: str | None, log: "Log") -> float | None:
    """The filter's cut-off (Hz) of the option. Raises InputError."""
    from sim.schema import Quantity

    if text is None:
        return None
    try:
        return Quantity("Hz", "20 Hz", 1e-3, 0.2 / log.step_s).read(text)
    except ValueError as error:
        raise InputError("", "--cutoff", text, str(error)) from None


def identify_axis(
    terminal: Terminal,
    logs: "list[Log]",
    other: "Log | None",
    gravity: bool,
    cutoff_Hz: float | None,
    out: Path,
) -> "tuple[AxisModel, dict[str, Any]]":
    """Fit, say and draw what logs of one axis tell; return it, and the result for programs."""
    from host.figures.identify import axis_figure
    from host.figures.look import save
    from host.files import make_folder
    from sim.identify.axis import predict
    from sim.identify.axis.axis_model import band_of, model_of

    first = logs[0]
    try:
        found = model_of(logs, gravity, cutoff_Hz)
        shown = predict.predict(found.fit, (other or first).pieces, first.is_speed)
    except ValueError as error:
        raise InputError((other or first).name, "", None, str(error)) from None
    title = f"{Path(first.name).stem}: identified" + (
        "" if other is None else f", predicting {Path(other.name).name}"
    )
    figure = save(axis_figure(title, other or first, shown, band_of(found.fit, shown)),
                  make_folder(out) / f"{Path(first.name).stem}-identify.png")  # fmt: skip
    terminal.say(f"Figure: {plain(figure)}")
    show(terminal, first, found)
    if other is not None:
        terminal.say(f"{plain(other.name)}, not seen by the fit: {told(shown, other)}.")
    remarks = [*dict.fromkeys(one for log in logs for one in log.remarks), *found.remarks]
    for remark in remarks:
        terminal.warning(plain(remark[0].upper() + remark[1:]) + ".")
    return found, as_dict(logs, str(figure), found, None if other is None else shown, remarks)


def show(terminal: Terminal, log: "Log", found: "AxisModel") -> None:
    """Say what was found, how sure it is, and how well it predicts."""
    fit = found.fit
    rows = []
    for name, value, deviation in zip(fit.names, fit.values, fit.deviations, strict=True):
        said = "not told by this log" if name in fit.untold else ""
        rows.append((name.replace("_", " "), f"{value:.6g}", f"+-{fit.factor * deviation:.2g}",
                     unit_of(name, log), said))  # fmt: skip
    terminal.table("The axis", ("", "value", "95 %", "unit", "remark"), rows)
    terminal.say(f"By {found.how}, {fit.rows} rows in motion, {fit.windows} stretches.")
    if found.held_out is not None:
        terminal.say(
            f"The last quarter, not seen by a fit of the rest: {told(found.held_out, log)}."
        )


def told(shown: "Prediction", log: "Log") -> str:
    """How well a log is predicted, in words."""
    from sim.units import DEG

    rotary = log.motion_unit.startswith("rad")
    factor, unit = (
        (1.0 / DEG, log.motion_unit.replace("rad", "deg"))
        if rotary
        else (1e6, "u" + log.motion_unit)
    )
    return (f"one row ahead within {shown.step_rms * factor:.2g} {unit} (rms), freely over stretches of up to "
            f"{shown.free_s:.1f} s within {shown.free_rms * factor:.2g} {unit}, {100 * shown.free_share:.1f} % of the motion")  # fmt: skip


def unit_of(name: str, log: "Log") -> str:
    """Unit of a parameter: of the drive over that of the motion."""
    drive, motion = log.drive_unit, log.motion_unit.removesuffix("/s")
    return {"inertia": f"{drive}/({motion}/s^2)", "viscous": f"{drive}/({motion}/s)"}.get(
        name, drive
    )


def as_dict(
    logs: "list[Log]",
    figure: str,
    found: "AxisModel",
    shown: "Prediction | None",
    remarks: list[str],
) -> dict[str, Any]:
    """The result for programs."""
    fit = found.fit

    def quality(one: "Prediction | None") -> dict[str, float] | None:
        return (
            None
            if one is None
            else {"step_rms": one.step_rms, "free_rms": one.free_rms, "free_share": one.free_share}
        )

    return {
        "logs": [log.name for log in logs], "figure": figure, "how": found.how, "rows": fit.rows,
        "drive_unit": logs[0].drive_unit, "motion_unit": logs[0].motion_unit,
        "values": dict(zip(fit.names, map(float, fit.values), strict=True)),
        "half_95": dict(zip(fit.names, map(float, fit.factor * fit.deviations), strict=True)),
        "untold": fit.untold, "held_out": quality(found.held_out), "predicted": quality(shown), "remarks": remarks,
    }  # fmt: skip
