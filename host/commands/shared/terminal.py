"""What commands write to the terminal: text, tables, progress.

People's text goes to standard error when a command is asked for JSON, so that
standard output holds one JSON object and nothing else.
"""

import json
import shlex
import sys
import time
from collections.abc import Iterable
from typing import Any

from rich.console import Console
from rich.markup import escape
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn
from rich.table import Table

from sim.units import DEG


class Terminal:
    """Output of one command."""

    def __init__(self, as_json: bool = False) -> None:
        self.as_json = as_json
        self.console = Console(stderr=as_json, highlight=False)

    def say(self, text: str = "") -> None:
        """Write one line for people; marks in square brackets, names through ``plain``."""
        self.console.print(text)

    def next(self, command: str) -> None:
        """Say what to run next: as it is, on one line, so that it can be copied (``quoted`` paths)."""
        self.console.print(f"Next: {command}", markup=False, soft_wrap=True)

    def heading(self, text: str) -> None:
        """Write a heading."""
        self.console.print(f"\n[bold]{text}[/bold]")

    def table(self, title: str, columns: Iterable[str], rows: Iterable[Iterable[object]]) -> None:
        """Write a table; numbers are aligned to the right."""
        made = Table(title=title, title_justify="left", title_style="bold", header_style="bold")
        for k, column in enumerate(columns):
            left = k == 0 or column in ("remark", "what happens")
            made.add_column(column, justify="left" if left else "right")
        for row in rows:
            made.add_row(*[escape(str(one)) for one in row])
        self.console.print(made)

    def remarks(self, rows: Iterable[tuple[str, str]]) -> None:
        """Write marked sentences, each wrapped beside its mark."""
        made = Table.grid(padding=(0, 1))
        for mark, text in rows:
            made.add_row(" ", mark, text)
        self.console.print(made)

    def warning(self, text: str | None) -> None:
        """Write a warning, where there is one."""
        if text is not None:
            self.remarks([("[bold red]warning[/bold red]", text)])

    def progress(self) -> Any:
        """Return a progress display for work of more than 2 s."""
        if not sys.stderr.isatty():
            return PlainProgress()
        return Progress(
            TextColumn("{task.description:<26}"),
            BarColumn(),
            TextColumn("{task.percentage:3.0f} %"),
            TextColumn("{task.fields[note]}"),
            TimeElapsedColumn(),
            console=Console(stderr=True),
        )

    def result(self, data: dict[str, Any]) -> None:
        """Write the JSON result, where it is asked for."""
        if self.as_json:
            sys.stdout.write(json.dumps(data, allow_nan=False) + "\n")
            sys.stdout.flush()


def plain(text: object) -> str:
    """Text of people (names, paths) for ``say``: its square brackets are no marks."""
    return escape(str(text))


def quoted(path: object) -> str:
    """A path as a shell reads it, blanks and brackets too."""
    return shlex.quote(str(path))


class PlainProgress:
    """Progress where there is no screen: a line every few seconds, on standard error."""

    def __init__(self) -> None:
        self.stages: list[tuple[str, int]] = []
        self.last = float("-inf")

    def __enter__(self) -> "PlainProgress":
        return self

    def __exit__(self, *_: object) -> None:
        return None

    def add_task(self, description: str, total: int, note: str) -> int:  # noqa: ARG002
        """Begin a stage; return its number."""
        self.stages.append((description, total))
        self.last = float("-inf")
        return len(self.stages) - 1

    def update(self, task: int, completed: int, note: str) -> None:
        """Tell how far a stage is, at most every five seconds."""
        description, total = self.stages[task]
        now = time.monotonic()
        if now - self.last >= 5.0 or completed >= total:
            self.last = now
            share = 100.0 * completed / total
            sys.stderr.write(f"{description}: {share:.0f} % {note}\n")
            sys.stderr.flush()


def seconds(value: float | None) -> str:
    """Show a time in ms, or that it never comes."""
    return "never" if value is None else f"{value * 1e3:.0f} ms"


def degrees(value: float | None, digits: int = 2) -> str:
    """Show an angle (rad) in degrees."""
    return "-" if value is None else f"{value / DEG:.{digits}f} deg"
