"""The commands of jointloop and their arguments. Each is a module of ``host/commands``, loaded at use."""

from pathlib import Path
from typing import Annotated

import typer

app = typer.Typer(
    name="jointloop",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    help="Size, simulate, tune and bench-test one tendon-driven finger joint.",
)

Joint = Annotated[Path, typer.Argument(help="Joint file (TOML); `jointloop new` writes one.")]
Joints = Annotated[
    list[Path], typer.Argument(help="Joint files; several are worked on side by side.")
]
Cluster = Annotated[
    str | None, typer.Option(help="Dask scheduler, tcp://host:port; left out, this machine.")
]
Workers = Annotated[int | None, typer.Option(help="Processes here.", min=1, max=256)]
Json = Annotated[bool, typer.Option("--json", help="One JSON object on standard output.")]
Seed = Annotated[
    int, typer.Option(help="Seed of everything drawn by chance.", min=0, max=2**31 - 1)
]
Out = Annotated[Path, typer.Option("--out", help="Folder for figures and reports.")]
Gains = Annotated[
    Path | None,
    typer.Option("--gains", help="Gains file to use instead of the joint file's own."),
]
RUNS = Path("jointloop-runs")


@app.command(epilog="Example: jointloop new finger.toml")
def new(path: Annotated[Path, typer.Argument(help="File to write.")] = Path("joint.toml")) -> None:
    """Write a commented starter joint file."""
    from host.commands.new import run

    run(path)


@app.command(epilog="Example: jointloop size finger.toml")
def size(
    joints: Joints,
    faults: Annotated[
        bool, typer.Option("--faults", help="Also study every fault over the part spread.")
    ] = False,
    parts: Annotated[int, typer.Option(help="Parts of the fault study.", min=2, max=100_000)] = 200,
    gains: Gains = None,
    seed: Seed = 1,
    cluster: Cluster = None,
    workers: Workers = None,
    as_json: Json = False,
    out: Out = RUNS,
) -> None:
    """Say what this choice of parts gives: speed, force, cable load, resolution, heat."""
    from host.commands.size import run

    run(joints, gains, parts if faults else 0, seed, cluster, workers, as_json, out)


@app.command(epilog="Example: jointloop simulate finger.toml --scenario hard_object")
def simulate(
    joint: Joint,
    scenario: Annotated[
        str, typer.Option(help="Name of a situation (--list shows them), or a scenario file.")
    ] = "step",
    step: Annotated[str, typer.Option(help="Size of the steps.")] = "60 deg",
    part: Annotated[
        str, typer.Option(help='"nominal", or "random": one part drawn from the spread.')
    ] = "nominal",
    runtime: Annotated[
        str,
        typer.Option(
            help='"compiled", "python" (same bits, slow), "single" (single precision, the controller as C), or '
            '"single_python" (its bits, slow).'
        ),
    ] = "compiled",
    trace: Annotated[
        Path | None,
        typer.Option(help="Write the time series to this CSV file."),
    ] = None,
    recording: Annotated[
        Path | None, typer.Option(help="Write the run to this folder, as recordings are.")
    ] = None,
    list_them: Annotated[bool, typer.Option("--list", help="List the situations.")] = False,
    gains: Gains = None,
    seed: Seed = 1,
    as_json: Json = False,
    out: Out = RUNS,
) -> None:
    """Run the joint through a situation and draw what happens."""
    from host.commands.simulate import run

    code = run(
        joint, scenario, step, part, runtime, trace, recording, list_them, gains, seed, as_json, out
    )
    raise typer.Exit(code)


@app.command(epilog="Example: jointloop tune finger.toml --seed 3")
def tune(
    joints: Joints,
    step: Annotated[str, typer.Option(help="Size of the large step tuned for.")] = "60 deg",
    effort: Annotated[
        str, typer.Option(help='"full", or "small": a quicker, coarser search.')
    ] = "full",
    into: Annotated[
        Path | None,
        typer.Option(help="Write the gains to this file instead of into the joint file."),
    ] = None,
    write: Annotated[bool, typer.Option(help="Write the gains at all.")] = True,
    accept: Annotated[
        bool, typer.Option("--accept", help="Write gains that are outside their bounds, too.")
    ] = False,
    gains: Gains = None,
    seed: Seed = 1,
    starts: Annotated[
        int, typer.Option(help="Searches of each joint, of which the best is kept.", min=1, max=100)
    ] = 1,
    cluster: Cluster = None,
    workers: Workers = None,
    as_json: Json = False,
    out: Out = RUNS,
) -> None:
    """Find gains on many parts and in many situations, and judge them on others."""
    from host.commands.tune import run

    code = run(joints, step, effort, into, write, accept, gains, seed, starts, cluster, workers,
               as_json, out)  # fmt: skip
    if code:
        raise typer.Exit(code)


