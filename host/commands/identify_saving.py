"""What `identify` found of a run, written into a joint file: [identified], and the sensor's bend into [calibration]."""

from pathlib import Path
from typing import TYPE_CHECKING, Any

from host.commands.shared.terminal import Terminal, plain, quoted

if TYPE_CHECKING:
    from sim.identify.fit import Fit
    from sim.run.closed_loop import Joint


def write_found(
    terminal: Terminal,
    path: Path,
    seen: str,
    found: "Fit",
    folder: Path,
    ohm: float | None,
    products: list[dict[str, Any]],
) -> None:
    """Write into a joint file whose text was ``seen``, and say so; ``products`` beside. Raises InputError."""
    save_table(path, seen, found.joint, found, folder, ohm, products)
    terminal.say(f"Written to {plain(path)}, table \\[identified].")
    if save_bend(path, found.joint, found, folder):
        terminal.say(f"The sensor's bend is written too, table \\[calibration]: {POINTS_TOLD}.")
    terminal.next(f"jointloop tune {quoted(path)}")


def save_table(path: Path, seen: str, joint: "Joint", found: "Fit", folder: Path,
               ohm: float | None, products: list[dict[str, Any]]) -> None:  # fmt: skip
    """Write [identified] into a joint file, its comments kept. Raises InputError."""
    from host import __version__
    from host.files import put_table
    from sim.identify.space import WINDING
    from sim.joint.identified import basis_digest

    told = {one["name"]: f"{one['value']:.4g} {one['unit']} ({one['low']:.4g} .. {one['high']:.4g})"
            for one in products}  # fmt: skip
    put_table(path, "identified", {
        "digest": basis_digest(joint.tables), **found.known().table(),
        "provenance": {"made_by": f"jointloop identify {__version__}", "recording": folder.name,
                       "winding_began": f"{found.own[WINDING][1]:.0f} degC",
                       "winding_measured": "no" if ohm is None else f"{ohm:.4g} ohm at 25 degC",
                       "explained": f"{100 * found.fit:.1f} %",
                       "explained_held_out": f"{100 * found.held_out_fit:.1f} %", **told},
    }, seen)  # fmt: skip


POINTS_TOLD = "from the motion alone; known angles (`jointloop calibrate --points`) tell it better"


def save_bend(path: Path, joint: "Joint", found: "Fit", folder: Path) -> bool:
    """Write the sensor's bend into [calibration] where the recording tells of one. Raises InputError."""
    from controller.joint.settings.settings import CONTINUOUS
    from host import __version__
    from host.files import put_table
    from sim.identify.sensor_bend import calibration_with
    from sim.identify.space import EVEN, ODD
    from sim.joint.calibration import sensor_table
    from sim.reading import parse_toml, read_text

    told = [found.own.get(name, (0.0, 0.0, 0.0)) for name in (EVEN, ODD)]
    if (
        all(low * high <= 0.0 for low, _, high in told)
        or joint.settings.sensor.travel == CONTINUOUS
    ):
        return False
    seen = read_text(path)
    kept = parse_toml(seen, str(path)).get("calibration", {})
    made = calibration_with(joint, *(middle for _, middle, _ in told))
    put_table(path, "calibration", {
        **kept, **sensor_table(made),
        "provenance": {"made_by": f"jointloop identify {__version__}", "recording": folder.name,
                       "even_share": f"{told[0][1]:+.5f} ({told[0][0]:+.5f} .. {told[0][2]:+.5f})",
                       "odd_share": f"{told[1][1]:+.5f} ({told[1][0]:+.5f} .. {told[1][2]:+.5f})"},
    }, seen)  # fmt: skip
    return True
