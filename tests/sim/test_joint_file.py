"""What is refused, and that the refusal says file, key, value and what is allowed."""

import re
from pathlib import Path

import pytest

from sim.errors import InputError
from sim.run.closed_loop import load_joint


def refused(make):
    with pytest.raises(InputError) as caught:
        make()
    return caught.value


@pytest.mark.parametrize(
    ("changes", "key", "value", "allowed"),
    [
        # missing
        ({"sensor.electrical_angle": None}, "sensor.electrical_angle", None, '"340 deg"'),
        ({"limits.tip_force": None}, "limits.tip_force", None, 'missing; for example "3 N"'),
        ({"joint": None}, "joint", None, "is missing"),
        ({"joint.range": None}, "joint.range", None, 'missing; for example \\["0 deg"'),
        ({"motor.rotor_inertia": None}, "motor.rotor_inertia", None, "is missing; a motor needs"),
        ({"motor.resistance": "5 ohm"}, "motor.torque_constant", None, "is missing; a motor by"),
        ({"cable.stiffness": None}, "cable.stiffness", None, "material, diameter and length"),
        # unknown
        ({"joint.colour": "red"}, "joint.colour", "red", "allowed: name, travel, range"),
        ({"cabel": {}}, "cabel", {}, "allowed: joint, motor, cable"),
        ({"drive.kind": "steam"}, "drive.kind", "steam", "'bridge', 'pulse' or 'builtin'"),
        # no number with a unit
        ({"joint.inertia": 5e-6}, "joint.inertia", 5e-6, 'such as "5e-6 kg\\*m\\^2" \\(in quotes'),
        ({"drive.supply": True}, "drive.supply", True, "needs a number with a unit"),
        ({"drive.supply": "5"}, "drive.supply", "5", "the unit is missing"),
        ({"drive.supply": "5 mm"}, "drive.supply", "5 mm", '"mm" is not a unit of V'),
        ({"drive.supply": "0,5 V"}, "drive.supply", "0,5 V", 'such as "5.0 V"'),
        ({"drive.supply": "nan V"}, "drive.supply", "nan V", "needs a number with a unit"),
        ({"drive.supply": "inf V"}, "drive.supply", "inf V", "needs a number with a unit"),
        ({"drive.supply": ["5 V"]}, "drive.supply", ["5 V"], "needs a number with a unit"),
        ({"drive.supply": {"a": 1}}, "drive.supply", {"a": 1}, "needs a number with a unit"),
        # out of range
        ({"drive.supply": "0 V"}, "drive.supply", "0 V", "more than 0 and at most 100 V"),
        ({"drive.supply": "-5 V"}, "drive.supply", "-5 V", "more than 0 and at most 100 V"),
        ({"drive.supply": "1e9 V"}, "drive.supply", "1e9 V", "more than 0 and at most 100 V"),
        ({"limits.warm": "-41 degC"}, "limits.warm", "-41 degC", "at least -40 degC"),
        ({"control.rate": "5 Hz"}, "control.rate", "5 Hz", "at least 10 Hz and at most 10000 Hz"),
        ({"motor.gear_ratio": 0}, "motor.gear_ratio", 0, "at least 1"),
        ({"motor.gear_ratio": float("nan")}, "motor.gear_ratio", None, "at least 1"),
        ({"sensor.linearity": float("inf")}, "sensor.linearity", float("inf"), "at most 0.2"),
        ({"sensor.converter_bits": 40}, "sensor.converter_bits", 40, "at most 16"),
        ({"sensor.converter_bits": 10**30}, "sensor.converter_bits", 10**30, "16"),
        ({"motor.gear_ratio": 10**400}, "motor.gear_ratio", 10**400, "must be a number"),
        # wrong type
        ({"joint.name": 5}, "joint.name", 5, "text in quotes"),
        ({"joint.name": ""}, "joint.name", "", "at least 1 character"),
        ({"joint.range": "0 deg"}, "joint.range", "0 deg", "must be a list"),
        ({"joint.range": ["0 deg"]}, "joint.range.1", None, ""),
        ({"motor": 5}, "motor", 5, "must be a table"),
        ({"drive.current_sensor": "maybe"}, "drive.current_sensor", "maybe", "true or false"),
        # contradictions
        ({"joint.range": ["50 deg", "0 deg"]}, "joint.range", None, "must rise"),
        ({"joint.stops": ["10 deg", "120 deg"]}, "joint.stops", None, "outside joint.range"),
        ({"joint.stops": ["-5 deg", "99 deg"]}, "joint.stops", None, "outside joint.range"),
        ({"joint.travel": "continuous"}, "joint.range", None, "has no place"),
        (
            {
                "joint.travel": "continuous",
                "joint.range": None,
                "sensor.electrical_angle": "370 deg",
            },
            "sensor.electrical_angle",
            None,
            "at most 360 deg",
        ),
        ({"limits.warm": "110 degC"}, "limits.warm", 110.0, "below motor.winding_limit \\(110"),
        ({"cable.kind": "spring_return"}, "cable.spring_stiffness", None, "spring_return"),
        (
            {"motor.stall_torque": "2.6 kgf*cm"},
            "motor.stall_torque",
            None,
            "contradicts .* allow at most .* N\\*m; it is [0-9]+ % more",
        ),
        ({"motor.stall_torque": "0.5 kgf*cm"}, "motor.stall_torque", None, "contradicts .* only"),
        ({"motor.no_load_current": "0.7 A"}, "motor.no_load_current", 0.7, "below motor.stall_cur"),
        ({"motor.amplifier_resistance": "7 ohm"}, "motor.amplifier_resistance", 7.0, "= 6.86 ohm"),
        ({"sensor.dead_gap_at": "100 deg"}, "sensor.dead_gap_at", None, "meets the dead gap"),
        ({"sensor.electrical_angle": "110 deg"}, "sensor.dead_gap_at", None, "meets the dead"),
        ({"joint.inertia": "1e-12 kg*m^2"}, "cable.stiffness", None, "steps of"),
    ],
)
def test_a_refusal_names_file_key_value_and_what_is_allowed(made, changes, key, value, allowed):
    error = refused(lambda: made(changes))
    assert (error.file, error.key) == ("finger.toml", key)
    assert value is None or error.value == value
    assert re.search(allowed, error.allowed)
    text = str(error)
    assert text.startswith(f"finger.toml: {key}: ")
    assert error.allowed in text
    assert "\n" not in text
    if error.value is not None and len(repr(error.value)) < 60:
        assert repr(error.value) in text


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b"[joint\n", "is not valid TOML"),
        (b"[joint]\nname = 'a'\nname = 'b'\n", "is not valid TOML"),
        (b"x = 1979-13-45\n", "is not valid TOML"),
        (b"[" * 5000, "is not valid TOML"),
        (b"a = " + b"[" * 5000, "is not valid TOML"),
        (b"\xff\xfe[joint]\n", "line 1: is not UTF-8 text"),
        (b"# a\n# b\nname = '\xe9'\n", "line 3: is not UTF-8 text"),
        (b"", "joint: is missing"),
        (b"#" * 4_000_001, "is larger than 4 MB"),
        (b"x = " + b"1" * 5000, "is not valid TOML"),
    ],
)
def test_a_file_that_cannot_be_one_is_refused_by_name(tmp_path, data, says):
    path = tmp_path / "finger.toml"
    path.write_bytes(data)
    error = refused(lambda: load_joint(path))
    assert says in str(error)
    assert str(error).startswith(str(path))


