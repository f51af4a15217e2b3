"""Files that people write, held against declarations: everything that is wrong at once.

A declaration is a ``Table`` (pydantic); what stands with a unit is a ``Quantity``. A misspelt key
is answered with the nearest one; ``json_schema`` makes of a declaration what editors check with.
"""

import contextlib
import difflib
import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, ClassVar, TypeVar, get_args

from pydantic import BaseModel, ConfigDict, ValidationError
from pydantic_core import core_schema

from sim import units
from sim.errors import InputError, together

ABOVE_ZERO = 1e-30
"""Low end of a range that excludes zero."""
FEW = 6
"""Words of which all are told at once."""


@dataclass(frozen=True)
class Quantity:
    """Marks a float that is read from text with a unit, allowed in [low, high]; unit "1": without."""

    unit: str
    example: str
    low: float
    high: float

    def read(self, value: object) -> float:
        """Return the SI number of ``value``; ValueError says what is allowed."""
        if self.unit == "1":
            number = self._bare(value)
        else:
            number = units.parse(value, self.unit, self.example)
        if not self.low <= number <= self.high:
            low = "more than 0" if self.low == ABOVE_ZERO else f"at least {self._said(self.low)}"
            raise ValueError(f"must be {low} and at most {self._said(self.high)}")
        return number

    def _said(self, limit: float) -> str:
        """A limit as people read it: angles in degrees."""
        if self.unit.startswith("rad") and self.unit != "rad/count":
            return f"{limit / units.DEG:.4g} {self.unit.replace('rad', 'deg', 1)}"
        return f"{limit:g}" + ("" if self.unit == "1" else f" {self.unit}")

    def _bare(self, value: object) -> float:
        try:
            if isinstance(value, str):
                return float(value)
        except ValueError:
            pass
        raise ValueError(f'needs a number in quotes such as "{self.example}"')

    def __get_pydantic_core_schema__(self, source: Any, handler: Any) -> Any:
        return core_schema.no_info_plain_validator_function(self.read)

    def __get_pydantic_json_schema__(self, schema: Any, handler: Any) -> dict[str, Any]:
        return {"type": "string", "examples": [self.example]}


class Table(BaseModel):
    """Base of every table of a file: unknown keys are refused."""

    model_config = ConfigDict(extra="forbid", validate_default=False)

    renamed: ClassVar[dict[str, str]] = {}
    """Keys and words of before, and what they are called now."""


M = TypeVar("M", bound=BaseModel)


def read(model: type[M], tables: object, name: str, prefix: str = "") -> M:
    """Return what a file's tables say. Raises InputError with all that is wrong in them.

    prefix: key of the table that ``tables`` is, with a point; nothing for the whole file.
    """
    try:
        return model.model_validate(tables)
    except ValidationError as error:
        raise together([
            _told(model, tables, one, name, prefix) for one in error.errors(include_url=False)
        ]) from None  # fmt: skip


@contextlib.contextmanager
def of_file(name: str) -> Iterator[None]:
    """Put the file's name into an InputError that was raised where nobody knows of files."""
    try:
        yield
    except InputError as error:
        for one in error.all:
            one.file = one.file or name
        raise


_LIMITS = {
    "greater_than_equal": ("at least", "ge"), "less_than_equal": ("at most", "le"),
    "greater_than": ("more than", "gt"), "less_than": ("less than", "lt"),
}  # fmt: skip
_TYPES = {
    "string_type": "must be text in quotes", "bool_type": "must be true or false",
    "bool_parsing": "must be true or false", "list_type": "must be a list", "tuple_type": "must be a list",
    "dict_type": "must be a table", "model_type": "must be a table", "int_type": "must be a whole number",
    "model_attributes_type": "must be a table", "int_parsing": "must be a whole number",
    "int_from_float": "must be a whole number", "int_parsing_size": "must be a whole number, and smaller",
    "float_type": "must be a number", "float_parsing": "must be a number", "finite_number": "must be a finite number",
}  # fmt: skip


