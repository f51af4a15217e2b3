"""``jointloop stream``: setpoints to the bench, recorded."""

from dataclasses import dataclass
from math import ceil, floor
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import numpy as np
import typer

from controller.joint.angles import TURN_RAD
from controller.joint.modes import POWERED
from controller.joint.settings.settings import CONTINUOUS
from host.commands.shared.arguments import (
    RUNS,
    BoardJoints,
    Duration,
    Folder,
    Json,
    Out,
    Ports,
    Runtime,
    Seed,
    Yes,
)
from host.commands.shared.terminal import Terminal, plain
from host.link.moves import SHAPES, Move, chirp, from_csv, minimum_jerk, sine, staircase, step
from sim.errors import InputError
from sim.units import DEG

if TYPE_CHECKING:
    from host.link.session import Session
    from host.recordings.recorder import Run
    from sim.run.closed_loop import Joint

FIELDS = ["angle_rad", "setpoint_rad", "allowed_V", "force_N", "speed_rad_s", "current_A",
          "winding_C", "supply_V", "mode", "fault", "limits"]  # fmt: skip


@dataclass(frozen=True)
class Wish:
    """What is to be streamed (texts as given)."""

    shape: str
    csv: Path | None
    centre: str | None
    amplitude: str
    frequency: str
    high_frequency: str
    seconds: float


def moves_of(wish: Wish, joints: "list[Joint]") -> dict[int, Move]:
    """Return the moves of a wish, checked against every joint's range. Raises InputError."""
    from host.commands.shared.loading import angle
    from sim.run.scenarios import span_of

    if wish.csv is not None:
        moves = dict(enumerate(from_csv(wish.csv, len(joints))))
    else:
        if wish.shape not in SHAPES:
            raise InputError("", "--shape", wish.shape, "must be one of " + ", ".join(SHAPES))
        low_Hz = _frequency(wish.frequency, "--frequency")
        high_Hz = _frequency(wish.high_frequency, "--high-frequency")
        reach = angle(wish.amplitude, "--amplitude")
        moves = {}
        for k, joint in enumerate(joints):
            low, high = span_of(joint.settings)
            middle = (
                0.5 * (low + high) if wish.centre is None else angle(wish.centre, "--centre", 0.0)
            )
            moves[k] = _shape(wish, middle, reach, low_Hz, high_Hz)
    for k, joint in enumerate(joints):
        _check(moves[k], joint)
    return moves


def _frequency(text: str, option: str) -> float:
    """A frequency option in Hz. Raises InputError."""
    from sim import units

    try:
        found = units.parse(text, "Hz", "0.5 Hz")
        if not 0.0 < found <= 50.0:
            raise ValueError("must lie above 0 and at most 50 Hz")
    except ValueError as error:
        raise InputError("", option, text, str(error)) from None
    return found


def _shape(wish: Wish, middle: float, reach: float, low_Hz: float, high_Hz: float) -> Move:
    if wish.shape == "sine":
        return sine(middle, reach, low_Hz, wish.seconds)
    if wish.shape == "chirp":
        return chirp(middle, reach, low_Hz, high_Hz, wish.seconds)
    if wish.shape == "step":
        return step(middle - reach, middle + reach, 1.0 / low_Hz, wish.seconds)
    if wish.shape == "staircase":
        return staircase(middle - reach, middle + reach, 8, max(wish.seconds / 17.0, 0.2))
    each = 0.5 / low_Hz
    count = max(2, int(wish.seconds / (each + 0.3)) + 1)
    return minimum_jerk([middle + (reach if k % 2 else -reach) for k in range(count)], each)


def _check(move: Move, joint: "Joint") -> None:
    """Refuse a move that leaves the commanded range anywhere: whole, before anything moves."""
    limits = joint.settings.limits
    if joint.settings.sensor.travel == CONTINUOUS:
        _check_gap(move, joint)
        return
    for angle, at_s in ((move.low, move.low_s), (move.high, move.high_s)):
        if not limits.command_low_rad - 1e-9 <= angle <= limits.command_high_rad + 1e-9:
            when = "" if at_s is None else f" at {at_s:g} s"
            raise InputError(joint.path, "setpoint", f"{angle / DEG:.1f} deg{when}",
                             f"must lie within {limits.command_low_rad / DEG:.1f} .. "
                             f"{limits.command_high_rad / DEG:.1f} deg")  # fmt: skip


