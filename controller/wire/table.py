"""The settings of a joint as a packed table: cells of four octets, in order.

A cell is a little-endian float32, or int32 for a whole number. Settings travel
and are compared in this form, never as decimal text. The digest is taken over
the cells and the version of the wire.
"""

from struct import pack, unpack_from

from controller.records import INTEGER, TABLE, get, leaves, put
from controller.wire.digest import digest

MYPY = False
if MYPY:  # types are for the checker only: a board has no typing module
    from controller.records import Record

__all__ = ("cell_of", "cells", "digest", "name_of", "pack_table", "unpack_table")


def cells(record_class: "type[Record]") -> int:
    """Number of cells of a record class."""
    return sum([field.size for _, field in leaves(record_class)])


def pack_table(record: "Record") -> bytes:
    """Return the packed table of a record (bytes, four a cell)."""
    parts = []
    for name, field in leaves(type(record)):
        value = get(record, name)
        if field.kind == TABLE:
            parts += [pack("<f", one) for one in value]
        else:
            parts.append(pack("<i" if field.kind == INTEGER else "<f", value))
    return b"".join(parts)


def unpack_table(data: bytes, record: "Record") -> None:
    """Fill ``record`` from a packed table."""
    at = 0
    for name, field in leaves(type(record)):
        if field.kind == TABLE:
            values = []
            for _ in range(field.size):
                values.append(unpack_from("<f", data, at)[0])
                at += 4
            put(record, name, values)
        else:
            put(record, name, unpack_from("<i" if field.kind == INTEGER else "<f", data, at)[0])
            at += 4


def cell_of(record_class: "type[Record]", dotted: str) -> int:
    """Index of the first cell of a field; -1 for no such field."""
    at = 0
    for name, field in leaves(record_class):
        if name == dotted:
            return at
        at += field.size
    return -1


def name_of(record_class: "type[Record]", cell: int) -> "str | None":
    """Dotted name of the field that a cell belongs to; None beyond the table."""
    at = 0
    for name, field in leaves(record_class):
        at += field.size
        if cell < at:
            return name
    return None
