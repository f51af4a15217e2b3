"""``jointloop identify RUN``: a joint's constants from its recording."""

import sys
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from host.commands.shared.measured import cold_ohm, reading
from host.commands.shared.terminal import Terminal, plain
from sim.errors import InputError
from sim.units import DEG

if TYPE_CHECKING:
    from host.recordings.recorder import Run
    from sim.identify.anchors import Weight
    from sim.identify.fit import Fit
    from sim.identify.response import Response
    from sim.run.closed_loop import Joint

LEAST_S, LEAST_RAD = 4.0, 0.1
MISSING = 0.1
"""Share of the rows that may be missing, as of a CSV log."""
MOST_TOLD = 6
COLD_C = 25.0
WARMTH = ("degC", "40 degC", -20.0, 200.0)
UNITS = {
    "torque_constant": ("V*s/rad", lambda p: p.motor.emf_V_s),
    "resistance": ("ohm", lambda p: p.motor.resistance_25_ohm),
    "motor_friction": ("N*m", lambda p: p.motor.coulomb_Nm),
    "motor_damping": ("N*m*s/rad", lambda p: p.motor.viscous_Nms),
    "rotor_inertia": ("kg*m^2", lambda p: p.motor.inertia),
    "backlash": ("deg", lambda p: 2.0 * p.motor.half_gap_rad / DEG),
    "stiffness": ("N/m", lambda p: p.cable.flexor_N_m),
    "cable_damping": ("N*s/m", lambda p: p.cable.damping_Ns_m),
    "pretension": ("N", lambda p: p.cable.flexor_N_m * p.cable.flexor_stretch_m),
    "wrap_loss": ("", lambda p: p.cable.wrap_loss),
    "joint_inertia": ("kg*m^2", lambda p: p.hinge.inertia),
    "joint_friction": ("N*m", lambda p: p.hinge.coulomb_Nm),
    "radius_ratio": ("mm", lambda p: 1e3 * p.cable.joint_m),
}
"""Unit and value of the numbers that are factors (the motor's as seen at its output)."""


@dataclass(frozen=True)
class Given:
    """Options of a run's identification, as given."""

    file: Path | None
    into: Path | None
    write: bool
    resistance: str | None
    temperature: str
    winding: str | None
    weight: str | None
    at: str | None
    level: str | None
    yes: bool


def identify_run(folder: Path, number: int, given: Given, terminal: Terminal, out: Path) -> None:
    """Fit one joint of a run: figure, tables, remarks; the joint file where asked."""
    terminal.say(f"Identifying from {plain(folder)} ...")
    from host.commands.shared.loading import slug
    from host.figures.identified import identified_figure
    from host.figures.look import save
    from host.files import make_folder
    from host.recordings.comparison import joint_of_run, powered_rows
    from host.recordings.recorder import Run
    from sim.identify.anchors import Anchors
    from sim.identify.fit import fit

    if given.file is not None and given.into is not None:
        raise InputError("", "--joint-file", str(given.file), "--into names the joint file already")
    recorded = Run(folder)
    path = given.into or given.file
    joint = joint_of_run(recorded, number, path, identified=False)
    other = same_joint(terminal, recorded, number, joint, given.yes) if path is not None else []
    seen = path.read_text(encoding="utf-8-sig") if path is not None else ""
    ohm = None if given.resistance is None else cold_ohm(given.resistance, given.temperature)
    weight = weight_of(given, joint)
    said_C = None if given.winding is None else reading("--winding", given.winding, *WARMTH)
    rows = powered_rows(recorded, number, joint)
    remarks = [*other, *look_at(recorded, number, rows)]
    winding_C = warmth_of(rows, said_C)
    with terminal.progress() as progress:
        task = progress.add_task("candidates", total=6, note="")

        def tell(done: int, total: int, left_rad: float) -> None:
            note = f"left over {left_rad / DEG:.2f} deg"
            progress.update(task, completed=round(6 * done / total), note=note)

        try:
            found = fit(joint, rows["time_s"], rows["angle_rad"], rows["motor_V"], winding_C,
                        Anchors(ohm, said_C is not None, weight), tell)  # fmt: skip
        except ValueError as error:
            raise InputError(str(folder), f"joint {number}", None, str(error)) from None
    t, courses, spectrum = replayed(joint, recorded, number, found)
    name = slug(joint.file.joint.name)
    title = f"{joint.file.joint.name}, identified from {folder.name}"
    folder_out = make_folder(out)
    remarks += found.remarks
    remarks.append(warmth_told(float(winding_C[0]), "winding_C" in rows, said_C is not None))
    if weight is not None:
        remarks.append(f"A weight of {1e3 * weight.mass_kg:.4g} g hung {1e3 * weight.at_m:.4g} mm from the hinge, as you "
                       f"say, pulling most at {weight.level_rad / DEG:.0f} deg.")  # fmt: skip
    elif ohm is None:
        remarks.append("Angle and voltage cannot tell resistance, constant and torques apart, only their "
                       "products; --resistance (ohmmeter) or a recording with a known --weight anchors them.")  # fmt: skip
    show(terminal, found, remarks)
    if given.into is not None and given.write:
        from host.commands.identify_saving import write_found

        write_found(terminal, given.into, seen, found, folder, ohm, combined(found))
    figure = save(identified_figure(title, found, t, courses, spectrum),
                  folder_out / f"{name}-identified.png")  # fmt: skip
    terminal.say(f"Figure: {plain(figure)}")
    terminal.result(as_dict(joint, folder, str(figure), found, remarks, spectrum))


