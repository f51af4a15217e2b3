"""Expressions: each becomes C text and its type."""

import ast
from typing import TYPE_CHECKING

from sim.translate.language import refused
from sim.translate.numbers import real, whole
from sim.translate.types import NAME, REAL, ROW, TRUTH, WHOLE, as_real, is_number

if TYPE_CHECKING:
    from sim.translate.functions import Scope

COMPARED = {ast.Lt: "<", ast.LtE: "<=", ast.Gt: ">", ast.GtE: ">=", ast.Eq: "==", ast.NotEq: "!="}
ADDED = {ast.Add: "+", ast.Sub: "-", ast.Mult: "*"}
OF_WHOLE = {ast.BitOr: "|", ast.BitAnd: "&", ast.BitXor: "^", ast.LShift: "<<", ast.RShift: ">>"}
Typed = tuple[str, str]


def constant(scope: "Scope", node: ast.AST, value: object) -> Typed:
    """A number, truth or setting's name as C."""
    try:
        if value is None:
            return "0", NAME
        if isinstance(value, bool):
            return str(int(value)), TRUTH
        if isinstance(value, int):
            return whole(value), WHOLE
        if isinstance(value, float):
            scope.unit.literals.add(value)
            return real(value), REAL
        if isinstance(value, str):
            return str(scope.unit.setting(value)), NAME
    except ValueError as error:
        raise refused(scope.path, node, str(error)) from None
    raise refused(scope.path, node, "is no number")


def expression(scope: "Scope", node: ast.expr) -> Typed:
    """Any expression."""
    if isinstance(node, ast.Constant):
        return constant(scope, node, node.value)
    if isinstance(node, ast.Name):
        return name(scope, node)
    if isinstance(node, ast.Attribute):
        return attribute(scope, node)
    if isinstance(node, ast.Subscript):
        return subscript(scope, node)
    if isinstance(node, ast.BinOp):
        return binary(scope, node, node.left, node.op, node.right)
    if isinstance(node, ast.UnaryOp):
        return unary(scope, node)
    if isinstance(node, ast.BoolOp):
        word = " && " if isinstance(node.op, ast.And) else " || "
        return "(" + word.join(truth(scope, one) for one in node.values) + ")", TRUTH
    if isinstance(node, ast.Compare):
        return compare(scope, node)
    if isinstance(node, ast.IfExp):
        return choice(scope, node)
    if isinstance(node, ast.Call):
        return call(scope, node)
    raise refused(scope.path, node, "is not in the language")


def truth(scope: "Scope", node: ast.expr) -> str:
    """A condition: a truth, or a number that is not zero."""
    code, kind = expression(scope, node)
    if kind in (TRUTH, WHOLE):
        return code
    if kind == REAL:
        return f"({code} != 0.0f)"
    raise refused(scope.path, node, "is neither true nor false")


def name(scope: "Scope", node: ast.Name) -> Typed:
    """A local, or a constant of the module."""
    if node.id in scope.types:
        return scope.local(node.id), scope.types[node.id]
    return constant(scope, node, scope.unit.constant(scope, node, node.id))


def attribute(scope: "Scope", node: ast.Attribute) -> Typed:
    """A field of a record, or a constant of another module."""
    if isinstance(node.value, ast.Name) and node.value.id not in scope.types:
        return constant(scope, node, scope.unit.constant(scope, node, node.value.id, node.attr))
    code, kind = expression(scope, node.value)
    found = scope.unit.field(kind, node.attr)
    if found is None:
        raise refused(scope.path, node, f"{kind} has no field {node.attr}")
    inner = f"{code}->{node.attr}"
    return (inner if found in (REAL, WHOLE, ROW) else f"(&{inner})"), found


def subscript(scope: "Scope", node: ast.Subscript) -> Typed:
    """A place of a table, or of a row of constants."""
    index, kind = expression(scope, node.slice)
    if kind != WHOLE:
        raise refused(scope.path, node, "an index is a whole number")
    if isinstance(node.value, ast.Name) and node.value.id not in scope.types:
        row, inner = scope.unit.row(scope, node.value)
        return f"{row}[{index}]", inner
    code, outer = expression(scope, node.value)
    if outer != ROW:
        raise refused(scope.path, node, "is no table")
    return f"{code}[{index}]", REAL