@app.command(epilog="Example: jointloop challenge finger.toml --minutes 5")
def challenge(
    joints: Joints,
    programs: Annotated[int, typer.Option(help="Programs to draw.", min=1, max=100_000_000)] = 2000,
    minutes: Annotated[float | None, typer.Option(help="So long, instead.")] = None,
    parts: Annotated[
        int, typer.Option(help="Parts that each program is run on.", min=1, max=1000)
    ] = 32,
    gains: Gains = None,
    seed: Seed = 1,
    cluster: Cluster = None,
    workers: Workers = None,
    as_json: Json = False,
    out: Out = RUNS,
) -> None:
    """Attack the joint: search for a program that breaks a limit; exit 1 if there is one."""
    from host.commands.challenge import run

    code = run(joints, programs, minutes, parts, gains, seed, cluster, workers, as_json, out)
    if code:
        raise typer.Exit(code)


@app.command(epilog="Example: jointloop demo")
def demo(seed: Seed = 1, out: Out = RUNS) -> None:
    """Do the whole job on an invented joint, and end with a report."""
    from host.commands.demo import run

    code = run(seed, out)
    if code:
        raise typer.Exit(code)


@app.command(epilog="Example: jointloop board finger.toml")
def board(
    joints: Annotated[list[Path], typer.Argument(help="Joint files, one for each joint.")],
    runtime: Annotated[
        str,
        typer.Option(
            help='"cpython"; "micropython": the interpreter of a board; "c": the tick as C.'
        ),
    ] = "cpython",
    tcp: Annotated[
        int | None,
        typer.Option(help="Serve on this TCP port of 127.0.0.1 (0: any) instead of a pty."),
    ] = None,
    part: Annotated[
        str, typer.Option(help='"nominal", or "random": parts that differ from the files.')
    ] = "nominal",
    seed: Seed = 1,
    quiet: Annotated[bool, typer.Option("--quiet", hidden=True)] = False,
) -> None:
    """Serve a virtual board: the board's own code on simulated joints."""
    from host.commands.board import run

    run(joints, runtime, tcp, seed, part, quiet)


Ports = Annotated[
    list[str] | None,
    typer.Option(
        "--port",
        help="Serial port or tcp://host:port; repeat for several boards; "
        "left out, a virtual board is started.",
    ),
]
Runtime = Annotated[
    str, typer.Option(help='Of the virtual board: "cpython", "micropython" or "c".')
]
Folder = Annotated[Path | None, typer.Option("--folder", help="Folder of the run.")]
Yes = Annotated[bool, typer.Option("--yes", help="Answer the caution of a real port.")]


@app.command(epilog="Example: jointloop stream finger.toml --shape sine --frequency '0.5 Hz'")
def stream(
    joints: Annotated[list[Path], typer.Argument(help="Joint files, one for each joint.")],
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
    seconds: Annotated[float, typer.Option(help="Its length.", min=0.2, max=3600.0)] = 6.0,
    rate: Annotated[str, typer.Option(help="Setpoints a second.")] = "50 Hz",
    repeats: Annotated[int, typer.Option(help="Times it is repeated.", min=1, max=100000)] = 1,
    runtime: Runtime = "cpython",
    yes: Yes = False,
    folder: Folder = None,
    seed: Seed = 1,
    as_json: Json = False,
    out: Out = RUNS,
) -> None:
    """Stream setpoints to the bench, and record."""
    from host.commands.stream import Wish, run

    wish = Wish(shape, csv, centre, amplitude, frequency, high_frequency, seconds, rate, repeats)
    code = run(joints, port or [], wish, runtime, yes, folder, seed, as_json, out)
    if code:
        raise typer.Exit(code)


