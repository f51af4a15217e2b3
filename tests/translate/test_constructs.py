"""Each construct of the language by itself: the C answers as Python does, to the bit."""

import ctypes
import itertools
import math

import numpy as np
import pytest

from controller.records import Record, integer, out_of_range, part, real, table
from sim.translate import library
from sim.translate.program import translate


class Inner(Record):
    """A part."""

    x = real(1.5, "m", -10.0, 10.0)
    n = integer(3, "1", -5, 5)


class Outer(Record):
    """A record with a part and a table."""

    inner = part(Inner)
    values = table(4, "V", -2.0, 2.0)
    k = integer(0, "1", 0, 100)
    y = real(0.25, "s", 0.0, 1.0)


HEAD = "from math import sqrt\nROW = (3, 1, 4, 1, 5)\nSTEPS = (0.5, 0.25)\nHALF = 0.5\nMANY = 7\n\n"
WHOLES = [-7, -3, -2, -1, 0, 1, 2, 3, 5, 9]
REALS = [
    np.float32(x) for x in (-3.7, -1.0, -0.0, 0.0, 1e-42, -1e-40, 0.1, 0.7, 1.0, 2.5, 1e9, 3.0e38)
]


def compiled(module, arguments, result="float"):
    """The function ``f`` of a module as C, called by plain numbers."""
    unit = translate([Outer], [module.f])
    own = next(one for one in unit.functions.values() if one.node.name == "f")
    kinds = {
        "float": ("float", ctypes.c_float),
        "int": ("int32_t", ctypes.c_int32),
        "bool": ("int32_t", ctypes.c_int32),
    }
    given = ", ".join(f"{kinds[kind][0]} a{k}" for k, kind in enumerate(arguments))
    passed = ", ".join(f"a{k}" for k in range(len(arguments)))
    text = (
        f"{unit.text()}\n{kinds[result][0]} entry({given}) {{ return {own.c_name}({passed}); }}\n"
    )
    found = library.compiled(text)
    found.entry.argtypes = [kinds[kind][1] for kind in arguments]
    found.entry.restype = kinds[result][1]
    return found.entry


def same(a, b):
    """Equal to the bit; a nan is a nan."""
    if math.isnan(a) or math.isnan(b):
        return math.isnan(a) and math.isnan(b)
    return np.float32(a).tobytes() == np.float32(b).tobytes()


OF_WHOLES = {
    "floor division": "return a // b if b != 0 else 0",
    "floor rest": "return a % b if b != 0 else 0",
    "bits": "return (a & b) | (a ^ 5) + (~b) + (a << 2) + (b >> 1)",
    "chain": "return 1 if -2 <= a < b else 0",
    "chain of sums": "return 1 if 0 < a + b <= 4 != a else 0",
    "row": "return ROW[a % 5] + MANY",
    "count": "n = 0\n    for k in range(a, b):\n        if k == 2:\n            continue\n        n += k * k\n    return n",
    "count from zero": "n = 0\n    for _ in range(b):\n        n += a\n    return n",
    "count is left as it was": "k = 100\n    for k in range(3):\n        pass\n    return k + a + b",
    "a loop may change its count": "n = 0\n    for k in range(6):\n        n += k\n        k += 3\n    return n + a + b",
    "while": "while a < b:\n        a += 2\n        if a == 3:\n            break\n    return a",
    "several at once": "x, y = a, b\n    return x * 10 + y",
    "elif": "if a < b:\n        return 1\n    elif a == b:\n        return 2\n    else:\n        return 3",
    "truth": "return 1 if (a and not b) or (a < 0 and b > 0) else 0",
    "truth kept": "found = a < b\n    found = found and a > -3\n    return 1 if found else 0",
    "minus": "return -a - -b",
}  # fmt: skip


@pytest.mark.parametrize("name", OF_WHOLES)
def test_whole_numbers(written, name):
    module = written(f"{HEAD}def f(a: int, b: int) -> int:\n    {OF_WHOLES[name]}\n")
    entry = compiled(module, ["int", "int"], "int")
    for a, b in itertools.product(WHOLES, WHOLES):
        assert entry(a, b) == int(module.f(a, b)), (a, b)


OF_REALS = {
    "sum": "return a + b - HALF",
    "product": "return a * b * 3.0",
    "quotient": "return a / b if b != 0.0 else 0.0",
    "literals": "return a * 0.1 + 1e-3 * b + 234.5",
    "root": "return sqrt(a if a > 0.0 else -a)",
    "choice": "return a if a > b else b",
    "whole beside real": "n = 3\n    return n * a + b / n",
    "whole part": "return a - int(a) if -1e6 < a < 1e6 else b",
    "row": "return STEPS[1] * a + STEPS[0] * b",
    "minus zero": "return -a",
    "in place": "a += b\n    a *= 0.5\n    a -= 1.0\n    a /= 3.0\n    return a",
    "compare": "return 1.0 if a <= b else (2.0 if a == b else 3.0)",
}


@pytest.mark.parametrize("name", OF_REALS)
def test_real_numbers_of_single_precision(written, name):
    """NumPy 2 keeps single precision beside plain literals, as a board does."""
    module = written(f"{HEAD}def f(a: float, b: float) -> float:\n    {OF_REALS[name]}\n")
    module.sqrt = np.sqrt
    entry = compiled(module, ["float", "float"])
    with np.errstate(all="ignore"):
        for a, b in itertools.product(REALS, REALS):
            assert same(entry(a, b), module.f(a, b)), (a, b)


