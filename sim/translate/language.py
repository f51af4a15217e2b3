"""What the controller's language contains, and how all else is refused: file, line, reason."""

import ast
from pathlib import Path

from sim.errors import InputError

ROOT = Path(__file__).resolve().parents[2]

LANGUAGE = (
    ("function", "plain arguments with types, no defaults; at most one value returned"),
    ("types", "`float`, `int`, `bool`, a record, a table of numbers; `str | None` for the name of a setting"),
    ("number", "a literal, or a name for one at the top of a module; `True`, `False`"),
    ("row", "numbers in a tuple at the top of a module, read by a whole-number index"),
    ("assignment", "one name, field or table place; a local keeps the type of its first value; `a, b = c, d`"),
    ("in place", "`+= -= *= /=`, on whole numbers also `|= &= <<= >>=`"),
    ("arithmetic", "`+ - *`, `/` where one side is a float, `//` and `%` of whole numbers, `| & ^ << >> ~`"),
    ("comparison", "`< <= > >= == !=`, in chains too; `is None` and `is not None` of a setting's name"),
    ("truth", "`and`, `or`, `not`: true or false, never one of their operands; `a if c else b`"),
    ("branch", "`if`, `elif`, `else`"),
    ("loop", "`while`; `for k in range(...)` counting up; `break`, `continue`"),
    ("call", "of another function of the language; `sqrt`, `int`, `float`, `bool`"),
    ("nothing", "`pass`, a docstring, a bare `return`"),
)  # fmt: skip
"""Construct and what of it is allowed: the table in ``controller/README.md`` is made of this."""


def place(path: Path, node: ast.AST) -> str:
    """File and line of a construct, as a person looks for it."""
    shown = path.relative_to(ROOT) if path.is_relative_to(ROOT) else path
    return f"{shown.as_posix()}:{getattr(node, 'lineno', 0)}"


def refused(path: Path, node: ast.AST, why: str) -> InputError:
    """The error for a construct that has no place in the language."""
    try:
        shown = ast.unparse(node).split("\n")[0][:60]
    except (AttributeError, ValueError):
        shown = type(node).__name__
    return InputError(place(path, node), "", shown, why)
