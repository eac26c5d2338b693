"""``undertray column`` and ``undertray target``."""

from __future__ import annotations

import dataclasses

import pytest

from fakes.program import CliRunner, undertray
from undertray.cli import app
from undertray.errors import CarError, ReductionError, UndertrayError
from undertray.reduce.car import Car, Tap
from undertray.reduce.hold import target_suction

# weight 25 N, wheelbase 280 mm, 46.4 % of it on the front axle; a floor from axle to axle
CAR = Car(
    name="worked",
    mass_kg=25 / 9.80665,
    wheelbase_mm=280.0,
    front_weight=130 / 280,
    floor_mm=((0, -100), (280, -100), (280, 100), (0, 100)),
    taps=(Tap("front", "p1", 70, 0), Tap("rear", "p2", 210, 0)),
)


def test_upside_down_is_set_by_the_axle_with_more_weight_than_floor():
    # derived by hand: floor 0.056 m2, half of it on each axle; rear weight 25 * 150/280 = 13.393 N
    found = target_suction(CAR)
    assert found.suction_pa == pytest.approx(13.392857 / 0.028, rel=1e-7)
    assert found.downforce_n == pytest.approx(26.785714, rel=1e-7)
    assert found.limited_by == "the rear axle"
    # D = W max[(L - xg)/(L - xp), xg/xp], statics of a rigid body on two supports
    assert found.downforce_n == pytest.approx(25 * max(130 / 140, 150 / 140), rel=1e-7)


def test_allowance_and_angle():
    more = target_suction(dataclasses.replace(CAR, allowance=0.3))
    assert more.suction_pa == pytest.approx(1.3 * target_suction(CAR).suction_pa)
    ground = target_suction(dataclasses.replace(CAR, surface_angle_deg=0.0))
    assert (ground.suction_pa, ground.limited_by) == (0.0, "nothing: the weight itself holds")
    wall = target_suction(dataclasses.replace(CAR, surface_angle_deg=90.0, tyre_mu=0.8))
    assert wall.downforce_n == pytest.approx(25 / 0.8)
    assert wall.limited_by == "sliding"


def test_an_axle_without_floor():
    behind = dataclasses.replace(
        CAR, floor_mm=((290, -100), (380, -100), (380, 100), (290, 100)), taps=(Tap("t", "p1", 300, 0),)
    )
    with pytest.raises(ReductionError, match="does not load the front axle"):
        target_suction(behind)


def run(*arguments):
    return CliRunner().invoke(app, [str(a) for a in arguments])


@pytest.mark.parametrize("height", ["100", "100 mm", "10 cm", "10cm"])
def test_column(height):
    done = run("column", height, "--water-c", 20, "--latitude", 45)
    assert done.exit_code == 0, done.output
    assert "977.69 Pa" in done.output  # the worked column: 977.685
    assert "3.9250 inH2O (the unit of 249.08891 Pa, not a height)" in done.output
    assert "not given" not in done.output
    # derived: 977.685 Pa over the 249.08891 Pa of the unit
    assert "  3.9250 inH₂O, expanded" in run("column", height, "--units", "us").output


@pytest.mark.parametrize("arguments", [["-60 mm"], ["-60"], ["-6cm"], ["--", "-60"]])
def test_a_negative_height_is_a_pressure_of_the_other_sign(arguments):
    done = run("column", "--water-c", 21, "--latitude", 47, "--height-m", -20, *arguments)
    assert done.exit_code == 0, done.output
    # derived: 997.995 kg/m3 of water in air of 1.1977 (20 m below the sea), g = 9.80808: 60 mm are 586.60 Pa
    assert "-60 mm read, -60.000 mm of water upright" in done.output
    assert "-586.60 Pa, expanded uncertainty 9.59 Pa" in done.output
    assert "-2.3550 inH2O" in done.output
    assert "from liquid: 0.170 Pa" in done.output
    assert run("column", "--watr", "21", "60").exit_code == 2  # a slip in an option stays one


def test_column_says_what_was_not_given():
    done = run("column", "4 in")
    assert "temperature of the liquid not given" in done.output
    assert "latitude not given" in done.output
    assert "101.6 mm read" in done.output


