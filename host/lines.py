"""Where in a text a key stands: line numbers for what is said about TOML and JSON files."""

import json
import re
from collections.abc import Iterator
from contextlib import suppress
from json.decoder import scanstring  # type: ignore[attr-defined]
from pathlib import Path

from sim.errors import InputError

Place = tuple[str, ...]
_HEADER = re.compile(r"^\s*(\[\[?)\s*([^\]]+?)\s*\]\]?\s*(?:#.*)?$")
_PART = r'(?:[A-Za-z0-9_-]+|"[^"]*"|\'[^\']*\')'
_KEY = re.compile(rf"^\s*({_PART}(?:\s*\.\s*{_PART})*)\s*=(.*)$")
_STRING = re.compile(r'"(?:[^"\\]|\\.)*"|\'[^\']*\'')


def told(error: InputError) -> str:
    """An error's lines, each with the number of the line in the file where its key stands."""
    return "\n".join(one.line(line_of(one.file, one.key)) for one in error.all)


def line_of(file: str, key: str) -> int | None:
    """Line (from 1) of a dotted key in a file, or of the table it belongs to; None where unknown."""
    if not file or not key:
        return None
    try:
        text = Path(file).read_text(encoding="utf-8-sig")
    except (OSError, ValueError):
        return None
    found: dict[Place, int] = {}
    with suppress(ValueError, IndexError, RecursionError):  # what was read before stays
        for place, line in _json(text) if file.endswith(".json") else _toml(text):
            found.setdefault(place, line)
    place = tuple(key.split("."))
    while place and place not in found:
        place = place[:-1]
    return found.get(place)


def _parts(key: str) -> Place:
    return tuple(one.strip("\"'") for one in re.findall(_PART, key))


def _toml(text: str) -> Iterator[tuple[Place, int]]:
    """Every key and table of a TOML text with its line; tables of a list by number and by name."""
    table: Place = ()
    count: dict[Place, int] = {}
    names: dict[Place, Place] = {}
    depth = 0
    for number, line in enumerate(text.split("\n"), 1):
        bare = _STRING.sub("", line).split("#")[0]
        if depth > 0:
            depth += _opened(bare)
            continue
        header, key = _HEADER.match(line), _KEY.match(line)
        if header is not None:
            table = _inside(_parts(header[2]), count)
            if header[1] == "[[":
                count[table] = count.get(table, -1) + 1
                table = (*table, str(count[table]))
            yield table, number
        elif key is not None:
            depth = max(_opened(bare), 0)
            place = (*table, *_parts(key[1]))
            yield place, number
            if key[1] == "name" and table and table[-1].isdecimal():
                names[table] = (*table[:-1], key[2].split("#")[0].strip().strip("\"'"))
                yield names[table], number
        for mine, called in names.items():
            if table[: len(mine)] == mine and (key is not None or header is not None):
                yield (
                    (*called, *table[len(mine) :], *(_parts(key[1]) if key is not None else ())),
                    number,
                )


def _opened(bare: str) -> int:
    return sum(bare.count(one) for one in "[{") - sum(bare.count(one) for one in "]}")


def _inside(parts: Place, count: dict[Place, int]) -> Place:
    """A table's place, with the number of the list's entry that it lies in."""
    place: Place = ()
    for k, one in enumerate(parts):
        place = (*place, one)
        if place in count and k < len(parts) - 1:
            place = (*place, str(count[place]))
    return place


def _json(text: str, at: int = 0, place: Place = ()) -> Iterator[tuple[Place, int]]:
    """Every key and entry of a JSON text with its line."""
    yield from _json_value(text, [at], place)


def _json_value(text: str, at: list[int], place: Place) -> Iterator[tuple[Place, int]]:
    """One value from ``at`` on, which is moved behind it."""
    at[0] = _skipped(text, at[0])
    yield place, text.count("\n", 0, at[0]) + 1
    opening = text[at[0]]
    if opening not in "{[":
        at[0] = json.JSONDecoder().raw_decode(text, at[0])[1]
        return
    number = 0
    at[0] = _skipped(text, at[0] + 1)
    while text[at[0]] not in "}]":
        name = str(number)
        if opening == "{":
            name, end = scanstring(text, at[0] + 1, True)
            yield (*place, name), text.count("\n", 0, at[0]) + 1
            at[0] = _skipped(text, end) + 1  # the colon
        yield from _json_value(text, at, (*place, name))
        at[0] = _skipped(text, at[0])
        at[0] = _skipped(text, at[0] + 1) if text[at[0]] == "," else at[0]
        number += 1
    at[0] += 1


def _skipped(text: str, at: int) -> int:
    while text[at] in " \t\r\n":
        at += 1
    return at