@pytest.mark.parametrize(
    ("name", "says"),
    [("missing.toml", "no such file"), ("", "is a folder"), ("a\0b", "cannot be read")],
)
def test_what_is_no_file_is_refused_by_name(tmp_path, name, says):
    path = f"{tmp_path}/{name}"
    error = refused(lambda: load_joint(path))
    assert says in error.allowed
    assert error.file == path


def test_a_byte_order_mark_does_no_harm(tmp_path, joint):
    path = tmp_path / "finger.toml"
    text = Path(__file__).parents[1].joinpath("data/nominal.toml").read_text("utf-8")
    path.write_text(text, encoding="utf-8-sig")
    assert load_joint(path).file == joint.file


@pytest.mark.parametrize(
    ("gap", "same_as"),
    [
        ("250 deg", "250 deg"),
        *[(gap, "250 deg") for gap in ("-110 deg", "610 deg")],
    ],
)
def test_the_gap_may_be_named_by_any_angle_of_its_place(made, gap, same_as):
    found, known = (made({"sensor.dead_gap_at": one}).part.sensor for one in (gap, same_as))
    assert found.zero_fraction == pytest.approx(known.zero_fraction)


def test_a_range_of_as_much_as_the_message_asks_for_is_accepted(made):
    error = refused(lambda: made({"joint.range": ["0 deg", "0.1 deg"]}))
    assert "at least 1 deg" in error.allowed
    assert made({"joint.range": ["0 deg", "1.05 deg"]}).file.joint.range[1] > 0.0


@pytest.mark.parametrize("value", ["x" * 200, list(range(100))])
def test_long_values_are_shortened_in_the_message(made, value):
    error = refused(lambda: made({"drive.supply": value}))
    assert error.value == value
    assert len(str(error)) < 200
    assert "..." in str(error)
