"""``jointloop calibrate``: sensor, pulse drive or force, kept in the joint file."""

import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import tomlkit
import typer

from host.commands.shared.arguments import Joint as JointPath
from host.commands.shared.arguments import Json, Resistance, Seed, Temperature, Yes
from host.commands.shared.terminal import Terminal, plain
from sim.errors import InputError
from sim.units import DEG

if TYPE_CHECKING:
    from host.link.session import Session
    from sim.run.closed_loop import Joint


EXAMPLE = 'calibrate finger.toml --points "0 deg, 50 deg, 100 deg"'


def run(
    path: JointPath,
    port: Annotated[str | None, typer.Option("--port", help="Left out, a virtual board.")] = None,
    points: Annotated[
        str, typer.Option(help="Known angles: two, or up to 33 for a linearity table.")
    ] = "0 deg, 90 deg",
    pulse: Annotated[bool, typer.Option("--pulse", help="Neutral and dead band instead.")] = False,
    force: Annotated[bool, typer.Option("--force", help="Fingertip force instead.")] = False,
    scale: Annotated[str | None, typer.Option(help="Force: what the scale shows.")] = None,
    resistance: Resistance = None,
    temperature: Temperature = "22 degC",
    towards: Annotated[str | None, typer.Option(help="Force: angle to press towards.")] = None,
    yes: Yes = False,
    seed: Seed = 1,
    as_json: Json = False,
) -> None:
    """Calibrate sensor, pulse drive or force; the result goes into the joint file."""
    terminal = Terminal(as_json)
    terminal.say(f"Calibrating {plain(path)} ...")
    from host.commands.shared.loading import load
    from host.link.session import Session

    joint = load(path)
    if pulse and joint.file.drive.kind != "pulse":
        raise InputError(
            str(path), "drive.kind", joint.file.drive.kind, "--pulse needs a pulse drive"
        )
    angles = parse_points(points)
    with Session([joint], [port] if port else [], seed=seed) as session:
        if session.virtual:
            terminal.say(
                "[bold]Virtual board:[/bold] simulated joint; this program moves it by hand."
            )
        session.send_settings()
        if pulse:
            found = pulse_drive(terminal, session, yes)
        elif force:
            found = tip_force(terminal, session, scale, resistance, temperature, towards, yes)
        else:
            found = sensor(terminal, session, joint, angles)
    keep(path, joint, found)
    terminal.say(f"Written to {plain(path)}, table \\[calibration]; everything else in it is kept.")
    terminal.result({"joint": joint.file.joint.name, "calibration": found})


def parse_points(text: str) -> list[float]:
    """Return known angles (rad) from "0 deg, 100 deg". Raises InputError."""
    from sim import units

    try:
        angles = [units.parse(one, "rad", "0 deg") for one in text.split(",")]
    except ValueError as error:
        raise InputError("", "--points", text, str(error)) from None
    if not 2 <= len(angles) <= 33 or len(set(angles)) != len(angles):
        raise InputError("", "--points", text, "needs 2 to 33 different angles, for example "
                         '"0 deg, 50 deg, 100 deg"')  # fmt: skip
    return angles


def ask_enter(terminal: Terminal, text: str) -> None:
    """Ask a person to do something and press Enter."""
    terminal.say(text)
    if not sys.stdin.isatty():
        raise InputError("", "", None, "this needs a person at a terminal: move the joint by hand")
    input("Then press Enter: ")