def _check_gap(move: Move, joint: "Joint") -> None:
    """Refuse a move that asks for an angle inside the sensor's dead gap."""
    s = joint.settings.sensor
    if s.wipers == 2:
        return
    middle = s.gap_from_rad + 0.5 * s.gap_rad
    turns = range(floor((move.low - middle) / TURN_RAD), ceil((move.high - middle) / TURN_RAD) + 1)
    for turn in turns:
        start = s.gap_from_rad + turn * TURN_RAD
        if move.low <= start + s.gap_rad and move.high >= start:
            raise InputError(joint.path, "setpoint", f"{move.low / DEG:.1f} .. {move.high / DEG:.1f} deg",
                             f"meets the sensor's dead gap, {start / DEG:.0f} .. "
                             f"{(start + s.gap_rad) / DEG:.0f} deg; --centre and --amplitude keep it out, "
                             "or fit a second wiper")  # fmt: skip


def rate_of(text: str) -> float:
    """Return a rate option in Hz. Raises InputError."""
    from sim import units

    try:
        rate = units.parse(text, "Hz", "50 Hz")
        if not 4.0 <= rate <= 500.0:
            raise ValueError("must lie in 4 .. 500 Hz")
    except ValueError as error:
        raise InputError("", "--rate", text, str(error)) from None
    return rate


EXAMPLE = 'stream finger.toml --shape sine --frequency "0.5 Hz"'


def run(
    paths: BoardJoints,
    port: Ports = None,
    shape: Annotated[
        str, typer.Option(help="sine, step, staircase, chirp or minimum_jerk.")
    ] = "minimum_jerk",
    csv: Annotated[
        Path | None, typer.Option("--csv", help="Setpoints: time_s and a setpoint_deg a joint.")
    ] = None,
    centre: Annotated[str | None, typer.Option(help="Middle of the shape.")] = None,
    amplitude: Annotated[str, typer.Option(help="Half of its height.")] = "20 deg",
    frequency: Annotated[
        str, typer.Option(help="Its frequency (of a chirp: the lowest).")
    ] = "0.5 Hz",
    high_frequency: Annotated[str, typer.Option(help="Highest frequency of a chirp.")] = "4 Hz",
    duration: Duration = "6 s",
    rate: Annotated[str, typer.Option(help="Setpoints a second.")] = "50 Hz",
    repeats: Annotated[int, typer.Option(help="Times it is repeated.", min=1, max=100000)] = 1,
    runtime: Runtime = "cpython",
    yes: Yes = False,
    folder: Folder = None,
    seed: Seed = 1,
    as_json: Json = False,
    out: Out = RUNS,
) -> int:
    """Stream setpoints to the bench, and record."""
    terminal = Terminal(as_json)
    ports = port or []
    terminal.say("Streaming to " + (", ".join(ports) if ports else "a virtual board") + " ...")
    from host.commands.shared.loading import length, load, slug
    from host.link.session import Session, new_folder
    from host.link.setpoint_stream import check_budget

    seconds = length(duration, 0.2, 3600.0)
    wish = Wish(shape, csv, centre, amplitude, frequency, high_frequency, seconds)
    joints = [load(path) for path in paths]
    moves = moves_of(wish, joints)
    rate_Hz = rate_of(rate)
    with Session(joints, ports, runtime, seed) as session:
        session.send_settings()
        check_budget(session, rate_Hz)
        target = folder or new_folder(out, slug(joints[0].file.joint.name))
        return record_stream(terminal, session, moves, rate_Hz, repeats, target, yes, seed)


