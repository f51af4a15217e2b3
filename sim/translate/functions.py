"""Functions: their arguments, their locals, their C."""

import ast
from dataclasses import dataclass, field
from pathlib import Path
from types import ModuleType
from typing import TYPE_CHECKING

from sim.translate.language import refused
from sim.translate.records import KEYWORDS
from sim.translate.statements import body
from sim.translate.types import ANY, annotated, in_c

if TYPE_CHECKING:
    from sim.translate.program import Unit


@dataclass
class Function:
    """A function that is called from what is translated."""

    module: ModuleType
    node: ast.FunctionDef
    path: Path
    arguments: list[tuple[str, str]]
    """Names and types."""
    returns: str
    taken: str = ""
    """Records that it was written for, where it takes any that has the fields."""
    lines: list[str] = field(default_factory=list)

    @property
    def c_name(self) -> str:
        """Its name in C: module and function."""
        return f"{self.module.__name__.rsplit('.', 1)[-1]}_{self.node.name}{self.taken}"

    def head(self) -> str:
        """Its declaration."""
        given = ", ".join(
            f"{in_c(kind)}{_apart(kind)}{local(name)}" for name, kind in self.arguments
        )
        return f"static {in_c(self.returns)}{_apart(self.returns)}{self.c_name}({given or 'void'})"


@dataclass
class Scope:
    """The names of one function while it is translated."""

    unit: "Unit"
    function: Function
    path: Path
    types: dict[str, str]
    counters: int = 0
    declared: list[str] = field(default_factory=list)

    def local(self, name: str) -> str:
        """A local's name in C."""
        return local(name)

    def declare(self, name: str, kind: str) -> str:
        """The type of a local; its first value declares it."""
        if name not in self.types:
            self.types[name] = kind
            self.declared.append(name)
        return self.types[name]


def local(name: str) -> str:
    """A local's name in C, which keeps some for itself."""
    return f"{name}_" if name in KEYWORDS else name


def _apart(kind: str) -> str:
    return "" if in_c(kind).endswith("*") else " "


def function_of(module: ModuleType, node: ast.FunctionDef, path: Path, records: dict[str, type],
                given_kinds: list[str]) -> Function:  # fmt: skip
    """A function by its source. Raises InputError where its arguments have no place in the language.

    given_kinds: types of a call's arguments; an argument of type ``Any`` is what the call gives.
    """
    given = node.args
    if given.defaults or given.kwonlyargs or given.vararg or given.kwarg or node.decorator_list:
        raise refused(path, node, "takes plain arguments")
    try:
        arguments = [(one.arg, annotated(one.annotation)) for one in given.args]
        returns = annotated(node.returns)
    except ValueError as error:
        raise refused(path, node, f"an argument or the result {error}") from None
    taken = ""
    for number, (name, kind) in enumerate(arguments):
        if kind == ANY and number < len(given_kinds):
            arguments[number] = (name, given_kinds[number])
            taken += f"_{given_kinds[number]}"
    for _, kind in [*arguments, ("", returns)]:
        if in_c(kind) == f"{kind} *" and kind not in records:
            raise refused(path, node, f"{kind} is no type of the language")
    return Function(module, node, path, arguments, returns, taken)


def translate(unit: "Unit", function: Function) -> None:
    """Write a function's C into it."""
    scope = Scope(unit, function, function.path, dict(function.arguments))
    lines = body(scope, function.node.body, 1)
    made = [
        f"    {in_c(scope.types[name])}{_apart(scope.types[name])}{local(name)};"
        for name in scope.declared
    ]
    function.lines = [f"{function.head()} {{", *made, *lines, "}"]
