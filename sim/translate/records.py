"""Records as C structs of four-octet cells, in the order of the packed table (``controller/wire/table.py``)."""

from controller.records import INTEGER, PART, TABLE, Field, Record, fields, leaves
from sim.translate.types import REAL, ROW, WHOLE

KEYWORDS = frozenset(
    [
        "auto",
        "break",
        "case",
        "char",
        "const",
        "continue",
        "default",
        "do",
        "double",
        "else",
        "enum",
        "extern",
        "float",
        "for",
        "goto",
        "if",
        "inline",
        "int",
        "long",
        "register",
        "restrict",
        "return",
        "short",
        "signed",
        "sizeof",
        "static",
        "struct",
        "switch",
        "typedef",
        "union",
        "unsigned",
        "void",
        "volatile",
        "while",
    ]
)


def known(*roots: type[Record]) -> dict[str, type[Record]]:
    """Every record class that ``roots`` are made of, parts before what holds them."""
    found: dict[str, type[Record]] = {}

    def take(record: type[Record]) -> None:
        for _, field in fields(record):
            if field.kind == PART:
                take(field.of)
        found.setdefault(record.__name__, record)

    for root in roots:
        take(root)
    return found


def field_type(field: Field) -> str:
    """The type of a field's value."""
    if field.kind == PART:
        return str(field.of.__name__)
    if field.kind == TABLE:
        return ROW
    return WHOLE if field.kind == INTEGER else REAL


def struct(record: type[Record]) -> str:
    """A record's C struct."""
    lines = []
    for name, field in fields(record):
        if name in KEYWORDS:
            raise ValueError(f"{record.__name__}.{name} is a word of C")
        if field.kind == PART:
            lines.append(f"    {field.of.__name__} {name};")
        elif field.kind == TABLE:
            lines.append(f"    float {name}[{field.size}];")
        else:
            lines.append(f"    {'int32_t' if field.kind == INTEGER else 'float'} {name};")
    return "\n".join(["typedef struct {", *lines, f"}} {record.__name__};"])


def place_of(record: type[Record], dotted: str) -> int:
    """The number of a setting among all of a record, from 1 on. Raises ValueError."""
    return [name for name, _ in leaves(record)].index(dotted) + 1


def range_check(record: type[Record]) -> str:
    """A C function: the number of the first value outside its declared range, 0 where none is."""
    from sim.translate.numbers import real, whole

    lines = [f"static int32_t {record.__name__}_out_of_range(const {record.__name__} *r) {{"]
    for number, (name, field) in enumerate(leaves(record), 1):
        low, high = real(field.low), real(field.high)
        if field.kind == INTEGER:
            low, high = whole(int(field.low)), whole(int(field.high))
        if field.kind == TABLE:
            lines.append(f"    for (int32_t k = 0; k < {field.size}; k++)")
            test = f"r->{name}[k]"
            lines.append(f"        if (!({test} >= {low} && {test} <= {high})) return {number};")
        else:
            lines.append(f"    if (!(r->{name} >= {low} && r->{name} <= {high})) return {number};")
    return "\n".join([*lines, "    return 0;", "}"])