def test_column_with_other_liquid_and_tube():
    done = run(
        "column", "100", "--density", 800, "--incline", 30, "--limbs", 1, "--bore-mm", 6, "--well-mm", 75
    )
    # derived: h = 100 (0.5 + 0.0064) = 50.64 mm, (800 - 1.19931) 9.806198 0.05064 = 396.673 Pa
    assert "50.640 mm of liquid upright" in done.output
    assert "396.67 Pa" in done.output


def test_another_liquid_gets_denser_in_the_cold():
    # derived: 800 (1 - 0.001 (10 - 20)) = 808 kg/m3, air at 10 degC 1.2424: 806.758 * 0.980620 = 791.12 Pa
    done = run("column", "100", "--density", 800, "--water-c", 10, "--latitude", 45)
    assert "791.12 Pa" in done.output
    # half a per cent of density, rectangular: 792.34 * 0.005 / sqrt(3)
    assert "from liquid: 2.287 Pa" in done.output


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["4 furlong"], "not a unit of length"),
        (["nan"], "not a finite number"),
        (["-20 m"], "column height out of range"),
        (["20 m"], "column height out of range"),
        (["100", "--bore-mm", "6"], "only one of the two bores"),
        (["100", "--incline", "2"], "incline of the tube out of range"),
        (["100", "--density", "0.8"], "density of the liquid out of range"),
        (["100", "--density", "800", "--expansion", "1"], "expansion of the liquid out of range"),
        (["100", "--density-percent", "50"], "doubt of the liquid's density out of range"),
        (["100", "--gravity", "32"], "local gravity out of range"),
        (["100", "--ruler-percent", "-1"], "uncertainty 'ruler' out of range"),
    ],
)
def test_column_refuses(arguments, said):
    done = run("column", *arguments)
    assert isinstance(done.exception, UndertrayError)
    assert said in str(done.exception)


def test_target(tmp_path):
    path = tmp_path / "car.toml"
    path.write_text(
        'format = 1\nname = "worked"\nmass = "25 N"\nwheelbase = 280\nfront_weight = 0.4642857142857143\n'
        "floor = [[0, -100], [280, -100], [280, 100], [0, 100]]\n"
        '[[tap]]\nname = "front"\ncolumn = "p1"\nx = 70\ny = 0\n',
        encoding="utf-8",
    )
    done = run("target", "--car", path, "--water-c", 20, "--latitude", 45)
    assert done.exit_code == 0, done.output
    # derived: 478.316 Pa; / 249.08891 = 1.9203 inH2O; / 9.77685 = 48.92 mm of real column
    assert "even suction of 478.3 Pa" in done.output
    assert "1.9203 inH2O" in done.output
    assert "48.9 mm (1.926 in) of a real water column at 20 degC" in done.output
    # derived: the rear bears 15 / 28 of 25 N; an even suction gives it half of 478.316 Pa x 0.056 m2
    assert "25.00 N needed: front axle 11.61 N, rear axle 13.39 N" in done.output
    assert "it makes 26.79 N" in done.output
    assert "limited by the rear axle: an even suction gives the rest of the car 1.79 N more" in done.output
    spare = run("target", "--car", path, "--allowance", 0.2).output
    assert "30.00 N needed" in spare
    assert "without the allowance: 25.00 N, 478.3 Pa; below that it lets go" in spare
    assert "without the allowance" not in done.output
    assert "no guarantee" in done.output
    assert run("target", "--car", path, "--surface-angle", 200).exit_code == 2
    assert "0.00 N" in run("target", "--car", path, "--surface-angle", 0).output
    assert isinstance(run("target", "--car", tmp_path / "none.toml").exception, CarError)


def test_which_limbs_lean_is_said_or_given() -> None:
    assumed = undertray("column", "60 mm", "--incline", 30, "--water-c", 21, "--latitude", 47)
    assert "both limbs lean, at 30 degrees, as nothing else is said (--leaning one)" in assumed.stdout
    given = undertray(
        "column", "60 mm", "--incline", 30, "--leaning", "one", "--water-c", 21, "--latitude", 47
    )
    assert "45.000 mm of water upright" in given.stdout
    assert "as nothing else is said" not in given.stdout
    wrong = undertray("column", "60 mm", "--incline", 30, "--leaning", "some")
    assert wrong.returncode == 1
    assert "expected both or one" in wrong.stderr
