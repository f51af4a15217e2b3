"""Spoiled joint files: whatever is done to the text, the answer is a joint or an InputError."""

import re
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

import host
from sim.errors import InputError
from sim.joint.spread import spread_of
from sim.reading import parse_toml
from sim.run.closed_loop import joint_of, load_joint

TEXT = (Path(host.__file__).parent / "demo" / "joint.toml").read_text(encoding="utf-8")
NUMBERS = [one.span() for one in re.finditer(r"\d+\.?\d*(?:e-?\d+)?", TEXT)]
LINES = TEXT.split("\n")
WORDS = (
    "nan inf -1 0 1e308 1e-308 1e999 \" ''' [ ] { } = . , # true - deg mm µ é 1979-05-27 \\u % "
    "pair spring_return direct continuous pulse builtin * / ^2 ("
)
PIECES = st.sampled_from([*WORDS.split(" "), " ", "\n", "\0", "9" * 30])
VALUES = st.sampled_from(
    ["0", "1e-9", "1e9", "-1", "nan", "1e308", "1e-30", "inf", "1e5", "1e3", "0.1", "1e-3", "1,5"]
)
PLACE = st.integers(0, len(TEXT))
CHANGE = st.one_of(
    st.tuples(st.just("cut"), PLACE, st.integers(1, 12)),
    st.tuples(st.just("insert"), PLACE, st.one_of(PIECES, st.text(max_size=4))),
    st.tuples(st.just("copy"), PLACE, st.tuples(PLACE, st.integers(1, 30))),
    st.tuples(st.just("number"), st.integers(0, len(NUMBERS) - 1), VALUES),
    st.tuples(st.just("line away"), st.integers(0, len(LINES) - 1), st.none()),
    st.tuples(st.just("line twice"), st.integers(0, len(LINES) - 1), PLACE),
)


def spoiled(text, change):
    kind, at, what = change
    if kind == "cut":
        return text[:at] + text[at + what :]
    if kind == "insert":
        return text[:at] + what + text[at:]
    if kind == "copy":
        return text[:at] + text[what[0] : what[0] + what[1]] + text[at:]
    if kind == "number":
        first, last = NUMBERS[at]
        return text[:first] + what + text[last:]
    lines = text.split("\n")
    at %= len(lines)
    if kind == "line away":
        return "\n".join(lines[:at] + lines[at + 1 :])
    where = what % len(lines)
    return "\n".join([*lines[:where], lines[at], *lines[where:]])


def answer(make):
    """The InputError of a call, or None; anything else goes through."""
    try:
        make()
    except InputError as error:
        return error
    return None


def test_the_text_itself_is_a_joint():
    assert joint_of(parse_toml(TEXT, "demo"), "demo").part.supply_V == 5.0


@settings(deadline=None, database=None, derandomize=True, max_examples=2500)
@given(st.lists(CHANGE, min_size=1, max_size=3))
def test_a_spoiled_file_gives_a_joint_or_one_line_that_says_why(changes):
    text = TEXT
    for change in changes:
        text = spoiled(text, change)

    def read():
        joint = joint_of(parse_toml(text, "spoiled.toml"), "spoiled.toml")
        spread_of(joint.file)

    error = answer(read)
    if error is not None:
        assert str(error).startswith("spoiled.toml: ")
        assert error.allowed


@settings(deadline=None, database=None, derandomize=True, max_examples=300)
@given(st.binary(max_size=60))
def test_any_bytes_are_refused_by_name(tmp_path_factory, data):
    path = tmp_path_factory.getbasetemp() / "any.toml"
    path.write_bytes(data)
    error = answer(lambda: load_joint(path))
    assert error is not None  # no bytes make a joint by chance
    assert error.file == str(path)