@app.command(epilog="Example: jointloop record finger.toml --seconds 10")
def record(
    joints: Annotated[list[Path], typer.Argument(help="Joint files, one for each joint.")],
    port: Ports = None,
    seconds: Annotated[float | None, typer.Option(help="How long (5; with --excite 20).")] = None,
    excite: Annotated[
        bool,
        typer.Option("--excite", help="Drive it through a gentle programme, for `identify`."),
    ] = False,
    runtime: Runtime = "cpython",
    yes: Yes = False,
    folder: Folder = None,
    seed: Seed = 1,
    as_json: Json = False,
    out: Out = RUNS,
) -> None:
    """Record the bench without driving it; with --excite, driven so that its constants show."""
    if excite:
        from host.commands.excite import run as go

        code = go(joints, port or [], seconds or 20.0, runtime, yes, folder, seed, as_json, out)
    else:
        from host.commands.record import run

        code = run(joints, port or [], seconds or 5.0, runtime, folder, seed, as_json, out)
    if code:
        raise typer.Exit(code)


@app.command(epilog="Example: jointloop bench finger.toml")
def bench(
    joints: Annotated[
        list[Path], typer.Argument(help="Joint files, one for each joint; or one hand file.")
    ],
    port: Ports = None,
    runtime: Runtime = "cpython",
    http: Annotated[
        int, typer.Option("--http", help="TCP port of the page on 127.0.0.1 (0: any).")
    ] = 0,
    browser: Annotated[bool, typer.Option(help="Open the browser.")] = True,
    seed: Seed = 1,
    out: Out = RUNS,
) -> None:
    """Open the bench page: see, jog, adjust and stop in a browser; recorded while it runs."""
    from host.commands.bench import run

    run(joints, port or [], runtime, http, browser, seed, out)


@app.command(epilog="Example: jointloop compare jointloop-runs/RUN")
def compare(
    run: Annotated[Path, typer.Argument(help="Folder of a recorded run.")],
    file: Annotated[
        Path | None, typer.Option(help="Joint file to simulate, instead of the one in the run.")
    ] = None,
    joint: Annotated[int, typer.Option(help="Number of the joint in the run.", min=0)] = 0,
    parts: Annotated[int, typer.Option(help="Parts of the band.", min=2, max=1000)] = 40,
    seed: Seed = 1,
    as_json: Json = False,
    out: Out = RUNS,
) -> None:
    """Hold a recording against the simulation of the same setpoints."""
    from host.commands.compare import run as go

    go(run, file, joint, parts, seed, as_json, out)


@app.command(epilog="Example: jointloop identify jointloop-runs/RUN --into finger.toml --write")
def identify(
    log: Annotated[
        Path, typer.Argument(help="Folder of a run of `record --excite`, or a CSV log of one axis.")
    ],
    columns: Annotated[
        str, typer.Option(help="CSV: role=column[unit], roles time, drive, angle.")
    ] = "time=time_s[s],drive=allowed_V[V],angle=angle_rad[rad]",
    cutoff: Annotated[
        str | None, typer.Option(help="CSV: cut-off of the filter; left out, the best of several.")
    ] = None,
    gravity: Annotated[bool, typer.Option("--gravity", help="CSV: with a gravity term.")] = False,
    joint: Annotated[int, typer.Option(help="Run: number of the joint in it.", min=0)] = 0,
    into: Annotated[
        Path | None, typer.Option(help="Run: joint file, instead of the one kept in the run.")
    ] = None,
    resistance: Annotated[
        str | None, typer.Option(help="Run: winding by ohmmeter, cold; anchors all values.")
    ] = None,
    temperature: Annotated[str, typer.Option(help="Run: of the winding then.")] = "22 degC",
    winding: Annotated[
        str | None,
        typer.Option(help="Run: the winding when it began; left out, as the board reckoned."),
    ] = None,
    write: Annotated[
        bool, typer.Option("--write", help="Run: put the result into the joint file (--into).")
    ] = False,
    yes: Annotated[
        bool, typer.Option("--yes", help="Run: also where --into is not of the joint recorded.")
    ] = False,
    as_json: Json = False,
    out: Out = RUNS,
) -> None:
    """Find a joint's constants from its recording, or those of any axis from a CSV log."""
    if log.is_dir():
        from host.commands.identify_run import run as go

        go(log, joint, into, resistance, temperature, winding, write, yes, as_json, out)
        return
    from host.commands.identify import run

    run(log, columns, cutoff, gravity, as_json, out)