def same_joint(terminal: Terminal, recorded: "Run", number: int, joint: "Joint",
               yes: bool) -> list[str]:  # fmt: skip
    """Ask for a yes where a file is not of the joint that was recorded, the difference told.

    Returns it as a remark. Raises InputError without a yes.
    """
    from host.recordings.comparison import differences

    found = differences(recorded, number, joint)
    if not found:
        return []
    more = f"; and {len(found) - MOST_TOLD} more" if len(found) > MOST_TOLD else ""
    told = "; ".join(found[:MOST_TOLD]) + more
    if not yes:
        what = f"is not the joint that was recorded: {told}. "
        if not sys.stdin.isatty():
            raise InputError(joint.path, "", None, what + "Take its own recording, or give --yes where the "
                             "file was put right since")  # fmt: skip
        terminal.say(plain(f"{joint.path} {what}"))
        if input("Type yes to fit it all the same: ").strip().lower() != "yes":
            raise InputError(joint.path, "", None, "is not the joint that was recorded")
    return [f"The file was not the recording's: {told}."]


def weight_of(given: Given, joint: "Joint") -> "Weight | None":
    """The weight of the options, and where it hung. Raises InputError."""
    from sim.identify.anchors import Weight

    if given.weight is None:
        for option, value in (("--at", given.at), ("--level", given.level)):
            if value is not None:
                raise InputError("", option, value, "says where a weight hung; give --weight too")
        return None
    mass = reading("--weight", given.weight, "kg", "200 g", 1e-3, 20.0)
    tip = joint.file.joint.tip_distance
    at = tip if given.at is None else reading("--at", given.at, "m", "60 mm", 1e-3, 1.0)
    level = joint.file.joint.gravity_at
    if given.level is not None:
        level = reading("--level", given.level, "rad", "30 deg", -6.3, 6.3)
    return Weight(mass, at, level)


def warmth_of(rows: dict[str, np.ndarray], said_C: float | None) -> np.ndarray:
    """Winding (degC) over a recording: as the board reckoned, put where a person says that it began."""
    reckoned = rows.get("winding_C", np.full(len(rows["time_s"]), COLD_C))
    return reckoned if said_C is None else reckoned + (said_C - reckoned[0])


def warmth_told(begun_C: float, recorded: bool, said: bool) -> str:
    """From what temperature of the winding the fit went out, and what hangs on it."""
    from controller.joint import heat

    if said:
        return f"The winding began at {begun_C:.0f} degC, as you say."
    share = 100.0 * (heat.resistance(1.0, COLD_C + 10.0) - 1.0)
    source = ("the board's own reckoning, which takes a motor as cold when the board starts"
              if recorded else "not recorded, taken as cold")  # fmt: skip
    return (f"The winding is taken as about {begun_C:.0f} degC when it began ({source}), and as warmer where the "
            f"recording says so. Each 10 degC are {share:.1f} % of resistance: narrower intervals come of "
            'a cold motor and a word of it, --winding "22 degC".')  # fmt: skip


