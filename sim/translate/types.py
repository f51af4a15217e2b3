"""Types of the translated language, and the C that stands for them."""

import ast

REAL, WHOLE, TRUTH, NAME, NOTHING = "float", "int", "bool", "str | None", "None"
ANY = "Any"
"""Whatever record has the fields: the function is written once for each that it is called with."""
ROW = "row"
"""A table of a record: its first number's address."""

_IN_C = {REAL: "float", WHOLE: "int32_t", TRUTH: "int32_t", NAME: "int32_t", NOTHING: "void", ROW: "float *"}  # fmt: skip


def in_c(kind: str) -> str:
    """The C type of a value; records go by address."""
    return _IN_C.get(kind, f"{kind} *")


def is_number(kind: str) -> bool:
    """Tell whether arithmetic is defined."""
    return kind in (REAL, WHOLE)


def annotated(node: "ast.expr | None") -> str:
    """The type that an annotation names; quotes do not matter. Raises ValueError."""
    if node is None:
        raise ValueError("has no type")
    text = node.value if isinstance(node, ast.Constant) and isinstance(node.value, str) else ast.unparse(node)  # fmt: skip
    return ROW if text in ("list[float]", "Row") else text


def as_real(code: str, kind: str) -> str:
    """A value's C as a float."""
    return code if kind == REAL else f"(float)({code})"