def _told(model: type[BaseModel], tables: object, wrong: Any, name: str, prefix: str) -> InputError:
    """One complaint of the schema in our words."""
    kind, value, context = wrong["type"], wrong.get("input"), wrong.get("ctx", {})
    place = _place(tables, wrong["loc"], kind == "missing")
    own = _variants(model, wrong["loc"][:-1])[0]
    key = prefix + ".".join(map(str, place))
    if kind == "extra_forbidden":
        return InputError(
            name, key, value, _unknown("unknown key", place[-1], list(own.model_fields), own)
        )
    if kind == "missing":
        return InputError(
            name, key, None, "is missing; " + _hint(own.model_fields.get(wrong["loc"][-1]))
        )
    if kind == "value_error":
        return InputError(name, key, value, str(context["error"]))
    if kind == "literal_error":
        allowed = re.findall(r"'([^']*)'", context["expected"])
        known = len(allowed) < FEW and value not in own.renamed
        said = (
            "must be " + context["expected"] if known else _unknown("unknown", value, allowed, own)
        )
        return InputError(name, key, value, said)
    if kind in ("union_tag_invalid", "union_tag_not_found"):
        tag = context["discriminator"].strip("'")
        given = value.get(tag) if isinstance(value, dict) else None
        variants = _variants(model, wrong["loc"])
        allowed = [word for one in variants for word in get_args(one.model_fields[tag].annotation)]
        said = "is missing; one of " + ", ".join(allowed)
        if given is not None:
            said = _unknown("unknown", given, allowed, variants[0])
        return InputError(name, f"{key}.{tag}", given, said)
    if isinstance(value, dict):
        value = None
    if kind in _LIMITS:
        word, limit = _LIMITS[kind]
        return InputError(name, key, value, f"must be {word} {context[limit]:g}")
    text = _TYPES.get(
        kind, wrong["msg"].replace("Input should", "must").replace("String should", "must")
    )
    return InputError(name, key, value, text[0].lower() + text[1:])


def _unknown(what: str, given: object, allowed: list[str], table: Any) -> str:
    """What to say of a key or a word that is not known: renamed, misspelt, or what is allowed."""
    new = table.renamed.get(given) if isinstance(given, str) else None
    if new is not None:
        return f"was renamed to {new}; `jointloop migrate` rewrites the file"
    return f"{what}; {nearest(str(given), allowed)}"


def nearest(given: str, known: list[str]) -> str:
    """What to say of a word that is not known: the nearest one, and all that are allowed."""
    near = difflib.get_close_matches(given, known, 1)
    return (f'did you mean "{near[0]}"? ' if near else "") + "allowed: " + ", ".join(known)


def _place(tables: object, loc: tuple, missing: bool) -> list[str | int]:
    """Where in the file something is: of a complaint's place what stands in the tables.

    (The names of variants and of validators that the schema puts in between do not.)
    """
    found: list[str | int] = []
    node = tables
    for k, one in enumerate(loc):
        inside = one in node if isinstance(node, dict) else (
            isinstance(node, list) and isinstance(one, int) and one < len(node)
        )  # fmt: skip
        if inside:
            node = node[one]  # type: ignore[index]
        elif not (missing and k == len(loc) - 1):
            continue
        found.append(one)
    return found


def _variants(model: Any, loc: tuple) -> list[Any]:
    """The tables that a place is of: one, or the variants of a list's entry."""
    found = [model]
    for one in loc:
        inner = [
            list(_tables(table.model_fields[one].annotation))
            for table in found
            if one in table.model_fields
        ]
        tagged = [table for table in found if any(
            one in get_args(field.annotation) for field in table.model_fields.values())]  # fmt: skip
        found = next((tables for tables in inner if tables), tagged or found)
    return found


def _tables(annotation: Any) -> Iterator[Any]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for one in get_args(annotation):
        yield from _tables(one)


def _hint(field: Any) -> str:
    """What to write where a key is missing."""
    for one in field.metadata if field is not None else ():
        if isinstance(one, Quantity):
            return f'for example "{one.example}"'
    examples = getattr(field, "examples", None)
    return f"for example {examples[0]}" if examples else "see `jointloop new`"


def json_schema(model: type[BaseModel], title: str) -> dict[str, Any]:
    """The declaration as a JSON schema (draft 2020-12), for editors."""
    made = model.model_json_schema()
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **made, "title": title}
