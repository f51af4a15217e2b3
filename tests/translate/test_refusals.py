"""What has no place in the language is refused, with file, line and reason."""

import pytest

from sim.errors import InputError
from sim.translate.language import LANGUAGE
from sim.translate.program import translate
from tests.translate.test_constructs import Outer

HEAD = "ROW = (1, 2)\nTEXT = 'word'\nfrom math import sqrt, sin\n\n"
BODIES = {
    "return a / b": "two whole numbers",
    "return [a][0]": "is no table|no row|not in the language",
    "return sum((a, b))": "not in the language",
    "return int(sin(a))": "no function of the language",
    "return a ** 2": "not in the language",
    "return a if a is b else b": "only whether a setting's name is None",
    "x = a\n    x = 1.5\n    return x": "was int and becomes float",
    "x = 1.5\n    x = a\n    return 1": "was a float",
    "return 'word'": "is no setting of Outer",
    "return 2 + 3": "two literals",
    "return max(a, b)": "no function of the language",
    "x = y = a\n    return x": "one target at a time",
    "x, y = b, a\n    y, x = x, y\n    return x": "is read that this very line changes",
    "for one in ROW:\n        a += one\n    return a": "a loop counts",
    "for k in range(0, 10, 2):\n        a += k\n    return a": "a loop counts",
    "for k in range(1.5):\n        a += k\n    return a": "whole numbers",
    "while a < b:\n        a += 1\n    else:\n        a = 0\n    return a": "not in the language",
    "try:\n        a += 1\n    except ValueError:\n        pass\n    return a": "not in the language",
    "with open('x'):\n        pass\n    return a": "not in the language",
    "assert a\n    return a": "not in the language",
    "del a\n    return b": "not in the language",
    "return (lambda: a)()": "no function of the language",
    "return ROW[0.5]": "an index is a whole number",
    "return missing": "is no number",
    "return TEXT": "is no number",
    "return f(a, b=b)": "stand in their order",
    "return f(a)": "takes 2 arguments",
    "return o.missing": "is no number",
    "return 5000000000": "does not fit 32 bits",
    "return 1 if 0 < f(a, b) < 3 else 0": "would be called twice",
    "return a and b": "returns bool, not int|bool",
    "return": "returns nothing",
    "return 1.5": "returns float, not int",
    "raise ValueError": "not in the language",
    "global ROW\n    return a": "not in the language",
}


@pytest.mark.parametrize("body", BODIES)
def test_it_is_refused_with_its_line(written, body):
    module = written(f"{HEAD}def f(a: int, b: int) -> int:\n    {body}\n")
    with pytest.raises(InputError, match=BODIES[body]) as refused:
        translate([Outer], [module.f])
    file, line = str(refused.value).split(": ")[0].rsplit(":", 1)
    assert file.endswith(".py")
    assert 5 <= int(line) <= 8


@pytest.mark.parametrize(
    ("head", "why"),
    [("def f(a: int, b: int = 3) -> int:", "plain arguments"), ("def f(*a: int) -> int:", "plain arguments"),
     ("def f(a, b) -> int:", "has no type"), ("def f(a: int, b: int):", "has no type"),
     ("def f(a: list, b: int) -> int:", "list is no type of the language")],
)  # fmt: skip
def test_a_function_needs_plain_arguments_with_types(written, head, why):
    with pytest.raises(InputError, match=why):
        translate([Outer], [written(f"{HEAD}{head}\n    return 1\n").f])


def test_a_record_that_has_no_such_field_is_named(written):
    module = written(f"{HEAD}def f(o: 'Outer') -> float:\n    return o.missing\n")
    with pytest.raises(InputError, match="Outer has no field missing"):
        translate([Outer], [module.f])


def test_the_language_is_told_construct_by_construct():
    assert len({name for name, _ in LANGUAGE}) == len(LANGUAGE)
