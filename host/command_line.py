"""The command line: commands by name, each a module of ``host/commands`` that is loaded at use."""

import ast
import functools
from collections.abc import Callable
from importlib import import_module
from pathlib import Path
from typing import Annotated, Any

import typer
from typer.core import TyperCommand, TyperGroup

NAMES = (
    "new", "size", "simulate", "tune", "challenge", "demo", "board", "stream", "record", "bench", "compare",
    "identify", "sweep", "reach", "hand", "wiring", "calibrate", "ports", "deploy", "migrate", "schema",
)  # fmt: skip
RENAMED = {
    ("stream", "--seconds"): "--duration", ("record", "--seconds"): "--duration",
    ("challenge", "--minutes"): "--duration", ("challenge", "--programs"): "--scenarios",
    ("compare", "--file"): "--joint-file",
}  # fmt: skip
"""Options of before, and what they are called now."""
FOLDER = Path(__file__).parent / "commands"
PLAIN: dict[str, Any] = {
    "add_completion": False,
    "rich_markup_mode": None,
    "pretty_exceptions_enable": False,
}


class Command(TyperCommand):
    """A command that tells of options that were renamed."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """Refuse an option of before by its new name."""
        from sim.errors import InputError

        for one in args:
            new = RENAMED.get((str(self.name), one.split("=")[0]))
            if new is not None:
                raise InputError(
                    "", one, None, f"was renamed to {new}; `jointloop {self.name} --help` shows it"
                )
        return super().parse_args(ctx, args)


@functools.cache
def command(name: str) -> Any:
    """The command of a module of ``host/commands``: its ``run`` with its arguments, its ``EXAMPLE``."""
    module = import_module(f"host.commands.{name}")
    made = typer.Typer(**PLAIN)
    made.command(name, cls=Command, epilog=f"Example: jointloop {module.EXAMPLE}")(
        _ending(module.run)
    )
    return typer.main.get_command(made)


def _ending(run: Callable[..., int | None]) -> Callable[..., None]:
    """A command that ends with the exit code its function returns."""

    @functools.wraps(run)
    def called(*arguments: Any, **named: Any) -> None:
        code = run(*arguments, **named)
        if code:
            raise typer.Exit(code)

    return called


def summary(name: str) -> str:
    """First line of what a command says of itself, without loading it."""
    tree = ast.parse((FOLDER / f"{name}.py").read_text(encoding="utf-8"))
    run = next(one for one in tree.body if isinstance(one, ast.FunctionDef) and one.name == "run")
    return (ast.get_docstring(run) or "").split("\n")[0]


class Commands(TyperGroup):
    """All commands, loaded when they are asked for."""

    def list_commands(self, ctx: Any) -> list[str]:  # noqa: ARG002
        """Names, in the order of use."""
        return list(NAMES)

    def get_command(self, ctx: Any, cmd_name: str) -> Any:  # noqa: ARG002
        """The command of a name; None where there is none."""
        return command(cmd_name) if cmd_name in NAMES else None

    def resolve_command(self, ctx: Any, args: list[str]) -> Any:
        """The command that is asked for; a misspelt one is told the nearest."""
        from sim.schema import nearest

        if args and args[0] not in NAMES and not args[0].startswith("-"):
            ctx.fail(f'no command "{args[0]}"; {nearest(args[0], list(NAMES))}')
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: Any, formatter: Any) -> None:  # noqa: ARG002
        """The list of ``--help``."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, summary(name)) for name in NAMES])


app = typer.Typer(
    name="jointloop",
    cls=Commands,
    no_args_is_help=True,
    help="Size, simulate, tune and bench-test one tendon-driven finger joint.",
    **{**PLAIN, "add_completion": True},
)


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