def soft():
    """What a chip without floating point computes: root and division of the runtime, on this computer."""
    head = library.text().split("typedef")[0]
    text = f"#define SOFT_FLOAT\n{head}\nfloat soft_root(float x) {{ return root(x); }}\n"
    found = library.compiled(
        text + "float soft_divided(float x, float y) { return divided(x, y); }\n"
    )
    found.soft_root.argtypes, found.soft_root.restype = [ctypes.c_float], ctypes.c_float
    found.soft_divided.argtypes, found.soft_divided.restype = [ctypes.c_float] * 2, ctypes.c_float
    return found


def test_the_soft_root_is_exactly_rounded():
    """Every kind of exponent, denormal numbers and numbers beside a square (IEEE 754-2008, 5.4.1)."""
    entry = soft().soft_root
    random = np.random.default_rng(3)
    bits = random.integers(0, 0x7F800001, 200_000, dtype=np.uint32)
    squares = np.float32(np.arange(1, 4000)) ** 2
    near = [np.nextafter(squares, np.float32(side)) for side in (0.0, np.inf)]
    small = np.arange(0, 3000, dtype=np.uint32).view(np.float32)
    for x in np.concatenate([bits.view(np.float32), squares, *near, small]):
        assert same(entry(x), np.sqrt(x)), x
    assert same(entry(-0.0), -0.0)
    assert math.isnan(entry(-1.0))


def test_the_soft_division_is_exactly_rounded():
    """Any two numbers, results that are denormal or just not, ties, and what is no number (IEEE 754-2008, 5.4.1)."""
    entry = soft().soft_divided
    random = np.random.default_rng(4)
    any_bits = random.integers(0, 2**32, (150_000, 2), dtype=np.uint32).view(np.float32)
    high = random.integers(0x00000001, 0x02000000, 60_000, dtype=np.uint32).view(np.float32)
    by = random.integers(0x3F000000, 0x4B000000, 60_000, dtype=np.uint32).view(np.float32)
    small = np.arange(1, 400, dtype=np.uint32).view(np.float32)
    halves = np.array([(x, y) for x in small for y in np.float32((0.5, 2.0, 4.0, 3.0, -1.0))])
    special = np.float32((0.0, -0.0, np.inf, -np.inf, np.nan, 1.0, 3.0e38, 1e-45, 1.2e-38))
    pairs = np.array([(x, y) for x in special for y in special])
    with np.errstate(all="ignore"):
        for x, y in np.concatenate([any_bits, np.stack([high, by], 1), halves, pairs]).astype(
            np.float32
        ):
            assert same(entry(x, y), x / y), (x, y)


RECORDS = (
    HEAD
    + """
def inner(p: "Inner", by: float) -> None:
    p.x += by
    p.n = p.n + 1 if p.x > 2.0 else 0


def f(o: "Outer", by: float) -> float:
    part = o.inner
    inner(part, by)
    for k in range(4):
        o.values[k] = o.values[k] * 0.5 + k
    o.values[o.k] += o.y
    total = 0.0
    for k in range(4):
        total += o.values[k]
    return total + part.x * part.n
"""
)


def test_records_and_tables_are_changed_in_place(written):
    from controller.wire.table import pack_table
    from sim.run.single_precision import single

    module = written(RECORDS)
    unit = translate([Outer], [module.f])
    name = module.__name__
    found = library.compiled(
        f"{unit.text()}\nfloat entry(Outer *o, float by) {{ return {name}_f(o, by); }}\n"
    )
    found.entry.argtypes, found.entry.restype = [ctypes.c_void_p, ctypes.c_float], ctypes.c_float
    row = np.zeros(1, library.dtype_of(Outer))
    record = single(Outer())
    record.k = 2
    row["inner"]["x"], row["inner"]["n"], row["k"], row["y"] = 1.5, 3, 2, 0.25
    for by in (0.3, 0.4, -3.0, 1e-41):
        own = found.entry(library.address(row), np.float32(by))
        assert same(own, module.f(record, np.float32(by)))
        plain = Outer()
        plain.inner.x, plain.inner.n = float(record.inner.x), record.inner.n
        plain.values, plain.k, plain.y = (
            [float(one) for one in record.values],
            record.k,
            float(record.y),
        )
        assert row.tobytes() == pack_table(plain)


@pytest.mark.parametrize(
    ("name", "value", "place"),
    [("inner.x", 10.5, 1), ("inner.n", -6, 2), ("values", [0.0, 0.0, 2.1, 0.0], 3), ("k", 101, 4), ("y", -0.1, 5),
     ("y", math.nan, 5), ("k", 100, 0), ("inner.x", -10.0, 0)],
)  # fmt: skip
def test_ranges_are_checked_as_declared(written, name, value, place):
    from controller.records import leaves, put

    module = written(
        "from controller.records import out_of_range\n\n"
        "def f(o: 'Outer') -> 'str | None':\n    found = out_of_range(o)\n    if found is not None:\n        return found\n"
        "    return 'y' if o.y > 0.9 else None\n"
    )
    unit = translate([Outer], [module.f])
    found = library.compiled(
        f"{unit.text()}\nint32_t entry(Outer *o) {{ return {module.__name__}_f(o); }}\n"
    )
    found.entry.argtypes = [ctypes.c_void_p]
    record = Outer()
    put(record, name, value)
    from controller.wire.table import pack_table

    row = np.frombuffer(pack_table(record), library.dtype_of(Outer)).copy()
    assert found.entry(library.address(row)) == place
    names = ["", *(one for one, _ in leaves(Outer))]
    assert names[place] == (out_of_range(record) or "")
    row["y"] = 0.95
    if place == 0:
        assert found.entry(library.address(row)) == 5