def look_at(recorded: "Run", number: int, rows: dict[str, np.ndarray]) -> list[str]:
    """What a recording lacks, in sentences. Raises InputError where it cannot be used."""
    where = f"joint {number}"
    t, angle, volt = rows["time_s"], rows["angle_rad"], rows["allowed_V"]
    if t[-1] - t[0] < LEAST_S:
        raise InputError(str(recorded.folder), where, f"{t[-1] - t[0]:.1f} s powered",
                         f"is too short; at least {LEAST_S:g} s, by `record --excite`")  # fmt: skip
    if np.ptp(angle) < LEAST_RAD or np.ptp(volt) == 0.0:
        raise InputError(str(recorded.folder), where, f"moves {np.ptp(angle) / DEG:.1f} deg",
                         "is too little excitation; record with `record --excite`")  # fmt: skip
    told = []
    step = float(np.median(np.diff(t)))
    gone = int(np.sum(np.rint(np.diff(t) / step) - 1))
    if recorded.torn:
        told.append("The recording's last line was torn and is left out.")
    if gone > MISSING * (len(t) + gone):
        raise InputError(str(recorded.folder), where, f"{gone} of {len(t) + gone} rows",
                         "are missing: more than a tenth; record again")  # fmt: skip
    if gone:
        told.append(
            f"{gone} rows of {len(t) + gone} are missing and were bridged by straight lines."
        )
    quick = np.gradient(angle, t)
    pushed = np.abs(volt) > 0.3 * np.abs(volt).max()
    together = float(np.sum(np.sign(volt[pushed]) * np.sign(quick[pushed])))
    if together < 0.0:
        raise InputError(str(recorded.folder), where, None, "moves against its drive: the motor's "
                         "wires or the potentiometer's ends are swapped")  # fmt: skip
    ends = (angle == angle.max()).mean() + (angle == angle.min()).mean()
    if ends > 0.05:
        told.append(f"The angle stands at its very ends for {100 * ends:.0f} % of the time: the sensor "
                    "may be clipped, or the joint at a stop.")  # fmt: skip
    if "supply_V" in recorded.about.get("fields", []):
        supply = recorded.joint(number, "supply_V")
        full = float(np.mean(np.abs(volt) > 0.95 * float(np.nanmedian(supply))))
        if full > 0.05:
            told.append(f"The drive is saturated for {100 * full:.0f} % of the time.")
    if float(np.abs(quick).max()) < 0.5:
        told.append(
            "It never moves faster than 30 deg/s: back-EMF and viscous friction hardly show."
        )
    return told


def replayed(
    joint: "Joint", recorded: "Run", number: int, found: "Fit"
) -> "tuple[np.ndarray, dict[str, np.ndarray], Response | None]":
    """The recorded setpoints simulated by datasheet and as identified; the multisine's response."""
    from host.recordings.comparison import compare, longest
    from sim.identify.response import response
    from sim.identify.space import WINDING

    begun_C = found.own[WINDING][1]
    same = longest(recorded, number)
    mine = compare(joint, recorded, number, found.part, winding_C=begun_C, stretch=same)
    old = compare(joint, recorded, number, winding_C=begun_C, stretch=same)
    courses = {"measured": mine.rows["measured"], "simulated": mine.rows["simulated"],
               "datasheet": old.rows["simulated"]}  # fmt: skip
    span = multisine(joint, recorded, number, mine.rows["setpoint"], joint.settings.tick_s)
    if span is None:
        return mine.time_s, courses, None
    k = slice(*span)
    spectrum = response(
        found.part, joint.settings.tick_s, joint.delay_s, mine.time_s[k],
        (mine.rows["drive"][k], mine.rows["measured"][k]),
        (mine.rows["simulated_drive"][k], mine.rows["simulated"][k]),
    )  # fmt: skip
    return mine.time_s, courses, spectrum


def multisine(
    joint: "Joint", recorded: "Run", number: int, setpoint: np.ndarray, tick_s: float
) -> tuple[int, int] | None:
    """Where in the powered stretch the multisine was, by correlation with the programme."""
    from scipy.signal import correlate

    from sim.identify.excite import excitation

    plans = recorded.about.get("excitation") or []
    if number >= len(plans):
        return None
    plan = excitation(joint.settings, float(plans[number]["seconds"]))
    begins = dict(plan.pieces)
    t = np.arange(0.0, float(plan.time_s[-1]), tick_s)
    if len(t) >= len(setpoint):
        return None
    course = np.interp(t, plan.time_s, plan.speed_rad_s)
    start = int(np.argmax(correlate(np.gradient(setpoint, tick_s), course, "valid")))
    end = min(at for at in begins.values() if at > begins["multisine"])
    return start + round(begins["multisine"] / tick_s), start + round(end / tick_s)


