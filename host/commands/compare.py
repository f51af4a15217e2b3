"""``jointloop compare``: a recording held against the simulation of the same setpoints."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import numpy as np
import typer

from host.commands.shared.arguments import RUNS, Json, Number, Out, Seed
from host.commands.shared.terminal import Terminal, plain
from sim.units import DEG

if TYPE_CHECKING:
    from host.recordings.comparison import Comparison
    from sim.identify.explain import Reason


EXAMPLE = "compare jointloop-runs/RUN"


def run(
    folder: Annotated[Path, typer.Argument(metavar="RUN", help="Folder of a recorded run.")],
    joint: Annotated[
        Path | None,
        typer.Option("--joint-file", help="Joint file to simulate, instead of the one in the run."),
    ] = None,
    number: Number = 0,
    parts: Annotated[int, typer.Option(help="Parts of the band.", min=2, max=1000)] = 40,
    seed: Seed = 1,
    as_json: Json = False,
    out: Out = RUNS,
) -> None:
    """Hold a recording against the simulation of the same setpoints."""
    terminal = Terminal(as_json)
    terminal.say(f"Comparing {plain(folder)} ...")
    from host.commands.shared.loading import slug
    from host.figures.look import save
    from host.figures.overlay import overlay_figure
    from host.files import make_folder
    from host.recordings.comparison import compare, differences, joint_of_run
    from host.recordings.recorder import Run
    from sim.joint.spread import draw_parts, spread_of

    found = Run(folder)
    mine = joint_of_run(found, number, joint)
    identified = mine.file.identified is not None
    drawn, warmth = draw_parts(mine.part, spread_of(mine.file), parts, seed)
    result = compare(mine, found, number, parts=drawn, seed=seed, warmth_C=warmth)
    base = compare(joint_of_run(found, number, joint, False), found, number) if identified else None
    if base is not None:
        result.rows["datasheet"] = base.rows["simulated"]
    title = f"{mine.file.joint.name}: recorded and simulated"
    figure = save(overlay_figure(title, result.time_s, result.rows),
                  make_folder(out) / f"{slug(mine.file.joint.name)}-compare.png")  # fmt: skip
    terminal.say(f"Figure: {plain(figure)}")
    if joint is not None and (other := differences(found, number, mine)):
        terminal.warning(
            f"The file is not of the joint that was recorded: {plain('; '.join(other))}."
        )
    if found.torn:
        terminal.say("The recording's last line was torn and is left out.")
    which = "identified" if identified else "nominal"
    for sentence in sentences(result, which, parts):
        terminal.say(sentence)
    if base is not None and result.moved:
        terminal.say(f"By datasheet alone: {share_told(base)}.")
    terminal.table("Recorded beside simulated", ("", "recorded", "simulated"), rows_of(result))
    terminal.result({"run": str(folder), "joint": mine.file.joint.name, "figure": str(figure),
                     "moved": result.moved, "fit": finite(result.fit),
                     "inside_share": result.inside, "identified": identified,
                     "datasheet_fit": None if base is None else finite(base.fit),
                     "reasons": [vars(one) for one in result.reasons[:5]],
                     **numbers(result)})  # fmt: skip


WITHIN = 0.9
"""Share of the time inside the band from which on a recording counts as within the spread."""


def finite(value: float) -> float | None:
    """A number for programs, None where there is none."""
    return value if np.isfinite(value) else None


def sentences(found: "Comparison", which: str, parts: int) -> list[str]:
    """What a comparison says, the words first. which: of the parts was simulated."""
    if not found.moved:
        noise = 1.96 * float(np.std(found.rows["measured"])) / DEG
        return [f"Nothing moved: noise of +-{noise:.2f} deg (95 %) is all that there is to compare. Move it, "
                "and compare again."]  # fmt: skip
    told = [place(found, parts)] if found.inside is not None else []
    return [*told, f"The simulation of the {which} part {share_told(found)}.", explained(found)]


def place(found: "Comparison", parts: int) -> str:
    """Whether a recording lies within the spread of parts."""
    assert found.inside is not None
    share = 100.0 * found.inside
    if found.inside >= WITHIN:
        return f"Within the spread of parts: inside the band of {parts} of them {share:.0f} % of the time."
    return (f"Outside the spread of parts: inside the band of {parts} of them only {share:.0f} % of "
            "the time.")  # fmt: skip


def share_told(found: "Comparison") -> str:
    """How much of the recorded course a simulation explains; never a share below none."""
    if found.fit > 0.0:
        return f"explains {100 * found.fit:.1f} % of the recorded course"
    n = numbers(found)
    moved = float(np.ptp(found.rows["measured"])) / DEG
    return (f"explains nothing of the recorded course: {n['apart_rad'] / DEG:.2f} deg apart (rms), where the "
            f"joint moved {moved:.2f} deg")  # fmt: skip


def explained(found: "Comparison") -> str:
    """Which number of the part is to blame by plausibility, and what would tell, in words."""
    if not found.reasons:
        return "Nothing is to blame: no single number, moved by what is plausible, would explain what is left better than noise."
    first, *others = found.reasons
    alike = [one for one in others if one.plausibility > ALIKE * first.plausibility][:2]
    blamed = ", or ".join(said(one) for one in [first, *alike])
    doubt = " This recording can hardly tell them apart." if alike else ""
    sure = NEXT.get(first.name)
    return f"Most plausible single cause: {blamed}.{doubt}" + (
        f" To be sure: {sure}." if sure else ""
    )


def said(one: "Reason") -> str:
    """One reason in words."""
    way = "more" if one.deviations > 0.0 else "less"
    return (f"{one.name.replace('_', ' ')}, {abs(one.deviations):.1f} deviations {way} than in the file "
            f"({100 * one.plausibility:.0f} % of the plausibility, {100 * one.share:.0f} % of what is left)")  # fmt: skip


ALIKE = 0.1
"""Share of the first one's plausibility from which on another is named beside it."""