@app.command(epilog='Example: jointloop sweep finger.toml --vary "cable.joint_radius=4 mm..8 mm/9"')
def sweep(
    joint: Joint,
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
    from host.commands.sweep import run

    run(joint, vary or [], trade, cluster, workers, as_json, out)


@app.command(epilog="Example: jointloop hand hand.toml --report")
def hand(
    path: Annotated[Path, typer.Argument(metavar="FILE", help="Hand file (TOML).")],
    report: Annotated[
        bool,
        typer.Option("--report", help="Also write one HTML page, the hand and joint by joint."),
    ] = False,
    stream: Annotated[
        bool, typer.Option("--stream", help="Stream a sequence of postures to the boards instead.")
    ] = False,
    sequence: Annotated[
        str | None, typer.Option(help="Stream: name of the sequence; left out, the first.")
    ] = None,
    port: Ports = None,
    runtime: Runtime = "cpython",
    yes: Yes = False,
    folder: Folder = None,
    seed: Seed = 1,
    as_json: Json = False,
    out: Out = RUNS,
) -> None:
    """Reckon a whole hand: supply, ticks, link, heat, cost; or stream postures to its boards."""
    from host.commands import hand as command

    if stream:
        code = command.stream(path, sequence, port or [], runtime, yes, folder, seed, as_json, out)
    else:
        code = command.run(path, report, seed, as_json, out)
    if code:
        raise typer.Exit(code)


@app.command(epilog='Example: jointloop calibrate finger.toml --points "0 deg, 50 deg, 100 deg"')
def calibrate(
    joint: Joint,
    port: Annotated[str | None, typer.Option("--port", help="Left out, a virtual board.")] = None,
    points: Annotated[
        str, typer.Option(help="Known angles: two, or up to 33 for a linearity table.")
    ] = "0 deg, 90 deg",
    pulse: Annotated[bool, typer.Option("--pulse", help="Neutral and dead band instead.")] = False,
    force: Annotated[bool, typer.Option("--force", help="Fingertip force instead.")] = False,
    scale: Annotated[str | None, typer.Option(help="Force: what the scale shows.")] = None,
    resistance: Annotated[str | None, typer.Option(help="Force: winding by ohmmeter.")] = None,
    temperature: Annotated[str, typer.Option(help="Force: of the winding then.")] = "22 degC",
    towards: Annotated[str | None, typer.Option(help="Force: angle to press towards.")] = None,
    yes: Yes = False,
    seed: Seed = 1,
    as_json: Json = False,
) -> None:
    """Calibrate sensor, pulse drive or force; the result goes into the joint file."""
    from host.commands.calibrate import run

    run(
        joint,
        port,
        points,
        pulse,
        force,
        scale,
        resistance,
        temperature,
        towards,
        yes,
        seed,
        as_json,
    )


@app.command(epilog="Example: jointloop ports")
def ports(as_json: Json = False) -> None:
    """List what is plugged in, and whether it may be opened."""
    from host.commands.ports import run

    code = run(as_json)
    if code:
        raise typer.Exit(code)


@app.command(epilog="Example: jointloop deploy /dev/ttyACM0 --board board.json --joint finger.toml")
def deploy(
    port: Annotated[str, typer.Argument(help="Serial port of the board.")],
    joint: Annotated[
        list[Path] | None,
        typer.Option(
            "--joint", help="Joint file of each joint of the board, in its order: bounds its force."
        ),
    ] = None,
    wiring: Annotated[Path, typer.Option("--board", help="Wiring of the board (JSON).")] = Path(
        "board.json"
    ),
    mpy: Annotated[
        bool, typer.Option("--mpy", help="Cross-compile the program: a quicker start.")
    ] = False,
    build: Annotated[
        bool,
        typer.Option(
            "--build", help="First make the machine code anew, after changes in controller/."
        ),
    ] = False,
    as_json: Json = False,
) -> None:
    """Put the control code onto a board, and verify that it is there."""
    from host.commands.deploy import run

    run(port, wiring, joint or [], mpy, build, as_json)


@app.callback(invoke_without_command=True)
def version(
    context: typer.Context,
    show: Annotated[bool, typer.Option("--version", help="Show the version.")] = False,
) -> None:
    """Show the version, or go on to a command."""
    if show:
        from host import __version__

        typer.echo(f"jointloop {__version__}")
        raise typer.Exit
    if context.invoked_subcommand is None:
        typer.echo(context.get_help())
        raise typer.Exit
