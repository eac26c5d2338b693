"""Quantities as a person writes them."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from undertray.errors import UndertrayError
from undertray.units import FACTORS, UnitError, celsius, decimal_comma, quantity


@pytest.mark.parametrize(
    ("written", "unit", "value"),
    [
        (3, "kg", 3.0),
        (3.25, "mm", 3.25),
        ("3.25", None, None),
        ("7 lbf", "kg", 3.17514659),
        ("1 kg", "kg", 1.0),
        ("2.5 inH2O", "Pa", 622.722275),
        ("  -1.5e1 mm ", "m", -0.015),
        ("50 %", "1", 0.5),
        ("90 deg", "rad", math.pi / 2),
        ("36 km/h", "m/s", 10.0),
        (".5 in", "mm", 12.7),
        ("3300 mV", "V", 3.3),
        # international pound and inch, exact since 1959: 0.45359237 kg, 25.4 mm; 16 oz a pound, 12 in a foot
        ("7 lbs", "kg", 3.17514659),
        ("6 lb 4 oz", "kg", 6.25 * 0.45359237),
        ("3 lb", "N", 3 * 0.45359237 * 9.80665),
        ("2 kg", "N", 19.6133),
        ('12.75"', "mm", 323.85),
        ("12 3/4 in", "mm", 323.85),
        ("3/4\u2033", "mm", 19.05),
        ("1' 3\"", "mm", 381.0),
        ("-1 ft 6 in", "mm", -457.2),
    ],
)
def test_quantity(written, unit, value):
    if unit is None:
        with pytest.raises(UnitError, match="a number and a unit such as '1 mm'"):
            quantity(written, "mm", "here")
    else:
        assert quantity(written, unit, "here") == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize(
    "written",
    [
        *(True, None, [], {}, "", "mm", "1,5 mm", "1 furlong", "1 Pa", "1e999 mm", "1 mm mm", "nan mm"),
        *("6 in 1 ft", "6 ft 4 mm", "1/0 in", "1 2 3 in", "5 ' '", "1 ft -2 in"),
        *("5" * 61, math.nan, math.inf, -math.inf, 10**400, "1e308 m"),
    ],
)
def test_what_is_no_length_is_refused(written):
    with pytest.raises(UnitError) as caught:
        quantity(written, "mm", "car.toml, wheelbase")
    assert str(caught.value).startswith("car.toml, wheelbase: ")
    assert "\n" not in str(caught.value)
    assert isinstance(caught.value, UndertrayError)


def test_a_unit_of_another_dimension_names_those_that_fit():
    with pytest.raises(
        UnitError, match=r"'psi' is not a unit of length .* expected one of m, cm, mm, in, ft"
    ):
        quantity("1 psi", "mm", "here")


@given(st.floats(1e-6, 1e6), st.sampled_from([(d, u) for d, units in FACTORS.items() for u in units]))
def test_there_and_back(value, at):
    dimension, unit = at
    for other in FACTORS[dimension]:
        there = quantity(f"{value!r} {unit}", other, "here") if unit != "1" else None
        if there is not None and other != "1":
            assert quantity(f"{there!r} {other}", unit, "here") == pytest.approx(value, rel=1e-14)


@pytest.mark.parametrize(
    ("text", "number"),
    [
        ("mass = 2,9\nwheelbase = 262", "2.9"),
        ("mass = 2,9   # kg, ready to run", "2.9"),
        ('"pack": {"adc_pin": 26, "divider": 6,1},', "6.1"),
        ('{"divider": -6,10, "note": ""}', "-6.10"),
        ('mass = "6,4 lb"', "6.4"),
    ],
)
def test_a_decimal_comma_is_told_with_the_number_to_write(text, number):
    said = decimal_comma(text)
    assert said == f"write {number} with a decimal point, not {number.replace('.', ',')}"


@pytest.mark.parametrize(
    "text", ["x = [4,5]", '{"a": 1,\n"b": 2}', "mass 2", "floor = [[1,2], [3,4]]", "a = 1,b"]
)
def test_other_commas_are_no_decimal_commas(text):
    assert decimal_comma(text) is None


def test_a_quantity_with_a_decimal_comma():
    with pytest.raises(UnitError, match=r"write 6\.4 with a decimal point, not 6,4"):
        quantity("6,4 lb", "kg", "here")


@given(st.text(max_size=80))
def test_any_text_gives_a_finite_number_or_one_line(text):
    line = ""
    value = 0.0
    try:
        value = quantity(text, "Pa", "here")
    except UnitError as error:
        line = str(error)
    assert math.isfinite(value)
    assert "\n" not in line


@pytest.mark.parametrize(
    # published (NIST SP 811, B.9): t_C = (t_F - 32) / 1.8, so 32 and 212 degF are 0 and 100 degC
    ("text", "degc"),
    [("32 F", 0.0), ("212 degF", 100.0), ("-40 °F", -40.0), ("21 C", 21.0), ("70F", 190 / 9)],
)
def test_temperatures(text, degc):
    assert celsius(text, "here") == pytest.approx(degc, abs=1e-12)


@pytest.mark.parametrize("text", ["70", "70 K", "F", "1e3 F", "", "7" * 61 + " F"])
def test_what_is_no_temperature_is_refused(text):
    with pytest.raises(UnitError, match="not a temperature"):
        celsius(text, "here")
