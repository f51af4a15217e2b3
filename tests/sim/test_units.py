import math
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sim import units


@pytest.mark.parametrize(
    ("text", "unit", "expected"),
    [
        ("5 V", "V", 5.0),
        (" 5V ", "V", 5.0),
        ("+5. V", "V", 5.0),
        (".5 V", "V", 0.5),
        ("5e-1 V", "V", 0.5),
        ("-0.5E+1 V", "V", -5.0),
        ("6 mm", "m", 6e-3),
        ("25 kN/m", "N/m", 25e3),
        ("180 deg", "rad", math.pi),
        ("600 deg/s", "rad/s", 600.0 * math.pi / 180.0),
        ("60 rpm", "rad/s", 2.0 * math.pi),
        ("1.9 kgf*cm", "N*m", 1.9 * 9.80665e-2),
        ("1.2 mN*m", "N*m", 1.2e-3),
        ("5e-6 kg*m^2", "kg*m^2", 5e-6),
        ("50 g*cm^2", "kg*m^2", 5e-6),
        ("10 kohm", "ohm", 1e4),
        ("470 nF", "F", 470e-9),
        ("5 µm", "m", 5e-6),
        ("25 K/W", "K/W", 25.0),
        ("0.5 V/(rad*s)", "V/(rad*s)", 0.5),
        ("85 degC", "degC", 85.0),
        ("-10 °C", "degC", -10.0),
        ("500 Hz", "Hz", 500.0),
        ("100 ms", "s", 0.1),
    ],
)
def test_values_become_si_numbers(text, unit, expected):
    assert units.parse(text, unit, "example") == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "unit", "says"),
    [
        (5.0, "V", "in quotes"),
        (5, "V", "in quotes"),
        (True, "V", "in quotes"),
        (None, "V", "in quotes"),
        ([], "V", "in quotes"),
        ("5", "V", "the unit is missing"),
        ("0,5 V", "V", "write the decimal point as a point"),
        ("V", "V", "needs a number"),
        ("", "V", "needs a number"),
        ("nan V", "V", "needs a number"),
        ("inf V", "V", "needs a number"),
        ("5 mm", "V", '"mm" is not a unit of V'),
        ("5 volt volt", "V", "is not a unit of V"),
        ("5 nonsense", "V", '"nonsense" is not a unit of V'),
        ("1+1 V", "V", "needs a number"),
        ("1 2 V", "V", "needs a number"),
        ("1_0 V", "V", "needs a number"),
        ("0x10 V", "V", "needs a number"),
        ("1e999 V", "V", "too large"),
        ("5 V; import os", "V", "needs a number"),
        ("5 " + "V" * 60, "V", "needs a number"),
        ("20 degC", "V", "degC is a temperature"),
        ("300 K", "degC", "needs a number"),
        ("300", "degC", "the unit is missing"),
    ],
)
def test_a_refusal_says_what_is_needed_with_an_example(text, unit, says):
    with pytest.raises(ValueError, match="needs a number with a unit") as caught:
        units.parse(text, unit, "4.8 V")
    assert says in str(caught.value)
    assert '"4.8 V"' in str(caught.value)


@settings(deadline=None, database=None, derandomize=True, max_examples=400)
@given(
    st.one_of(
        st.text(max_size=40),
        st.from_regex(r"[0-9.eE+-]{1,6} ?[A-Za-z%µ*/() .-]{0,12}", fullmatch=True),
    )
)
def test_no_text_does_anything_but_give_a_finite_number_or_a_reason(text):
    try:
        found = units.parse(text, "m", "6 mm")
    except ValueError as error:
        found = str(error)
    assert "6 mm" in found if isinstance(found, str) else math.isfinite(found)


def test_a_unit_with_a_tower_of_powers_is_refused_not_computed():
    code = (
        "from sim import units\n"
        "try:\n    units.parse('1 m^9^9^9', 'm', '6 mm')\n"
        "except ValueError:\n    print('refused')\n"
    )
    root = Path(units.__file__).parents[1]
    done = subprocess.run(
        [sys.executable, "-c", code],
        cwd=root,
        capture_output=True,
        text=True,
        timeout=5,
        check=True,
    )
    assert done.stdout.strip() == "refused"


