"""``jointloop record --excite``: an excitation, gentle, that shows a joint's constants, recorded."""

from pathlib import Path
from typing import TYPE_CHECKING, Any

from controller.joint.settings.settings import CONTINUOUS
from host.commands.shared.terminal import Terminal, plain, quoted
from sim.units import DEG

if TYPE_CHECKING:
    from sim.identify.excite import Excitation
    from sim.run.closed_loop import Joint

WHAT = {
    "staircase": "small steps: stiction, creep",
    "quick moves": "to and fro: back-EMF, backlash",
    "slow ramp": "both ways: dry friction, gravity",
    "multisine": "0.5 to 5.3 Hz: inertia, stiffness",
    "moves to check by": "held out from the fit",
}


def record_excitation(paths: list[Path], ports: list[str], seconds: float, runtime: str, yes: bool,
                      folder: Path | None, seed: int, terminal: Terminal, out: Path) -> int:  # fmt: skip
    """Show the excitation, then stream and record it; return the exit code."""
    terminal.say("Exciting " + (", ".join(ports) if ports else "a virtual board") + " ...")
    from host.commands.shared.loading import load, slug
    from host.commands.stream import record_stream
    from host.figures.excitation import excitation_figure
    from host.figures.look import save
    from host.files import make_folder
    from host.link.moves import sampled
    from host.link.session import Session, new_folder
    from host.link.setpoint_stream import check_budget
    from sim.identify.excite import SAMPLE_S, excitation

    joints = [load(path) for path in paths]
    plans = [excitation(joint.settings, seconds) for joint in joints]
    for joint, plan in zip(joints, plans, strict=True):
        show(terminal, joint, plan)
    name = slug(joints[0].file.joint.name)
    figure = save(excitation_figure(joints, plans), make_folder(out) / f"{name}-excitation.png")
    terminal.say(f"Figure of it: {plain(figure)}")
    moves = {k: sampled("excitation", plan.time_s, plan.angle_rad, plan.speed_rad_s)
             for k, plan in enumerate(plans)}  # fmt: skip
    with Session(joints, ports, runtime, seed) as session:
        session.send_settings()
        check_budget(session, 1.0 / SAMPLE_S)
        target = folder or new_folder(out, name + "-excite")
        more = {"excitation": [{"seconds": seconds, "pieces": plan.pieces} for plan in plans]}
        every = 1 if len(joints) == 1 else 0
        code = record_stream(terminal, session, moves, 1.0 / SAMPLE_S, 1, target, yes, seed,
                             every, more)  # fmt: skip
    if code == 0:
        for k, path in enumerate(paths):
            which = f" --joint {k}" if k else ""
            terminal.next(f"jointloop identify {quoted(target)}{which} --into {quoted(path)}")
    return code


def show(terminal: Terminal, joint: "Joint", plan: "Excitation") -> None:
    """Say what is going to happen, against the limits that it stays below."""
    ends = [*[at for _, at in plan.pieces[1:]], float(plan.time_s[-1])]
    rows: list[tuple[Any, ...]] = []
    for (name, begin), end in zip(plan.pieces, ends, strict=True):
        inside = (plan.time_s >= begin) & (plan.time_s <= end)
        angle, speed = plan.angle_rad[inside] / DEG, plan.speed_rad_s[inside] / DEG
        rows.append((name, f"{begin:.1f} .. {end:.1f} s", f"{angle.min():.0f} .. {angle.max():.0f} deg",
                     f"{abs(speed).max():.0f} deg/s", WHAT[name]))  # fmt: skip
    limits = joint.settings.limits
    terminal.table(f"What {joint.file.joint.name} is going to do",
                   ("piece", "time", "angles", "fastest", "what happens"), rows)  # fmt: skip
    turns = joint.settings.sensor.travel == CONTINUOUS
    reach = ("It turns without end" if turns else
             f"Range {limits.command_low_rad / DEG:.0f} .. {limits.command_high_rad / DEG:.0f} deg")  # fmt: skip
    terminal.say(
        f"{reach}, speed limit {limits.speed_rad_s / DEG:.0f} deg/s, force limit {joint.file.limits.tip_force:g} N at the "
        "fingertip while it presses (what a blow gives is in `jointloop size`): all limits stay on. "
        "Nothing may be in its way."
    )
