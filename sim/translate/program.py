"""A whole translation unit: everything that some functions call, as one C file.

No mutable globals, no allocation, no library: what it needs beside is the square root of the chip,
or the one of ``runtime.h`` where there is none.
"""

import ast
import inspect
from collections.abc import Callable
from importlib import import_module
from pathlib import Path
from types import FunctionType, ModuleType
from typing import Any

from controller.records import Record, fields, out_of_range
from sim.errors import InputError
from sim.translate import functions, records
from sim.translate.functions import Function, Scope
from sim.translate.language import refused
from sim.translate.numbers import real, whole
from sim.translate.types import ANY, REAL, WHOLE

RUNTIME = Path(__file__).with_name("runtime.h")


class Unit:
    """What has been translated so far: records, rows of constants, functions in the order of calls."""

    def __init__(self, roots: list[type[Record]]) -> None:
        self.records = records.known(*roots)
        self.root = roots[0]
        self.functions: dict[tuple[str, ...], Function] = {}
        self.rows: dict[str, str] = {}
        self.checks: list[type[Record]] = []
        self.literals: set[float] = set()
        """Every real number that was written, as Python has it."""
        self._trees: dict[str, dict[str, ast.FunctionDef]] = {}

    # --- what names mean

    def setting(self, dotted: str) -> int:
        """The number that stands for a setting's name. Raises ValueError."""
        try:
            return records.place_of(self.root, dotted)
        except ValueError:
            raise ValueError(f"is no setting of {self.root.__name__}") from None

    def field(self, record: str, name: str) -> str | None:
        """The type of a record's field."""
        found = self.records.get(record)
        known = dict(fields(found)) if found is not None else {}
        return records.field_type(known[name]) if name in known else None

    def constant(self, scope: Scope, node: ast.AST, *names: str) -> object:
        """A number at the top of the function's module, or of one that it imports."""
        found: object = scope.function.module
        for one in names:
            found = getattr(found, one, None)
        if isinstance(found, bool | int | float):
            return found
        raise refused(scope.path, node, f"{'.'.join(names)} is no number")

    def row(self, scope: Scope, node: ast.Name) -> tuple[str, str]:
        """A row of numbers at the top of a module: its name in C, and the type of its numbers."""
        values = getattr(scope.function.module, node.id, None)
        if not isinstance(values, tuple | list) or not values:
            raise refused(scope.path, node, "is no row of numbers")
        kind = WHOLE if all(type(one) is int for one in values) else REAL
        name = f"{scope.function.module.__name__.rsplit('.', 1)[-1]}_{node.id}"
        write = whole if kind == WHOLE else real
        try:
            numbers = ", ".join(write(one) for one in values)
        except (TypeError, ValueError) as error:
            raise refused(scope.path, node, str(error)) from None
        c_type = "int32_t" if kind == WHOLE else "float"
        self.rows[name] = f"static const {c_type} {name}[{len(values)}] = {{{numbers}}};"
        return name, kind

    def range_checked(self, scope: Scope, node: ast.Call) -> str | None:
        """The range check of a record, where that is what is called."""
        own = node.func.id if isinstance(node.func, ast.Name) else ""
        if getattr(scope.function.module, own, None) is not out_of_range:
            return None
        if not isinstance(node.args[0], ast.Name):
            raise refused(scope.path, node, "takes a record by its name")
        kind = scope.types[node.args[0].id]
        record = self.records[kind]
        if record not in self.checks:
            self.checks.append(record)
        return f"{kind}_out_of_range"

    def function(self, scope: Scope, node: ast.Call, kinds: list[str]) -> Function:
        """The function that a call means, translated."""
        found: object = scope.function.module
        names = ast.unparse(node.func).split(".")
        for one in names:
            found = getattr(found, one, None)
        if not isinstance(found, FunctionType):
            raise refused(scope.path, node, f"{'.'.join(names)} is no function of the language")
        return self.add(found, kinds)

    # --- collecting

    def add(self, function: FunctionType, kinds: list[str]) -> Function:
        """Translate a function, called with arguments of these types, and all that it calls. Raises InputError."""
        anything = [kind for kind, wanted in zip(kinds, function.__annotations__.values(), strict=False)
                    if wanted == ANY]  # fmt: skip
        key = (function.__module__, function.__name__, *anything)
        if key not in self.functions:
            module = import_module(function.__module__)
            path = Path(str(inspect.getsourcefile(module)))
            node = self._tree(module, path).get(function.__name__)
            if node is None:
                raise InputError(str(path), "", function.__name__, "is not at the top of its file")
            made = functions.function_of(module, node, path, self.records, kinds)
            if made.c_name in {one.c_name for one in self.functions.values()}:
                raise refused(path, node, f"{made.c_name} stands for another function already")
            self.functions[key] = made
            functions.translate(self, made)
        return self.functions[key]

    def _tree(self, module: ModuleType, path: Path) -> dict[str, ast.FunctionDef]:
        if module.__name__ not in self._trees:
            tree = ast.parse(path.read_text(encoding="utf-8"))
            self._trees[module.__name__] = {
                one.name: one for one in tree.body if isinstance(one, ast.FunctionDef)
            }
        return self._trees[module.__name__]

    def text(self) -> str:
        """The C of all of it."""
        made = list(self.functions.values())
        parts = [
            RUNTIME.read_text(encoding="utf-8").rstrip(),
            *(records.struct(one) for one in self.records.values()),
            *self.rows.values(),
            *(records.range_check(one) for one in self.checks),
            "\n".join(f"{one.head()};" for one in made),
            *("\n".join(one.lines) for one in made),
        ]
        return "\n\n".join(parts) + "\n"


def translate(roots: list[type[Record]], entries: list[Callable[..., Any]]) -> Unit:
    """Translate functions and all they call, over records made of ``roots``. Raises InputError."""
    unit = Unit(roots)
    for one in entries:
        assert isinstance(one, FunctionType)
        unit.add(one, [])
    return unit