@pytest.mark.parametrize(
    ("text", "unit", "right"), [("2 Hz", "rad/s", 4.0 * math.pi), ("500 rad/s", "Hz", 79.577)]
)
def test_hertz_and_radians_per_second_are_not_taken_for_each_other(text, unit, right):
    try:
        found = units.parse(text, unit, "example")
    except ValueError:
        return
    assert found == pytest.approx(right, rel=1e-4)


@pytest.mark.parametrize(
    ("text", "share"),
    [("12 %", 0.12), ("-10%", -0.1), (" +5.5 % ", 0.055), ("5", None), ("5 V", None), (5, None)],
)
def test_percentages_are_shares(text, share):
    assert units.percent(text) == (None if share is None else pytest.approx(share))


@pytest.mark.parametrize(
    ("value", "unit", "wanted", "shown"),
    [
        (0.0123456, "m", "mm", "12.35 mm"),
        (math.pi, "rad", "deg", "180 deg"),
        (5.0, "V", "V", "5 V"),
    ],
)
def test_numbers_are_shown_in_the_unit_asked_for(value, unit, wanted, shown):
    assert units.show(value, unit, wanted) == shown


def test_the_common_factors_are_those_of_pint_bit_by_bit():
    assert len(units._COMMON) > 20
    for (given_unit, wanted), factor in units._COMMON.items():
        assert units._factor_of_pint(given_unit, wanted) == factor, given_unit
        assert units._factor_of_pint(wanted, wanted) == 1.0, wanted


def test_a_common_file_is_read_without_pint():
    code = (
        "import sys; from pathlib import Path; from host.commands.shared.loading import load;"
        "load(Path('host/demo/joint.toml')); assert 'pint' not in sys.modules"
    )
    root = Path(__file__).resolve().parents[2]
    subprocess.run([sys.executable, "-c", code], cwd=root, check=True)


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("1.9 kg*cm", "N*m", 1.9 * 0.0980665), ("1.9 kgcm", "N*m", 1.9 * 0.0980665), ("1.9 kg cm", "N*m", 1.9 * 0.0980665),
        ("1.9 kg-cm", "N*m", 1.9 * 0.0980665), ("1.9 kgf\u00b7cm", "N*m", 1.9 * 0.0980665), ("26 oz in", "N*m", 26 * 0.00706155181),
        ("120 mNm", "N*m", 0.12), ("3000 RPM", "rad/s", 3000 * math.pi / 30.0), ("10 k\u03a9", "ohm", 1e4), ("10 kOhm", "ohm", 1e4),
        ("90\u00b0", "rad", math.pi / 2), ("5 \u00b5s", "s", 5e-6), ("85 \u00b0C", "degC", 85.0), ("8 g\u00b7cm\u00b2", "kg*m^2", 8e-7),
        ("600 deg/sec", "rad/s", math.radians(600.0)), ("5 volts", "V", 5.0),
    ],
)  # fmt: skip
def test_spellings_of_the_trade_are_read(text, unit, value):
    """Ounce-force inch: NIST Special Publication 811 (2008), appendix B.8."""
    assert units.parse(text, unit, "x") == pytest.approx(value, rel=1e-9)


@pytest.mark.parametrize(
    ("text", "unit"), [("2 kg", "N"), ("1 kg*cm", "kg"), ("3 RPM", "Hz"), ("3 \u03a9", "V")]
)
def test_a_spelling_makes_no_other_quantity_of_it(text, unit):
    with pytest.raises(ValueError, match="is not a unit of"):
        units.parse(text, unit, "x")


@pytest.mark.parametrize(
    ("given", "ratio"), [("1:298", 298.0), ("298:1", 298.0), (" 298.5 : 1 ", 298.5), (298, 298.0)]
)
def test_a_gear_ratio_as_catalogues_write_it(made, given, ratio):
    assert (
        made(
            {"motor.gear_ratio": given, "motor.rotor_inertia": "7e-9 kg*m^2"}
        ).file.motor.gear_ratio
        == ratio
    )
