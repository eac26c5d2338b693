"""car.toml: what is read, and every way it can be wrong."""

from __future__ import annotations

import re

import pytest

from undertray.errors import UndertrayError
from undertray.reduce.car import Car

TAPS = """
[[tap]]
name = "front-left"
column = "p1"
x = 20
y = -60

[[tap]]
name = "rear-right"
column = "p2"
x = "10 in"
y = 60
area = 9500
tube_length = 150
"""
TOP = """
format = 1
name = "a car"
mass = "7 lbf"
wheelbase = 320
front_weight = 0.46
floor = [[-60, -95], [330, -95], [330, 95], [-60, 95]]
"""


@pytest.fixture
def read(tmp_path):
    def made(text: str) -> Car:
        path = tmp_path / "car.toml"
        path.write_text(text, encoding="utf-8")
        return Car.from_toml(path)

    return made


def test_reads_quantities_and_defaults(read):
    car = read(TOP + 'tube_length = 300\ntube_bore = "2 mm"\n' + TAPS)
    assert car.mass_kg == pytest.approx(7 * 0.45359237, rel=1e-12)  # a pound is 0.45359237 kg by definition
    assert car.weight_n == pytest.approx(7 * 0.45359237 * 9.80665, rel=1e-12)
    assert (car.allowance, car.surface_angle_deg, car.tyre_mu) == (0.0, 180.0, None)
    assert car.taps[1].x_mm == pytest.approx(254.0)
    assert car.taps[1].area_mm2 == 9500
    assert [t.tube_length_mm for t in car.taps] == [300, 150]
    assert [t.tube_bore_mm for t in car.taps] == [2, 2]


def changed(old: str, new: str) -> str:
    text = TOP + TAPS
    assert old in text
    return text.replace(old, new)


WRONG = {
    "newer format": (changed("format = 1", "format = 2"), "newer car format.*format 1.*update"),
    "no format": (changed("format = 1", ""), "no format number"),
    "format is a truth value": (changed("format = 1", "format = true"), "no format number"),
    "typing mistake": (changed("wheelbase", "wheelbse"), "unknown key.*'wheelbse'.*wheelbase"),
    "typing mistake in a tap": (changed("area", "aera"), "tap 2.*unknown key.*'aera'"),
    "missing mass": (changed('mass = "7 lbf"', ""), "'mass' is missing"),
    "no mass": (changed('"7 lbf"', "0"), "'mass' is out of range.*above 0"),
    "mass in grams": (changed('"7 lbf"', "3100"), "'mass' is out of range.*below 200 kg"),
    "wheelbase in metres": (
        changed("wheelbase = 320", "wheelbase = 0.32"),
        "'wheelbase' is out.*above 10.* mm",
    ),
    "mass is a length": (changed("7 lbf", "7 mm"), "'mm' is not a unit of mass"),
    "mass is not finite": (changed('"7 lbf"', "nan"), "not a finite number"),
    "mass is huge": (changed('"7 lbf"', "1e300"), "'mass' is out of range.*'1e\\+300'.*below 200 kg"),
    "more than a float": (changed('"7 lbf"', "1" * 400), "too large a number"),
    "more digits than are read": (
        changed('"7 lbf"', "1" * 5000),
        "TOML: a number has too many digits; correct",
    ),
    "more digits than are shown": (
        changed('"7 lbf"', "0x" + "f" * 5000),
        "too large a number, got 'more digits",
    ),
    "allowance in percent": (
        TOP + "allowance = 25\n" + TAPS,
        r"'allowance' is out of range, got '25', expected 0 to 4; write 0\.25 if 25 % is meant",
    ),
    "share above 1": (changed("0.46", "46"), "'front_weight' is out of range.*0 to 1"),
    "share below 0": (changed("0.46", "-0.1"), "'front_weight' is out of range"),
    "crossing floor": (
        changed("[330, -95], [330, 95]", "[330, 95], [330, -95]"),
        "crosses itself: its edge from corner 1-2 meets the edge 3-4",
    ),
    "two corners": (changed(", [330, 95], [-60, 95]]", "]"), "bad or missing floor"),
    "flat floor": (
        changed("[330, 95], [-60, 95]]", "[135, -95], [100, -95]]"),
        "no area",
    ),
    "closed floor": (changed("[-60, 95]]", "[-60, 95], [-60, -95]]"), "corner comes twice"),
    "corner is no pair": (changed("[-60, 95]]", "[-60]]"), "corner 4.*not a pair"),
    "tap off the floor": (changed("y = 60", "y = 96"), "'rear-right' is off the floor"),
    "two taps on a column": (changed('"p2"', '"p1"'), "two taps of one column.*'p1'"),
    "two taps of a name": (changed("rear-right", "front-left"), "two taps of one name"),
    "two taps in a place": (
        changed('x = "10 in"\ny = 60', "x = 20\ny = -60"),
        "two taps of one place",
    ),
    "no tap": (TOP, "bad or missing taps"),
    "tap is no table": (TOP + "tap = [1]", "not a table"),
    "syntax": (changed("mass =", "mass"), r"not valid TOML.*line 4"),
    "decimal comma": (
        changed("front_weight = 0.46", "front_weight = 0,46"),
        r"line \d+.*write 0\.46 with a decimal point",
    ),
    "control character in a name": (changed('"a car"', '"a\\u0007car"'), "bad or missing 'name'"),
    "long name": (changed("a car", "a" * 65), "bad or missing 'name'"),
    "angle": (TOP + "surface_angle = 181\n" + TAPS, "'surface_angle' is out of range"),
    "load": (TOP + 'load = "magic"\n' + TAPS, "bad 'load'.*cells or linear or areas"),
    "many corners": (
        changed("floor = [", "floor = [" + ", ".join(f"[{i}, 1]" for i in range(401)) + ", "),
        "bad or missing floor",
    ),
    "deep nesting": (
        TOP + "fan = " + "[" * 5000 + "]" * 5000,
        "car.toml: (nested too deeply|not valid TOML)",
    ),
}


