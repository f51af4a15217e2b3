"""Read meanings from the sources: field strings of records, fault strings.

The board never loads these texts; the host takes them from the source by
``ast`` and makes messages and tables of them.
"""

import ast
import inspect
from functools import lru_cache

from controller.joint import faults
from controller.records import PART, Record, fields


def meanings(record: type[Record]) -> dict[str, str]:
    """Return the meaning of each field of a record class, by field name."""
    tree = ast.parse(inspect.getsource(record))
    body = tree.body[0].body  # type: ignore[attr-defined]
    return dict(_pairs(body))


def _pairs(body: list[ast.stmt]) -> list[tuple[str, str]]:
    """Pair each assignment with the string that stands just below it."""
    rows = []
    for node, below in zip(body, [*body[1:], None], strict=True):
        if isinstance(node, ast.Assign) and isinstance(node.targets[0], ast.Name):
            text = ""
            if isinstance(below, ast.Expr) and isinstance(below.value, ast.Constant):
                text = str(below.value.value)
            rows.append((node.targets[0].id, text))
    return rows


@lru_cache(maxsize=1)
def fault_table() -> tuple[dict, ...]:
    """Return one row per fault: number, constant, name, cause, cure, within, alarms, category."""
    tree = ast.parse(inspect.getsource(faults))
    rows = []
    for constant, text in _pairs(tree.body):
        if text.count("|") != 4:
            continue
        name, cause, cure, within, alarms = (one.strip() for one in text.split("|"))
        number = getattr(faults, constant)
        rows.append(
            {
                "number": number,
                "constant": constant,
                "name": name,
                "cause": cause,
                "cure": cure,
                "within": within,
                "alarms": alarms,
                "category": faults.category(number),
            }
        )
    return tuple(rows)


def settings_rows(record: type[Record], prefix: str = "") -> list[dict]:
    """Return one row per setting: name, unit, default, low, high, meaning."""
    rows = []
    texts = meanings(record)
    for name, field in fields(record):
        if field.kind == PART:
            rows += settings_rows(field.of, prefix + name + ".")
        else:
            rows.append(
                {
                    "name": prefix + name,
                    "unit": field.unit,
                    "default": field.default,
                    "low": field.low,
                    "high": field.high,
                    "size": field.size,
                    "meaning": texts.get(name, ""),
                }
            )
    return rows


def constant_strings(module: object) -> dict[str, str]:
    """Return the string below each constant of a module, by the constant's name."""
    tree = ast.parse(inspect.getsource(module))  # type: ignore[arg-type]
    return {name: text for name, text in _pairs(tree.body) if text}
