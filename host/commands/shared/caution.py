"""The caution at the first arming of a real port, and the yes it needs."""

import sys

from host.commands.shared.terminal import Terminal, plain
from host.link.session import Session
from sim.errors import InputError

TEXT = """\
[bold red]A real motor is about to be armed.[/bold red] The joint can pinch, a cable can snap or cut, the motor
can burn. Keep fingers, hair and clothing out of its way; have the supply's switch within reach; stop
with Ctrl-C. Switching off does not let go: gear friction keeps pressing until a release. Nothing may be
worn by or attached to a person on the strength of this tool: that is for licensed practice and
your local codes."""


def told_forces(session: Session) -> list[str]:
    """A sentence for each joint: what self-test and release may do, in newtons."""
    from sim.size.force import mode_forces

    rows = []
    for joint in session.joints:
        limit = joint.file.limits.tip_force
        may = mode_forces(joint)
        above = (
            f", [bold red]above its limit of {limit:.1f} N[/bold red]" if may.above(limit) else ""
        )
        rows.append(
            f"{plain(joint.file.joint.name)}: something in its way on arming is pressed with up to "
            f"{may.self_test_N:.1f} N at the fingertip{above}; a release pulls back with up to "
            f"{may.release_N:.1f} N"
            + (
                f", its cable with {may.release_cable_N:.0f} N."
                if may.release_cable_N > 0.0
                else "."
            )
        )
    return rows


def ask(terminal: Terminal, session: Session, yes: bool) -> bool:
    """Show the caution where a port is real and ask for a yes; ``yes`` answers for scripts.

    Returns whether the yes came from the option. Raises InputError without a yes.
    """
    if session.virtual:
        terminal.say("[bold]Virtual board:[/bold] simulated joints, nothing real moves.")
        return False
    terminal.say(TEXT)
    for row in told_forces(session):
        terminal.say(row)
    if yes:
        terminal.say("Answered with --yes.")
        return True
    if not sys.stdin.isatty():
        raise InputError(
            "", "--yes", None, "arming a real port needs a yes: answer it, or give --yes"
        )
    if input("Type yes to arm: ").strip().lower() != "yes":
        raise InputError("", "", None, "not armed")
    return False