def binary(
    scope: "Scope", node: ast.AST, left: ast.expr, op: ast.operator, right: ast.expr
) -> Typed:
    """Arithmetic of two operands; a whole number beside a real one becomes real."""
    (a, first), (b, second) = expression(scope, left), expression(scope, right)
    if not (is_number(first) and is_number(second)):
        raise refused(scope.path, node, f"is {first} beside {second}")
    if isinstance(left, ast.Constant) and isinstance(right, ast.Constant):
        raise refused(
            scope.path,
            node,
            "two literals: give their result (it would be rounded twice on a computer)",
        )
    mixed = REAL in (first, second)
    if isinstance(op, ast.Div):
        if not mixed:
            raise refused(
                scope.path, node, "two whole numbers: single on a board, double on a computer"
            )
        return f"divided({as_real(a, first)}, {as_real(b, second)})", REAL
    if type(op) in ADDED:
        if mixed:
            a, b = as_real(a, first), as_real(b, second)
        return f"({a} {ADDED[type(op)]} {b})", REAL if mixed else WHOLE
    if mixed:
        raise refused(scope.path, node, "is for whole numbers only")
    if isinstance(op, ast.FloorDiv):
        return f"floor_divided({a}, {b})", WHOLE
    if isinstance(op, ast.Mod):
        return f"floor_rest({a}, {b})", WHOLE
    if type(op) in OF_WHOLE:
        return f"({a} {OF_WHOLE[type(op)]} {b})", WHOLE
    raise refused(scope.path, node, "is not in the language")


def unary(scope: "Scope", node: ast.UnaryOp) -> Typed:
    """Minus, not, and the complement of a whole number."""
    if isinstance(node.op, ast.Not):
        return f"(!{truth(scope, node.operand)})", TRUTH
    code, kind = expression(scope, node.operand)
    if isinstance(node.op, ast.USub) and is_number(kind):
        return f"(-{code})", kind
    if isinstance(node.op, ast.Invert) and kind == WHOLE:
        return f"(~{code})", kind
    raise refused(scope.path, node, "is not in the language")


def compare(scope: "Scope", node: ast.Compare) -> Typed:
    """A comparison, or a chain of them."""
    parts, left = [], node.left
    for number, (op, right) in enumerate(zip(node.ops, node.comparators, strict=True)):
        if number and any(isinstance(one, ast.Call) for one in ast.walk(left)):
            raise refused(
                scope.path, node, "give the middle of the chain a name: it would be called twice"
            )
        parts.append(pair(scope, node, left, op, right))
        left = right
    return ("(" + " && ".join(parts) + ")" if len(parts) > 1 else parts[0]), TRUTH


def pair(scope: "Scope", node: ast.Compare, left: ast.expr, op: ast.cmpop, right: ast.expr) -> str:
    """One comparison."""
    (a, first), (b, second) = expression(scope, left), expression(scope, right)
    if isinstance(op, ast.Is | ast.IsNot):
        if (first, second) != (NAME, NAME) or b != "0":
            raise refused(scope.path, node, "`is` asks only whether a setting's name is None")
        return f"({a} {'!=' if isinstance(op, ast.IsNot) else '=='} 0)"
    plain = (REAL, WHOLE, TRUTH)
    if type(op) not in COMPARED or first not in plain or second not in plain:
        raise refused(scope.path, node, f"compares {first} with {second}")
    if REAL in (first, second):
        a, b = as_real(a, first), as_real(b, second)
    return f"({a} {COMPARED[type(op)]} {b})"


def choice(scope: "Scope", node: ast.IfExp) -> Typed:
    """``a if condition else b``."""
    condition = truth(scope, node.test)
    (a, first), (b, second) = expression(scope, node.body), expression(scope, node.orelse)
    if first != second:
        if not (is_number(first) and is_number(second)):
            raise refused(scope.path, node, f"is {first} or {second}")
        a, b, first = as_real(a, first), as_real(b, second), REAL
    return f"({condition} ? {a} : {b})", first


def call(scope: "Scope", node: ast.Call) -> Typed:
    """A call: a root, a change of type, or another function of the language."""
    if node.keywords or any(isinstance(one, ast.Starred) for one in node.args):
        raise refused(scope.path, node, "arguments stand in their order")
    own = node.func.id if isinstance(node.func, ast.Name) else ""
    if own in ("sqrt", "int", "float", "bool") and len(node.args) == 1:
        code, kind = expression(scope, node.args[0])
        if own == "bool":
            return f"({truth(scope, node.args[0])} != 0)", TRUTH
        if not is_number(kind) and kind != TRUTH:
            raise refused(scope.path, node, f"of a {kind}")
        if own == "sqrt":
            return f"root({as_real(code, kind)})", REAL
        return (f"((int32_t)({code}))", WHOLE) if own == "int" else (f"((float)({code}))", REAL)
    ranged = scope.unit.range_checked(scope, node)
    if ranged is not None:
        code, kind = expression(scope, node.args[0])
        return f"{ranged}({code})", NAME
    made = [expression(scope, one) for one in node.args]
    function = scope.unit.function(scope, node, [kind for _, kind in made])
    if len(made) != len(function.arguments):
        raise refused(scope.path, node, f"takes {len(function.arguments)} arguments")
    given = []
    for one, (code, kind), (_, wanted) in zip(node.args, made, function.arguments, strict=True):
        if wanted == REAL and kind == WHOLE:
            code = as_real(code, kind)
        elif wanted != kind and {wanted, kind} != {WHOLE, TRUTH}:
            raise refused(scope.path, one, f"is {kind} where {wanted} is taken")
        given.append(code)
    return f"{function.c_name}({', '.join(given)})", function.returns