def values_of(found: "Fit") -> list[dict[str, Any]]:
    """Each number: datasheet, spread and interval (95 %), in its unit where it has one."""
    from sim.identify.space import part_of

    made = []
    base = part_of(found.joint, [], np.zeros(0))
    for axis in found.spread:
        unit, read = UNITS.get(axis.name, ("", None))
        scale = read(base) if read is not None else 1.0
        low, middle, high = found.interval(axis.name)
        before = [axis.value(z) * scale for z in (-1.96, 1.96)]
        nominal = scale if read is not None else None
        made.append({"name": axis.name, "unit": unit, "datasheet": nominal, "spread": before,
                     "value": middle * scale, "low": low * scale, "high": high * scale,
                     "told": axis.name not in found.untold()})  # fmt: skip
    return made


def combined(found: "Fit") -> list[dict[str, Any]]:
    """The products that angle and voltage tell by themselves, with 95 % intervals."""
    from sim.identify.products import COMBINATIONS

    made = []
    for name, (label, unit, what) in COMBINATIONS.items():
        middle, d = found.combination(what)
        value = float(np.exp(middle))
        made.append({"name": name, "label": label, "unit": unit, "datasheet": what(found.joint.part),
                     "value": value, "low": value * float(np.exp(-1.96 * d)),
                     "high": value * float(np.exp(1.96 * d))})  # fmt: skip
    return made


def show(terminal: Terminal, found: "Fit", remarks: list[str]) -> None:
    """Print what was found beside datasheet and spread."""
    terminal.say(f"Explained of the course: {100 * found.fit:.1f} %; of its last fifth, which took no part "
                 f"in the fit: {100 * found.held_out_fit:.1f} %.")  # fmt: skip
    rows = [(one["label"], one["unit"], f"{one['datasheet']:.4g}", f"{one['value']:.4g}",
             f"{one['low']:.4g} .. {one['high']:.4g}") for one in combined(found)]  # fmt: skip
    terminal.table("Told by angle and voltage alone",
                   ("", "unit", "datasheet", "identified", "95 %"), rows)  # fmt: skip
    table = []
    for one in values_of(found):
        nominal = "" if one["datasheet"] is None else f"{one['datasheet']:.3g}"
        unit = f", {one['unit']}" if one["unit"] else ""
        told = f"{one['low']:.3g} .. {one['high']:.3g}" if one["told"] else "not told"
        table.append((one["name"].replace("_", " ") + unit, nominal,
                      f"{one['spread'][0]:.3g} .. {one['spread'][1]:.3g}", told))  # fmt: skip
    terminal.table("Number by number",
                   ("", "datasheet", "spread, 95 %", "identified, 95 %"), table)  # fmt: skip
    terminal.say(delay_told(found.joint, found))
    for remark in remarks:
        terminal.warning(plain(remark))


def interval(low: float, middle: float, high: float) -> dict[str, float]:
    """A number of the recording's own, with its 95 %."""
    return {"value": middle, "low": low, "high": high}


def delay_told(joint: "Joint", found: "Fit") -> str:
    """What the recording says of the time from reading to drive, beside the file."""
    from sim.identify.space import DELAY

    low, middle, high = (1e3 * one for one in found.own[DELAY])
    told = f"From reading to drive: {middle:.1f} ms ({low:.1f} .. {high:.1f} ms, 95 %)"
    file_ms = 1e3 * joint.delay_s
    if low <= file_ms <= high:
        return f"{told}, as the file has it ({file_ms:.1f} ms)."
    what = "control.compute_delay" if joint.file.drive.kind == "bridge" else "frames included"
    return f"{told}; the file has {file_ms:.1f} ms ({what}). The fit took what was found."


def as_dict(joint: "Joint", folder: Path, figure: str, found: "Fit", remarks: list[str],
            spectrum: "Response | None") -> dict[str, Any]:  # fmt: skip
    """The result for programs."""
    from sim.identify.space import DELAY, WINDING

    response = None
    if spectrum is not None:
        response = {"hertz": spectrum.hertz.tolist(),
                    "measured_rad_V": np.abs(spectrum.measured).tolist(),
                    "simulated_rad_V": np.abs(spectrum.simulated).tolist()}  # fmt: skip
    return {
        "run": str(folder), "joint": joint.file.joint.name, "figure": figure, "fit": found.fit,
        "held_out_fit": found.held_out_fit, "combinations": combined(found),
        "values": values_of(found), "delay_s": interval(*found.own[DELAY]),
        "winding_begun_C": interval(*found.own[WINDING]),
        "of_the_recording": {name: interval(*three) for name, three in found.own.items()},
        "remarks": remarks, "frequency_response": response,
    }  # fmt: skip
