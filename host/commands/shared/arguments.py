"""Arguments and options that several commands have: one name for one meaning."""

from pathlib import Path
from typing import Annotated

import typer

Joint = Annotated[
    Path, typer.Argument(metavar="JOINT", help="Joint file (TOML); `jointloop new` writes one.")
]
Joints = Annotated[
    list[Path],
    typer.Argument(metavar="JOINT", help="Joint files; several are worked on side by side."),
]
BoardJoints = Annotated[
    list[Path], typer.Argument(metavar="JOINT", help="Joint files, one for each joint.")
]
Cluster = Annotated[
    str | None,
    typer.Option("--cluster", help="Dask scheduler, tcp://host:port; left out, this machine."),
]
Workers = Annotated[int | None, typer.Option("--workers", help="Processes here.", min=1, max=256)]
Json = Annotated[bool, typer.Option("--json", help="One JSON object on standard output.")]
Seed = Annotated[
    int, typer.Option("--seed", help="Seed of everything drawn by chance.", min=0, max=2**31 - 1)
]
Out = Annotated[Path, typer.Option("--out", help="Folder for figures and reports.")]
Gains = Annotated[
    Path | None,
    typer.Option("--gains", help="Gains file to use instead of the joint file's own."),
]
Part = Annotated[
    str,
    typer.Option("--part", help='"nominal", or "random": drawn from the spread of the file.'),
]
Ports = Annotated[
    list[str] | None,
    typer.Option(
        "--port",
        help="Serial port or tcp://host:port; repeat for several boards; "
        "left out, a virtual board is started.",
    ),
]
Runtime = Annotated[
    str,
    typer.Option("--runtime", help='Of the virtual board: "cpython", "micropython" or "c".'),
]
Folder = Annotated[Path | None, typer.Option("--folder", help="Folder of the run.")]
Yes = Annotated[
    bool, typer.Option("--yes", help="Answer what would be asked: the caution of a real port.")
]
Duration = Annotated[str, typer.Option("--duration", help="How long.")]
Number = Annotated[int, typer.Option("--joint", help="Number of the joint in the run.", min=0)]
Resistance = Annotated[
    str | None, typer.Option("--resistance", help="Winding by ohmmeter, cold; anchors all values.")
]
Temperature = Annotated[str, typer.Option("--temperature", help="Of the winding then.")]
RUNS = Path("jointloop-runs")
