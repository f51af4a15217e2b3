"""``jointloop ports``: what is plugged in, and whether it may be opened."""

import os
from typing import Any

from host.commands.shared.arguments import Json
from host.commands.shared.terminal import Terminal, plain

CHIP_MAKER = 0x2E8A
"""USB vendor number of boards with RP2040 or RP2350 (from memory)."""


def found_ports() -> list[Any]:
    """Serial ports that the system lists (pyserial: ListPortInfo)."""
    from serial.tools import list_ports

    return sorted(list_ports.comports(), key=lambda one: str(one.device))


def may_open(device: str) -> bool:
    """Whether this account may read and write a port; systems without such files decide when it is opened."""
    return not os.path.exists(device) or os.access(device, os.R_OK | os.W_OK)


def owners(device: str) -> str:
    """The group that a port belongs to, by name; empty where the system has none."""
    try:
        import grp

        return grp.getgrgid(os.stat(device).st_gid).gr_name
    except (ImportError, KeyError, OSError):
        return ""


def told(one: Any) -> dict[str, Any]:
    """A port as the result shows it."""
    usb = one.vid is not None
    return {
        "port": one.device,
        "what": "" if one.description in (None, "n/a") else one.description,
        "usb": f"{one.vid:04x}:{one.pid:04x}" if usb else None,
        "may_be_a_board": one.vid == CHIP_MAKER,
        "may_open": may_open(one.device),
    }


EXAMPLE = "ports"


def run(as_json: Json = False) -> int:
    """List what is plugged in, and whether it may be opened."""
    terminal = Terminal(as_json)
    rows = [told(one) for one in found_ports()]
    if not rows:
        terminal.say("No serial port is plugged in. A board shows one when MicroPython is on it; some USB leads "
                     "only charge.")  # fmt: skip
    else:
        terminal.table("Ports", ("port", "what it says it is", "USB", "remark"), [
            (plain(row["port"]), plain(row["what"]) or "-", row["usb"] or "-", _remark(row)) for row in rows
        ])  # fmt: skip
    for row in rows:
        if not row["may_open"]:
            group = owners(row["port"])
            joined = f": join its group {group}, and log in anew" if group else ""
            terminal.warning(f"{plain(row['port'])} may not be opened by this account{joined}.")
    terminal.result({"ports": rows})
    return 0


def _remark(row: dict[str, Any]) -> str:
    if not row["may_open"]:
        return "may not be opened"
    return "RP2040 or RP2350" if row["may_be_a_board"] else ""
