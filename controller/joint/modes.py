"""Modes of a joint, what may be asked of it, and the phases of a mode: numbers of the wire."""

from controller.portable import const

MYPY = False
if MYPY:  # types are for the checker only: a board has no typing module
    from controller.joint.state import Command, Mode

OFF = const(0)
CHECKING = const(1)
POWERED = const(2)
STOPPING = const(3)
TRIPPED = const(4)

# command.request
ARM = const(1)
DRIVE_OFF = const(2)
STOP = const(3)
CLEAR = const(4)
RELEASE = const(5)
CONTROLLED_STOP = const(6)

# by number of the request: none, arm, drive off, stop, clear, release, controlled stop
RANK = (0, 1, 5, 6, 2, 3, 4)

# mode.phase
FIRST = const(0)  # checking: first stroke; stopping: controlled stop
SECOND = const(1)  # checking: stroke back; stopping: release


def driven(mode: int) -> bool:
    """Tell whether the drive may be on in this mode."""
    return mode == CHECKING or mode == POWERED or mode == STOPPING


def open_loop(m: "Mode") -> bool:
    """Tell whether the voltage comes from the self-test or a release."""
    return m.mode == CHECKING or (m.mode == STOPPING and m.phase == SECOND)


def ask(command: "Command", wanted: int) -> None:
    """Ask something of the supervisor; what stops is never taken back by what comes after it."""
    if RANK[wanted] >= RANK[command.request]:
        command.request = wanted
