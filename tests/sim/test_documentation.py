from controller.joint import limits
from controller.records import Record, part, real
from sim.documentation import constant_strings, meanings, settings_rows


class Below(Record):
    depth = real(1.0, "m", 0.0, 2.0)
    "How deep."


class Above(Record):
    first = real(0.5, "V", 0.0, 1.0)
    "What comes first."
    silent = real(0.0)
    below = part(Below)


def test_a_meaning_is_the_string_just_below_its_field():
    assert meanings(Above) == {"first": "What comes first.", "silent": "", "below": ""}


def test_rows_of_settings_go_into_parts():
    assert settings_rows(Above) == [
        {
            "name": "first",
            "unit": "V",
            "default": 0.5,
            "low": 0.0,
            "high": 1.0,
            "size": 1,
            "meaning": "What comes first.",
        },
        {
            "name": "silent",
            "unit": "1",
            "default": 0.0,
            "low": -3.0e38,
            "high": 3.0e38,
            "size": 1,
            "meaning": "",
        },
        {
            "name": "below.depth",
            "unit": "m",
            "default": 1.0,
            "low": 0.0,
            "high": 2.0,
            "size": 1,
            "meaning": "How deep.",
        },
    ]


def test_every_limit_bit_says_what_it_is():
    found = constant_strings(limits)
    bits = {"TRAVEL", "SPEED", "FORCE", "SLEW", "SUPPLY", "HEAT", "WEAK"}
    assert bits <= set(found)
    assert sorted(getattr(limits, name) for name in bits) == [1, 2, 4, 8, 16, 32, 64]
