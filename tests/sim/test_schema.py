"""What is wrong in a file is told at once, with the nearest key and in degrees."""

import pytest

from sim.errors import InputError
from sim.run import scenario_file


def refused(make):
    with pytest.raises(InputError) as caught:
        make()
    return caught.value


def test_all_that_is_wrong_is_told_at_once_with_the_nearest_key(made):
    error = refused(
        lambda: made({"joint.tip_distnace": "60 mm", "drive.supply": "5", "joint.stops": 3,
                      "gains": {"kpp": "1 V/rad"}, "calibration": {"zero": "1 mm"}})
    )  # fmt: skip
    said = {one.key: one.allowed for one in error.all}
    assert set(said) == {
        "joint.tip_distnace",
        "drive.supply",
        "joint.stops",
        "gains.kpp",
        "calibration.zero",
    }
    assert said["joint.tip_distnace"].startswith('unknown key; did you mean "tip_distance"?')
    assert 'did you mean "kp"?' in said["gains.kpp"]
    assert str(error).count("\n") == 4
    assert all(one.startswith("finger.toml: ") for one in str(error).split("\n"))


def test_contradictions_are_told_at_once_too(made):
    error = refused(
        lambda: made(
            {
                "joint.range": ["50 deg", "0 deg"],
                "cable.kind": "spring_return",
                "limits.warm": "110 degC",
            }
        )
    )
    assert [one.key for one in error.all] == [
        "joint.range",
        "cable.spring_stiffness",
        "limits.warm",
    ]


def test_limits_of_angles_are_told_in_degrees(made):
    error = refused(lambda: made({"motor.backlash": "500 deg", "limits.speed": "99999 deg/s"}))
    assert [one.allowed for one in error.all] == [
        "must be at least 0 deg and at most 366.7 deg",
        "must be more than 0 and at most 5.73e+04 deg/s",
    ]


def test_what_was_renamed_is_told_by_its_new_name(made, tmp_path):
    error = refused(lambda: made({"motor.board_resistance": "0.6 ohm"}))
    assert (
        error.allowed
        == "was renamed to amplifier_resistance; `jointloop migrate` rewrites the file"
    )
    path = tmp_path / "old.toml"
    path.write_text('[scenario]\nstart = "0 deg"\nduration = "1 s"\n[[step]]\nat = "0 s"\ndo = "wiper"\nstate = "open"\n'
                    '[[step]]\nat = "0.1 s"\ndo = "request"\nwhat = "ease"\n', encoding="utf-8")  # fmt: skip
    error = refused(lambda: scenario_file.read(path, 0.002))
    assert "was renamed to inject" in error.all[0].allowed
    assert "was renamed to controlled_stop" in error.all[1].allowed
