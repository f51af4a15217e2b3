import math

import pytest

from controller.joint.settings.settings import Settings
from controller.joint.state import State
from controller.records import (
    INTEGER,
    PART,
    REAL,
    TABLE,
    Record,
    copy,
    fields,
    get,
    integer,
    leaves,
    out_of_range,
    part,
    put,
    real,
    table,
)


class Inner(Record):
    zeta = real(1.5, "V", -2.0, 2.0)
    alpha = integer(3, "tick", 0, 9)


class Outer(Record):
    last_in_the_alphabet = real(0.0, "rad", -1.0, 1.0)
    middle = part(Inner)
    a_row = table(3, "rad", -0.5, 0.5)
    another = part(Inner)
    count = integer(0)


def test_fields_keep_the_order_in_which_they_are_declared():
    assert [name for name, _ in fields(Outer)] == [
        "last_in_the_alphabet",
        "middle",
        "a_row",
        "another",
        "count",
    ]


@pytest.mark.parametrize(
    ("field", "kind", "default", "unit", "low", "high", "size"),
    [
        (real(0.0), REAL, 0.0, "1", -3.0e38, 3.0e38, 1),
        (real(2.5, "V", -1.0, 4.0), REAL, 2.5, "V", -1.0, 4.0, 1),
        (integer(0), INTEGER, 0, "1", -(2**31), 2**31 - 1, 1),
        (integer(1, "tick", 0, 1), INTEGER, 1, "tick", 0, 1, 1),
        (table(7, "s", 0.0, 1.0), TABLE, 0.0, "s", 0.0, 1.0, 7),
        (part(Inner), PART, None, "", 0, 0, 1),
    ],
)
def test_a_field_says_what_was_declared(field, kind, default, unit, low, high, size):
    found = (field.kind, field.default, field.unit, field.low, field.high, field.size)
    assert found == (kind, default, unit, low, high, size)
    assert type(field.default) is type(default)


def test_leaves_are_all_numbers_depth_first():
    assert [name for name, _ in leaves(Outer)] == [
        "last_in_the_alphabet",
        "middle.zeta",
        "middle.alpha",
        "a_row",
        "another.zeta",
        "another.alpha",
        "count",
    ]


def test_records_share_no_part_and_no_table():
    one, other = Outer(), Outer()
    one.middle.zeta = 0.25
    one.a_row[1] = 0.125
    assert other.middle.zeta == 1.5
    assert other.another.zeta == one.another.zeta == 1.5
    assert other.a_row == [0.0, 0.0, 0.0]


@pytest.mark.parametrize("record_class", [Settings, State, Outer])
def test_get_returns_what_put_has_set(record_class):
    record = record_class()
    wanted = {}
    for k, (name, field) in enumerate(leaves(record_class)):
        wanted[name] = [float(k)] * field.size if field.kind == TABLE else k + 1
        put(record, name, wanted[name])
    assert {name: get(record, name) for name in wanted} == wanted


@pytest.mark.parametrize("record_class", [Settings, State, Outer])
def test_copy_takes_every_number_and_shares_none(record_class):
    source, target = record_class(), record_class()
    for k, (name, field) in enumerate(leaves(record_class)):
        put(source, name, [k + 0.5] * field.size if field.kind == TABLE else k + 0.5)
    copy(source, target)
    for name, field in leaves(record_class):
        assert get(target, name) == get(source, name)
        if field.kind == TABLE:
            assert get(target, name) is not get(source, name)
        put(source, name, None)
        assert get(target, name) is not None


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("last_in_the_alphabet", 1.0 + 1e-12),
        ("last_in_the_alphabet", -1.0 - 1e-12),
        ("middle.zeta", math.nan),
        ("middle.zeta", math.inf),
        ("middle.zeta", -math.inf),
        ("another.alpha", 10),
        ("another.alpha", -1),
        ("count", 2**31),
        ("a_row", [0.0, 0.0, 0.6]),
        ("a_row", [0.0, math.nan, 0.0]),
        ("a_row", [-math.inf, 0.0, 0.0]),
    ],
)
def test_out_of_range_names_the_value(name, value):
    record = Outer()
    put(record, name, value)
    assert out_of_range(record) == name


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("last_in_the_alphabet", 1.0),
        ("last_in_the_alphabet", -1.0),
        ("middle.alpha", 0),
        ("middle.alpha", 9),
        ("a_row", [0.5, -0.5, 0.0]),
    ],
)
def test_the_ends_of_a_range_belong_to_it(name, value):
    record = Outer()
    put(record, name, value)
    assert out_of_range(record) is None


def test_the_first_value_out_of_range_is_named():
    record = Outer()
    record.count = 2**40
    record.another.zeta = 7.0
    assert out_of_range(record) == "another.zeta"
