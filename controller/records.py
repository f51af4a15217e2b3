"""How a record is declared: once, in order, with unit, default and range.

A record is a class whose fields are class-level calls::

    class Gains(Record):
        kp = real(40.0, "V/rad", 0.0, 400.0)
        "Proportional gain."

From this one declaration come the plain object used on the board, the NumPy
dtype of batch simulation, the packed table on the wire and the tables of the
documentation. The string below a field is its meaning: it costs the board
nothing, because a bare string is dropped by the compiler, and the host reads
it from the source. The order is kept by a counter, because dictionaries on
MicroPython have none.
"""

from controller.portable import const

REAL = const(0)
INTEGER = const(1)
TABLE = const(2)
PART = const(3)

_HUGE = 3.0e38  # just below the largest single-precision number


class Field:
    """One declared field: kind, default, unit, closed range, size, class.

    An instance keeps only what differs from these defaults: a field then costs
    a board a third of the memory.
    """

    made = 0
    kind = REAL
    default = 0.0
    unit = "1"
    low = -_HUGE
    high = _HUGE
    size = 1
    of = None

    def __init__(self, kind, default, unit, low, high, size=1, of=None):
        given = (
            ("kind", kind), ("default", default), ("unit", unit), ("low", low), ("high", high),
            ("size", size), ("of", of),
        )  # fmt: skip
        for name, value in given:
            usual = getattr(self, name)
            if value != usual or type(value) is not type(usual):
                setattr(self, name, value)
        self.order = Field.made
        Field.made += 1

    def fresh(self):
        """Return a new default value (an object of its own for a part)."""
        if self.kind == PART:
            return self.of()
        if self.kind == TABLE:
            return [self.default] * self.size
        return self.default


class Whole(Field):
    """A whole number: its own usual values, so that an instance keeps less."""

    kind = INTEGER
    default = 0
    low = -(2**31)
    high = 2**31 - 1


def real(default, unit="1", low=-_HUGE, high=_HUGE):
    """Declare a real number in ``unit`` (SI), allowed in [low, high]."""
    return Field(REAL, default, unit, low, high)


def integer(default, unit="1", low=-(2**31), high=2**31 - 1):
    """Declare a whole number, allowed in [low, high]."""
    return Whole(INTEGER, default, unit, low, high)


def table(size, unit="1", low=-_HUGE, high=_HUGE):
    """Declare ``size`` real numbers in ``unit``, zero at first."""
    return Field(TABLE, 0.0, unit, low, high, size)


def part(of):
    """Declare a nested record of class ``of``."""
    return Field(PART, None, "", 0, 0, 1, of)


class Record:
    """Base of every record: an instance starts at its defaults."""

    def __init__(self):
        for name, field in fields(type(self)):
            setattr(self, name, field.fresh())


_known = {}


def fields(of):
    """Return the fields of record class ``of`` as (name, Field), in order."""
    found = _known.get(of)
    if found is None:
        found = []
        for name in of.__dict__:
            field = of.__dict__[name]
            if isinstance(field, Field):
                found.append((field.order, name, field))
        found.sort(key=lambda row: row[0])
        found = [(name, field) for _, name, field in found]
        _known[of] = found
    return found


def leaves(of, prefix=""):
    """Return (dotted name, Field) of every number in ``of``, depth first."""
    rows = []
    for name, field in fields(of):
        if field.kind == PART:
            rows += leaves(field.of, prefix + name + ".")
        else:
            rows.append((prefix + name, field))
    return rows


def get(record, dotted):
    """Return the value at a dotted name such as ``"gains.kp"``."""
    for name in dotted.split("."):
        record = getattr(record, name)
    return record


def put(record, dotted, value):
    """Set the value at a dotted name such as ``"gains.kp"``."""
    names = dotted.split(".")
    for name in names[:-1]:
        record = getattr(record, name)
    setattr(record, names[-1], value)


def copy(source, target):
    """Copy every number of ``source`` into ``target`` (same record class)."""
    for name, field in fields(type(source)):
        value = getattr(source, name)
        if field.kind == PART:
            copy(value, getattr(target, name))
        elif field.kind == TABLE:
            setattr(target, name, list(value))
        else:
            setattr(target, name, value)


def out_of_range(record):
    """Return the dotted name of the first value outside its range, or None.

    A value that is not a number fails every comparison and is found too.
    """
    for name, field in leaves(type(record)):
        value = get(record, name)
        values = value if field.kind == TABLE else (value,)
        for one in values:
            if not field.low <= one <= field.high:
                return name
    return None