def record_stream(terminal: Terminal, session: "Session", moves: dict[int, Move], rate: float,
                  repeats: int, folder: Path, yes: bool, seed: int, every: int = 0,
                  more: dict[str, Any] | None = None) -> int:  # fmt: skip
    """Arm, stream, stop, write and draw the run; return the exit code.

    every: ticks between rows (0: up to 500 rows a second); more: what else run.json is to tell.
    """
    from host.commands.shared.caution import ask
    from host.errors import StoppedError
    from host.figures.look import save
    from host.figures.recording import recording_figure
    from host.link.setpoint_stream import (
        StopOnInterrupt,
        approach,
        arm_and_wait,
        clear_latched,
        stop_softly,
        stream,
        waiting,
    )
    from host.recordings.recorder import Run
    from host.recordings.session_recording import about, begin_recording

    answered = ask(terminal, session, yes)
    for what in clear_latched(session):
        terminal.say(f"Latched from an earlier run, now cleared: {plain(what)}.")
    joints = session.joints
    every = every or telemetry_every(session)
    recorder = begin_recording(session, folder, FIELDS, every,
                               {**about(session, seed), **(more or {}), "rate_Hz": rate, "yes_option": answered,
                                "move": next(iter(moves.values())).name})  # fmt: skip
    failed, done = None, None
    try:
        with StopOnInterrupt(session):
            try:
                arm_and_wait(session)
                approach(session, {k: move.at(0.0)[0] for k, move in moves.items()})
                recorder.event("mark", {"what": "stream begins"})
                with terminal.progress() as progress:
                    task = progress.add_task("streaming", total=1000, note="")

                    def tell(t: float, whole: float) -> None:
                        progress.update(task, completed=round(1000 * t / whole), note=f"{t:.1f} s")

                    done = stream(session, moves, rate, repeats, tell)
                    progress.update(task, completed=1000, note="")
                stop_softly(session)
            except StoppedError as error:
                failed = halted(session, error)
                recorder.event("stopped", {"why": failed})
            except InputError as error:  # nothing more is recorded: nothing more is to move
                halted(session, error)
                raise
    finally:
        for _ in waiting(session, 0.05, faults=False):  # the last rows
            pass
        recorder.close()
    run = Run(folder)
    figure = save(recording_figure(joints, run), folder / "run.png")
    results = [tracking(run, k) for k in range(len(joints))]
    terminal.say(f"Recording: {plain(folder)}\nFigure: {plain(figure)}")
    jitter = done.jitter() if done is not None else None
    if jitter is not None:
        terminal.table("Stream", ("", "value"), [
            ("setpoints sent", str(done.sent if done else 0)),
            ("late by (median / 99 % / worst)", " / ".join(f"{v * 1e3:.2f} ms" for v in jitter.values())),
            *[(f"{joints[k].file.joint.name}: rms of setpoint less measured",
               "-" if r["rms_rad"] is None else f"{r['rms_rad'] / DEG:.2f} deg")
              for k, r in enumerate(results)],
            ("missing ticks (late or lost)", str(recorder.gaps)),
        ])  # fmt: skip
    for text in strained(run):
        terminal.warning(text)
    if failed is not None:
        terminal.say(f"[bold red]Stopped:[/bold red] {plain(failed)}")
    terminal.result({
        "folder": str(folder), "virtual": session.virtual, "jitter": jitter, "stopped": failed,
        "joints": results, "gaps": recorder.gaps, "rows": recorder.rows_written,
        "link": [vars_of(bridge) for bridge in session.bridges],
    })  # fmt: skip
    return 1 if failed is not None else 0


def halted(session: "Session", error: Exception) -> str:
    """STOP all boards; what went wrong, and who may still be driving. Raises StoppedError for an error of input then."""
    from host.errors import StoppedError

    ended = session.stop()
    told = f"{error}; {ended.words()}" if ended.silent else str(error)
    if ended.silent and isinstance(error, InputError):
        raise StoppedError(told) from None
    return told


def strained(run: "Run") -> list[str]:
    """What virtual boards said of cables pulled beyond what they are allowed: the greatest of each joint."""
    from host.virtual.starting import OVERPULL

    last: dict[str, str] = {}
    for event in run.events:
        joint, found, _ = str(event.get("text", "")).partition(OVERPULL)
        if found:
            last[joint] = event["text"]
    return [f"{text}. Use a stronger cable, a larger pulley at the joint, or less speed and force."
            for text in last.values()]  # fmt: skip


def telemetry_every(session: "Session") -> int:
    """Ticks between rows: every tick up to 500 rows a second."""
    tick = session.joints[0].settings.tick_s
    return max(1, round(1.0 / (500.0 * tick)))


def tracking(run: "Run", joint: int) -> dict[str, Any]:
    """How a joint followed: over the time it was powered."""
    mode = run.joint(joint, "mode")
    powered = mode == POWERED
    away = (run.joint(joint, "setpoint_rad") - run.joint(joint, "angle_rad"))[powered]
    if not len(away):
        return {"rms_rad": None, "worst_rad": None, "powered_rows": 0}
    return {"rms_rad": float(np.sqrt(np.mean(away**2))), "worst_rad": float(np.abs(away).max()),
            "powered_rows": int(powered.sum())}  # fmt: skip


def vars_of(bridge: Any) -> dict[str, Any]:
    """Link counters for the JSON result."""
    c = bridge.counters
    trips = sorted(c.round_trips_s)
    return {"port": bridge.url, "frames": c.frames, "bad": c.bad, "dropped": c.dropped,
            "repeats": c.repeats,
            "round_trip_median_s": trips[len(trips) // 2] if trips else None}  # fmt: skip
