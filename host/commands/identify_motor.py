"""``jointloop identify LOG --into FILE``: constants of a motor on the table, into the joint file's [motor]."""

from pathlib import Path
from typing import TYPE_CHECKING, Any

from host.commands.shared.terminal import Terminal, plain, quoted
from sim.errors import InputError

if TYPE_CHECKING:
    from sim.identify.axis.axis_model import AxisModel
    from sim.identify.axis.log import Log

GONE = ("voltage", "stall_torque", "stall_current", "no_load_speed", "no_load_current", "gear_ratio",
        "rotor_inertia", "amplifier_resistance", "coulomb_share")  # fmt: skip
"""Keys of a datasheet, which constants stand in for."""


def into_motor(
    terminal: Terminal,
    path: Path,
    logs: "list[Log]",
    found: "AxisModel",
    ohm: float | None,
    write: bool,
) -> dict[str, Any]:
    """Say what the logs tell of a file's motor, and write it. Raises InputError."""
    from host.commands.shared.loading import load
    from sim.identify.axis.motor import UNITS, motor_of
    from sim.reading import read_text

    seen = read_text(path)
    joint = load(path)
    if not logs[0].motion_unit.startswith("rad"):
        raise InputError(logs[0].name, "--columns", logs[0].motion_unit, "a motor turns: the log must give an angle or its speed")  # fmt: skip
    try:
        motor = motor_of(found.fit, logs[0].drive_unit, joint.part, ohm)
    except ValueError as error:
        raise InputError(logs[0].name, "", None, str(error)) from None
    before = {"resistance": joint.part.motor.resistance_25_ohm, "torque_constant": joint.part.motor.emf_V_s,
              "output_inertia": joint.part.motor.inertia, "viscous": joint.part.motor.viscous_Nms,
              "coulomb": joint.part.motor.coulomb_Nm}  # fmt: skip
    rows = [(key.replace("_", " "), UNITS[key], f"{before[key]:.4g}", f"{value:.4g}",
             f"+-{motor.half_95[key]:.2g}" if motor.half_95.get(key) else "")
            for key, value in motor.values.items()]  # fmt: skip
    terminal.table("The motor, as seen at its output", ("", "unit", "file", "logs", "95 %"), rows)
    for remark in motor.remarks:
        terminal.warning(plain(remark[0].upper() + remark[1:]) + ".")
    if write:
        from host.files import put_keys

        names = ", ".join(Path(log.name).name for log in logs)
        keys = {key: f'"{value:.5g} {UNITS[key]}"' for key, value in motor.values.items()}
        put_keys(path, "motor", {**keys, "load_loss": f"{joint.part.motor.load_loss:.4g}"},
                 f"identified from {names}", GONE, seen)  # fmt: skip
        terminal.say(
            f"Written to {plain(path)}, table \\[motor]; what it stands in for is kept as remarks."
        )
        terminal.next(f"jointloop size {quoted(path)}")
    return {"values": motor.values, "half_95": motor.half_95, "remarks": motor.remarks}