NEXT = {
    "torque_constant": "hang a known weight on the fingertip and calibrate the force (`jointloop calibrate --force`)",
    "resistance": "measure the winding with an ohmmeter, cold, and identify with --resistance",
    "motor_friction": "record the motor with its cables off, slowly and both ways",
    "stiction_ratio": "raise the voltage slowly until it moves, both ways, several times",
    "motor_damping": "record the motor with its cables off, at several voltages",
    "load_loss": "record it lifting a known weight, and letting it down",
    "rotor_inertia": "record quick steps with the cables off",
    "backlash": "hold the drum and move the joint by hand: the lost motion stands on the page",
    "radius_ratio": "turn the drum by known angles and read the joint",
    "stiffness": "hold the motor and push the fingertip with a known weight",
    "cable_damping": "let the finger go from a bent cable, and record",
    "pretension": "loosen or tighten the cables by a known amount, and record again",
    "wrap_loss": "pull a cable by hand over its guides with a spring balance, both ways",
    "joint_inertia": "weigh the phalanx and its place of balance",
    "joint_friction": "take the cables off and let the joint swing",
    "gravity_cos": "record again with the hand turned over", "gravity_sin": "record again with the hand turned over",
    "stribeck_speed": "record slow ramps both ways at several speeds", "delay": "measure from reading to drive with an oscilloscope, or see `compute_delay`",
    "winding": "record again when the motor is cold",
    "sensor_offset": "calibrate against known angles (`jointloop calibrate`)",
    "sensor_even": "calibrate against many known angles (`jointloop calibrate --points`)",
    "sensor_odd": "calibrate against many known angles (`jointloop calibrate --points`)",
}  # fmt: skip
"""What would tell whether a number is to blame."""


def numbers(found: "Comparison") -> dict[str, float]:
    """Metrics side by side, SI."""
    rows = found.rows

    def rms(values: np.ndarray) -> float:
        return float(np.sqrt(np.mean(values**2)))

    return {
        "recorded_tracking_rad": rms(rows["setpoint"] - rows["measured"]),
        "simulated_tracking_rad": rms(rows["setpoint"] - rows["simulated"]),
        "recorded_drive_V": rms(rows["drive"]),
        "simulated_drive_V": rms(rows["simulated_drive"]),
        "apart_rad": rms(rows["measured"] - rows["simulated"]),
        "furthest_apart_rad": float(np.abs(rows["measured"] - rows["simulated"]).max()),
    }


def rows_of(found: "Comparison") -> list[tuple[Any, ...]]:
    """The table's rows."""
    n = numbers(found)
    return [
        ("setpoint less angle, rms", f"{n['recorded_tracking_rad'] / DEG:.2f} deg",
         f"{n['simulated_tracking_rad'] / DEG:.2f} deg"),
        ("drive, rms", f"{n['recorded_drive_V']:.2f} V", f"{n['simulated_drive_V']:.2f} V"),
        ("apart from each other, rms", f"{n['apart_rad'] / DEG:.2f} deg", ""),
        ("furthest apart", f"{n['furthest_apart_rad'] / DEG:.2f} deg", ""),
    ]  # fmt: skip
