"""The caution at the first arming of a real port, and the yes it needs."""

import sys

from host.session import Session
from host.terminal import Terminal
from sim.errors import InputError

TEXT = """\
[bold red]A real motor is about to be armed.[/bold red] The joint can pinch, a cable can snap or cut, the motor
can burn. Keep fingers, hair and clothing out of its way; have the supply's switch within reach; stop
with Ctrl-C. Switching off does not let go: gear friction keeps pressing until a release. Nothing may be
worn by or attached to a person on the strength of this tool: that is for licensed practice and the
local code."""


def ask(terminal: Terminal, session: Session, yes: bool) -> bool:
    """Show the caution where a port is real and ask for a yes; ``yes`` answers for scripts.

    Returns whether the yes came from the option. Raises InputError without a yes.
    """
    if session.virtual:
        terminal.say("[bold]Virtual board:[/bold] simulated joints, nothing real moves.")
        return False
    terminal.say(TEXT)
    if yes:
        terminal.say("Answered with --yes; the run records it.")
        return True
    if not sys.stdin.isatty():
        raise InputError(
            "", "--yes", None, "arming a real port needs a yes: answer it, or give --yes"
        )
    if input("Type yes to arm: ").strip().lower() != "yes":
        raise InputError("", "", None, "not armed")
    return False