def sensor(
    terminal: Terminal, session: "Session", joint: "Joint", angles: list[float]
) -> dict[str, Any]:
    """Sensor by two points or a sweep of known angles."""
    from host.link.calibration import move_virtual_joint, read_counts
    from host.link.setpoint_stream import wait
    from sim.joint.calibration import apply_calibration, fit_sensor, sensor_table
    from sim.joint.result_tables import CalibrationTable
    from sim.schema import of_file, read

    rows = []
    for angle in angles:
        if session.virtual:
            move_virtual_joint(session, 0, angle)
            wait(session, 0.1)
        else:
            ask_enter(terminal, f"The drive is off. Hold the joint at {angle / DEG:.1f} deg.")
        rows.append((angle, read_counts(session, 0)))
        terminal.say(f"  {angle / DEG:7.1f} deg reads {rows[-1][1].counts:9.1f} counts, "
                     f"noise {rows[-1][1].noise:.1f}")  # fmt: skip
    noise = sum(reading.noise for _, reading in rows) / len(rows)
    found = fit_sensor([(angle, reading.counts) for angle, reading in rows], noise)
    span = abs(found.rad_per_count) * (2**joint.file.sensor.converter_bits - 1)
    span *= joint.file.sensor.oversampling
    table = sensor_table(found)
    with of_file(joint.path):  # travel that meets the gap is refused
        apply_calibration(joint.settings, read(CalibrationTable, table, "", "calibration."))
    terminal.table("Sensor", ("", "value"), [
        ("sign", "+1" if found.rad_per_count > 0 else "-1"),
        ("zero", f"{found.zero_counts:.1f} counts"),
        ("track", f"{span / DEG:.1f} deg (the file says {joint.file.sensor.electrical_angle / DEG:.0f})"),
        ("noise", f"{noise:.1f} counts = {noise * abs(found.rad_per_count) / DEG:.3f} deg rms"),
        ("largest departure from the line", f"{found.residual_rad / DEG:.2f} deg"
         + (", undone by the table" if len(rows) > 2 else "")),
    ])  # fmt: skip
    return table


def pulse_drive(terminal: Terminal, session: "Session", yes: bool) -> dict[str, Any]:
    """Neutral and dead band of a pulse amplifier."""
    from host.commands.shared.caution import ask
    from host.errors import StoppedError
    from host.link.calibration import find_neutral
    from host.link.setpoint_stream import StopOnInterrupt
    from sim.joint.physics import breakaway_V

    ask(terminal, session, yes)

    def tell(direction: float, width: float, speed: float) -> None:
        side = "above" if direction > 0 else "below"
        terminal.say(f"  {width * 1e6:5.1f} us {side}: {speed / DEG:7.2f} deg/s")

    try:
        with StopOnInterrupt(session):
            neutral, dead = find_neutral(session, 0, tell)
    except StoppedError as error:
        raise StoppedError(f"calibrate --pulse: {error}") from None
    part = session.joints[0].part
    # each pulse finds the joint at rest: what it must overcome is friction at rest
    friction = breakaway_V(part, v={"gravity": 0.0}) / part.supply_V * part.amplifier_full_s
    own = max(dead - friction, 0.0)
    terminal.say(
        f"Neutral {neutral * 1e6:.1f} us; it stands within +-{dead * 1e6:.1f} us, of which friction "
        f"takes about {friction * 1e6:.1f}: dead band of the board +-{own * 1e6:.1f} us"
    )
    return {"pulse_neutral": f"{neutral!r} s", "pulse_dead": f"{own!r} s"}


