"""Statements: each becomes lines of C."""

import ast
from typing import TYPE_CHECKING

from sim.translate.expressions import Typed, binary, expression, truth
from sim.translate.language import refused
from sim.translate.types import NOTHING, REAL, TRUTH, WHOLE, as_real

if TYPE_CHECKING:
    from sim.translate.functions import Scope


def body(scope: "Scope", statements: list[ast.stmt], depth: int) -> list[str]:
    """The lines of several statements."""
    return [line for one in statements for line in statement(scope, one, depth)]


def statement(scope: "Scope", node: ast.stmt, depth: int) -> list[str]:
    """The lines of one statement."""
    pad = "    " * depth
    if isinstance(node, ast.Assign):
        return [pad + line for line in assign(scope, node)]
    if isinstance(node, ast.AugAssign):
        made = binary(scope, node, node.target, node.op, node.value)
        return [pad + put(scope, node, node.target, made)]
    if isinstance(node, ast.Return):
        return [pad + leave(scope, node)]
    if isinstance(node, ast.If):
        return branch(scope, node, depth)
    if isinstance(node, ast.While) and not node.orelse:
        return [
            f"{pad}while ({truth(scope, node.test)}) {{",
            *body(scope, node.body, depth + 1),
            f"{pad}}}",
        ]
    if isinstance(node, ast.For) and not node.orelse:
        return count(scope, node, depth)
    if isinstance(node, ast.Break | ast.Continue):
        return [f"{pad}{'break' if isinstance(node, ast.Break) else 'continue'};"]
    if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
        return []
    if isinstance(node, ast.Expr) and isinstance(node.value, ast.Call):
        return [f"{pad}{expression(scope, node.value)[0]};"]
    if isinstance(node, ast.Pass):
        return []
    raise refused(scope.path, node, "is not in the language")


def assign(scope: "Scope", node: ast.Assign) -> list[str]:
    """One target, or several values to as many names, none of which is read in them."""
    if len(node.targets) != 1:
        raise refused(scope.path, node, "one target at a time")
    target = node.targets[0]
    if not isinstance(target, ast.Tuple):
        return [put(scope, node, target, expression(scope, node.value))]
    if not isinstance(node.value, ast.Tuple) or len(node.value.elts) != len(target.elts):
        raise refused(scope.path, node, "several targets take as many values")
    written = {ast.unparse(one) for one in target.elts}
    for one in node.value.elts[1:]:
        if written & {ast.unparse(inner) for inner in ast.walk(one) if isinstance(inner, ast.expr)}:
            raise refused(scope.path, node, "a value is read that this very line changes")
    return [put(scope, node, one, expression(scope, value))
            for one, value in zip(target.elts, node.value.elts, strict=True)]  # fmt: skip


def put(scope: "Scope", node: ast.AST, target: ast.expr, made: Typed) -> str:
    """Put a value into a local (declared by its first value), a field or a table's place."""
    code, kind = made
    if isinstance(target, ast.Name):
        held = scope.declare(
            target.id, WHOLE if kind == TRUTH and target.id not in scope.types else kind
        )
        if held == REAL and kind == WHOLE:
            raise refused(scope.path, node, f"{target.id} was a float: write the number as one")
        if held != kind and {held, kind} != {WHOLE, TRUTH}:
            raise refused(scope.path, node, f"{target.id} was {held} and becomes {kind}")
        return f"{scope.local(target.id)} = {code};"
    if not isinstance(target, ast.Attribute | ast.Subscript):
        raise refused(scope.path, node, "is no place to put a value")
    where, held = expression(scope, target)
    if held == REAL:
        return f"{where} = {as_real(code, kind)};"
    if held != WHOLE or kind not in (WHOLE, TRUTH):
        raise refused(scope.path, node, f"{kind} into {held}")
    return f"{where} = {code};"


def leave(scope: "Scope", node: ast.Return) -> str:
    """A return, of the type that the function declares."""
    wanted = scope.function.returns
    if node.value is None:
        if wanted != NOTHING:
            raise refused(scope.path, node, f"returns nothing, not {wanted}")
        return "return;"
    code, kind = expression(scope, node.value)
    if wanted == REAL and kind == WHOLE:
        code = as_real(code, kind)
    elif wanted != kind and not (wanted == TRUTH and kind == WHOLE):
        raise refused(scope.path, node, f"returns {kind}, not {wanted}")
    return f"return {code};"


def branch(scope: "Scope", node: ast.If, depth: int) -> list[str]:
    """``if`` with its ``elif`` and ``else``."""
    pad = "    " * depth
    lines = [f"{pad}if ({truth(scope, node.test)}) {{", *body(scope, node.body, depth + 1)]
    if node.orelse:
        lines += [f"{pad}}} else {{", *body(scope, node.orelse, depth + 1)]
    return [*lines, f"{pad}}}"]


def count(scope: "Scope", node: ast.For, depth: int) -> list[str]:
    """``for k in range(...)``: the count stands apart, so that the name keeps Python's meaning."""
    made = node.iter
    if (not isinstance(made, ast.Call) or not isinstance(made.func, ast.Name) or made.func.id != "range"
            or not isinstance(node.target, ast.Name) or made.keywords or not 1 <= len(made.args) <= 2):  # fmt: skip
        raise refused(scope.path, node, "a loop counts: `for k in range(first, end)`")
    bounds = [expression(scope, one) for one in made.args]
    if any(kind != WHOLE for _, kind in bounds):
        raise refused(scope.path, node, "counts in whole numbers")
    low = bounds[0][0] if len(bounds) == 2 else "0"
    scope.counters += 1
    n, end = f"n{scope.counters}", f"end{scope.counters}"
    pad, named = "    " * depth, []
    if node.target.id != "_":
        own = scope.declare(node.target.id, WHOLE)
        if own != WHOLE:
            raise refused(scope.path, node, f"{node.target.id} was {own}")
        named = [f"{pad}    {scope.local(node.target.id)} = {n};"]
    head = f"{pad}for (int32_t {n} = {low}, {end} = {bounds[-1][0]}; {n} < {end}; {n}++) {{"
    return [head, *named, *body(scope, node.body, depth + 1), f"{pad}}}"]