@pytest.mark.parametrize("case", WRONG)
def test_refuses_with_one_line(read, case):
    text, message = WRONG[case]
    with pytest.raises(UndertrayError) as caught:
        read(text)
    line = str(caught.value)
    assert "\n" not in line
    assert "car.toml" in line
    assert re.search(message, line), line


def test_refuses_what_is_no_file(tmp_path):
    with pytest.raises(UndertrayError, match="cannot be read"):
        Car.from_toml(tmp_path / "none.toml")
    (tmp_path / "bytes.toml").write_bytes(b"name = '\xff'")
    with pytest.raises(UndertrayError, match="not UTF-8"):
        Car.from_toml(tmp_path / "bytes.toml")
    (tmp_path / "long.toml").write_text("#" * 200_001)
    with pytest.raises(UndertrayError, match="too long"):
        Car.from_toml(tmp_path / "long.toml")


def test_fan_curve(read):
    fan = '[fan]\ncurve = [["0 Pa", "20 L/s"], ["2200 Pa", "0 L/s"]]\n'
    assert read(TOP + TAPS + fan).fan_curve == ((0.0, 0.02), (2200.0, 0.0))
    with pytest.raises(UndertrayError, match="bad fan curve"):
        read(TOP + TAPS + fan.replace("2200", "0"))


def test_given_areas_need_one_for_each_tap_and_linear_none(read):
    with pytest.raises(UndertrayError, match=r"tap 1.*'front-left' has no area"):
        read(TOP + 'load = "areas"\n' + TAPS)
    with pytest.raises(UndertrayError, match=r"tap 2.*'rear-right' has an area of its own"):
        read(TOP + 'load = "linear"\n' + TAPS)
    car = read(TOP + 'load = "areas"\n' + TAPS.replace("y = -60", "y = -60\narea = 9000"))
    assert (car.load, car.taps[0].area_mm2) == ("areas", 9000)


def test_fan_keys_and_tubes_within_bounds(read):
    car = read(TOP + TAPS + '[fan]\nidle = "1080 us"\nfull = "1.9 ms"\n')
    assert (car.fan_idle_us, car.fan_full_us) == (1080, 1900)
    with pytest.raises(UndertrayError, match="'full' is out of range"):
        read(TOP + TAPS + "[fan]\nidle = '1500 us'\nfull = '1400 us'\n")
    with pytest.raises(UndertrayError, match="'tube_bore' is out of range"):
        read(TOP + 'tube_bore = "1 m"\n' + TAPS)


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("[330, -95]", "[1e200, -95]"),
        ("[330, -95]", "[330, -1.0e308]"),
        ("[330, -95]", '["11 m", -95]'),
        ("y = -60", "y = 1e300"),
        ("y = -60", "y = -60\narea = 1e200"),
        ("y = -60", "y = -60\narea = 2.2e-308"),
    ],
)
def test_a_place_far_from_any_car_is_refused(read, old, new):
    with pytest.raises(UndertrayError, match=r"out of range.*(10000|1e\+08)"):
        read((TOP + TAPS).replace(old, new, 1))


def test_a_floor_of_less_than_a_square_millimetre_is_none(read):
    floor = "[[20, -60], [20.5, -60], [20.5, -59.5], [20, -59.5]]"
    with pytest.raises(UndertrayError, match="the floor has no area"):
        read((TOP + TAPS).replace("[[-60, -95], [330, -95], [330, 95], [-60, 95]]", floor))


def test_the_mark_that_some_editors_put_in_front_is_no_error(tmp_path):
    (tmp_path / "car.toml").write_bytes(b"\xef\xbb\xbf" + (TOP + TAPS).encode())
    assert Car.from_toml(tmp_path / "car.toml").taps[0].name == "front-left"


def test_a_tube_that_nothing_goes_through_is_refused(read):
    with pytest.raises(UndertrayError, match="'tube_bore' is out of range"):
        read(TOP + "tube_length = 300\ntube_bore = 1e-200\n" + TAPS)