def tip_force(terminal: Terminal, session: "Session", scale: str | None, resistance: str | None,
              temperature: str, towards: str | None, yes: bool) -> dict[str, Any]:  # fmt: skip
    """Force at a kitchen scale or against a known weight, with the winding's resistance."""
    from controller.joint.heat import COPPER_25_C, COPPER_C
    from host.commands.shared.caution import ask
    from host.commands.shared.loading import angle
    from host.errors import StoppedError
    from host.link.calibration import press_and_hold
    from host.link.setpoint_stream import StopOnInterrupt
    from sim import units

    joint = session.joints[0]
    try:
        warm = units.parse(temperature, "degC", "22 degC")
        ohm = units.parse(resistance, "ohm", "6.3 ohm") if resistance is not None else None
        known = units.parse(scale, "N", "1.2 N") if scale is not None else None
    except ValueError as error:
        raise InputError("", "--scale, --resistance, --temperature", None, str(error)) from None
    target = (
        joint.settings.limits.command_high_rad
        if towards is None
        else angle(towards, "--towards", 0.0)
    )
    limits = joint.settings.limits
    if not limits.command_low_rad <= target <= limits.command_high_rad:
        raise InputError("", "--towards", f"{target / DEG:.1f} deg", f"must lie in {limits.command_low_rad / DEG:.1f} .. "
                         f"{limits.command_high_rad / DEG:.1f} deg")  # fmt: skip
    ask(terminal, session, yes)
    terminal.say("The fingertip must rest against a scale or a hung weight; it will press slowly.")
    try:
        with StopOnInterrupt(session):
            estimate = press_and_hold(session, 0, target, 4.0)
            if known is None:
                known = _ask_force(terminal, estimate)
            session.stop(1)
    except StoppedError as error:
        raise StoppedError(f"calibrate --force: {error}; nothing was written") from None
    if estimate < 0.1 or known < 0.05:
        raise InputError(
            "", "--scale", known, f"too little force to compare (estimate {estimate:.2f} N)"
        )
    from sim.size.force import force_doubt, force_factor

    # the estimate holds the factor of an earlier calibration already
    before = force_factor(joint.file)
    _plausible(terminal, joint, before * known / estimate)
    found: dict[str, Any] = {"force_factor": f"{before * known / estimate!r}"}
    if ohm is not None:
        found["resistance_25"] = f"{ohm * COPPER_25_C / (COPPER_C + warm)!r} ohm"
    terminal.say(f"Estimated {estimate:.2f} N, measured {known:.2f} N: factor {before * known / estimate:.2f}. "
                 f"From now on the force is good to about +-{100 * force_doubt(joint, True):.0f} %, "
                 "if winding heat is watched.")  # fmt: skip
    return found


PLAUSIBLE = (0.5, 2.0)
"""Force factors that parts of the spread can have; beyond, something else is wrong most often."""


def _plausible(terminal: Terminal, joint: "Joint", factor: float) -> None:
    """Ask once more, with the newtons, before an odd factor moves the limit. Raises InputError."""
    low, high = PLAUSIBLE
    if low <= factor <= high:
        return
    limit = joint.file.limits.tip_force
    terminal.say(f"[bold red]A factor of {factor:.2f} is not plausible[/bold red] (parts lie in {low:g} .. {high:g}). "
                 f"If it is wrong, a limit of {limit:.1f} N will let the joint press with {limit / factor:.1f} N.")  # fmt: skip
    if not sys.stdin.isatty():
        raise InputError("", "--scale", f"factor {factor:.2f}", f"must lie in {low:g} .. {high:g} without a person "
                         "at a terminal; nothing was written")  # fmt: skip
    if input("Write it all the same? Type yes: ").strip() != "yes":
        raise InputError(
            "", "--scale", f"factor {factor:.2f}", "was not confirmed; nothing was written"
        )


def _ask_force(terminal: Terminal, estimate: float) -> float:
    from sim import units

    terminal.say(f"It presses with an estimated {estimate:.2f} N. What does the scale show?")
    if not sys.stdin.isatty():
        raise InputError(
            "", "--scale", None, "give the measured force, for example --scale '1.2 N'"
        )
    try:
        return units.parse(input("Force with unit (100 g is 0.98 N): "), "N", "1.2 N")
    except ValueError as error:
        raise InputError("", "force", None, str(error)) from None


def keep(path: Path, joint: "Joint", found: dict[str, Any]) -> None:
    """Merge the findings into the file's [calibration]."""
    from host import __version__
    from host.files import put_table
    from sim.joint.result_tables import CalibrationTable
    from sim.reading import read_text
    from sim.schema import read

    text = read_text(path)
    table = dict(tomlkit.parse(text).unwrap().get("calibration", {}))
    table.update(found)
    read(CalibrationTable, table, "", "calibration.")  # what cannot be read again is not written
    table["provenance"] = {"made_by": f"jointloop calibrate {__version__}",
                           "joint": joint.file.joint.name,
                           "date": time.strftime("%Y-%m-%d")}  # fmt: skip
    put_table(path, "calibration", table, text)
