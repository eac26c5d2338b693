"""Axle loads, margins upside down and grip: worked values of two-support statics.

Car of 25 N, wheelbase 280 mm, centre of gravity 150 mm and centre of suction 120 mm behind the front axle,
44.48 N of suction (10 lbf). The values were worked by hand outside this project from the textbook relations
front = W (L - x_g)/L + D (L - x_p)/L and a = mu (W + D)/m.
"""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from fakes.cars import bare_car
from fakes.reductions import invented_reduction
from undertray.predict.drivable import Windows, whereabouts
from undertray.reduce.grip import grip
from undertray.reduce.hold import hold_need
from undertray.reduce.loads import load_matrix
from undertray.reduce.summary import Estimate

G = 9.80665
D = 44.48


def worked_car(**changes):
    # a floor whose middle lies 120 mm behind the front axle, with its tap there
    floor = [(20, -80), (220, -80), (220, 80), (20, 80)]
    facts = {"mass_kg": 25 / G, "wheelbase_mm": 280.0, "front_weight": (280 - 150) / 280}
    return bare_car(floor, [(120, 0)], **(facts | {"tyre_mu": 0.9, "surface_angle_deg": 180.0} | changes))


def loads(car):
    matrix = load_matrix(car)
    return matrix.matrix @ np.array([D / matrix.floor_m2])


def test_axle_loads_and_margins_upside_down():
    car = worked_car()
    force, front, rear, *_ = loads(car)
    assert force == pytest.approx(D, rel=1e-12)
    assert front + car.weight_n * car.front_weight == pytest.approx(37.024, abs=5e-4)
    assert rear + car.weight_n * (1 - car.front_weight) == pytest.approx(32.456, abs=5e-4)
    need = hold_need(car)
    assert front - need.front_n == pytest.approx(13.810, abs=5e-4)
    assert rear - need.rear_n == pytest.approx(5.670, abs=5e-4)


def test_downforce_above_weight_is_not_enough():
    # derived: the least D that holds is W max[(L - x_g)/(L - x_p), x_g/x_p] = 25 * 150/120
    car = worked_car()
    _, front, rear, *_ = loads(car) * (25 * 150 / 120 / D)
    need = hold_need(car)
    assert rear - need.rear_n == pytest.approx(0, abs=1e-9)
    assert front > need.front_n


def test_allowance_angle_and_friction():
    # derived: a wall carries W by friction alone, D = W/mu; upside down D = W (1 + a); on the ground nothing
    assert hold_need(worked_car(surface_angle_deg=90.0)).whole_n == pytest.approx(25 / 0.9)
    assert hold_need(worked_car(surface_angle_deg=90.0)).by_friction
    assert hold_need(worked_car(allowance=0.3)).whole_n == pytest.approx(25 * 1.3)
    assert hold_need(worked_car(allowance=0.3)).front_n == pytest.approx(25 * 1.3 * 130 / 280)
    ground = hold_need(worked_car(surface_angle_deg=0.0))
    assert (ground.whole_n, ground.front_n, ground.rear_n) == (0, 0, 0)
    # derived: a ramp of 120 degrees, mu D' = W sin 120 with D' = D + W cos 120
    steep = hold_need(worked_car(surface_angle_deg=120.0))
    assert 0.9 * (steep.whole_n + 25 * np.cos(np.radians(120))) == pytest.approx(25 * np.sin(np.radians(120)))


def test_worked_grip():
    _, front, rear, *_ = loads(worked_car())
    found = grip(worked_car(), D, front, rear)
    assert found.ground_lateral_g * G == pytest.approx(24.529, abs=5e-4)
    assert found.ground_lateral_g == pytest.approx(2.501, abs=5e-4)
    assert found.to_speed[0].speed_m_s == pytest.approx(26.8224, abs=1e-9)  # 60 mph by definition
    assert found.to_speed[0].ground_s == pytest.approx(1.0935, abs=5e-5)
    # derived: upside down the weight takes from the load what it gives on the ground
    assert found.surface_lateral_g == pytest.approx(0.9 * (D - 25) / 25)
    assert found.to_speed[1].speed_m_s == pytest.approx(100 / 3.6)


def test_friction_known_to_a_range_moves_the_need_by_as_much():
    # derived: W/mu at 0.8 and 1.0 differ by 6.25 N about 25/0.9; a rectangle's 95 % half width by the GUM
    # (4.3.7, 5.1.2) is 1.96/sqrt(3) of its own: 1.13 x 25/0.9 x 0.1/0.9
    wall = hold_need(worked_car(surface_angle_deg=90.0, tyre_mu_within=0.1))
    assert wall.whole_u95_n == pytest.approx(1.1316 * 25 * 0.1 / 0.81, rel=1e-4)
    assert wall.whole_u95_n == pytest.approx(1.1316 * 6.25 / 2, rel=0.02)
    # derived: without a range given it is a tenth of mu; upside down and on the ground nothing slides
    assert hold_need(worked_car(surface_angle_deg=90.0)).whole_u95_n == pytest.approx(
        1.1316 * 2.5 / 0.9, rel=1e-4
    )
    for angle in (0.0, 180.0):
        assert hold_need(worked_car(surface_angle_deg=angle)).whole_u95_n == 0


def test_a_car_on_a_wall_is_in_its_window_for_sure_only_beyond_both_ends():
    car = worked_car(surface_angle_deg=90.0, tyre_mu_within=0.15, allowance=0.0)
    windows = Windows.of(car)
    low_pa, high_pa = windows.at(90.0).falls.low_pa, windows.at(90.0).falls.high_pa
    # derived: W/mu over the floor's area at mu 0.9 -+ 1.13 x 0.15 lies within, as one tap knows it less well
    area_m2 = 0.2 * 0.16
    assert low_pa < 25 / 1.07 / area_m2
    assert high_pa > 25 / 0.73 / area_m2
    series = invented_reduction(fold_at_s=None)
    for pa, place in (
        (low_pa - 5, "below_s"),
        ((low_pa + high_pa) / 2, "unsure_s"),
        (high_pa + 5, "inside_s"),
    ):
        suction = np.full(len(series.blocks.suction_pa), pa)
        blocks = dataclasses.replace(series.blocks, suction_pa=suction)
        found = whereabouts(dataclasses.replace(series, blocks=blocks), windows.at(90.0))
        seconds = {name: getattr(found, name) for name in ("below_s", "inside_s", "unsure_s", "above_s")}
        assert [name for name, value in seconds.items() if value > 0] == [place]


@pytest.mark.parametrize(
    ("a_g", "seconds"), [(1, 2.7351), (1.5, 1.8234), (2, 1.3676), (2.5, 1.0940), (3, 0.9117), (4, 0.6838)]
)
def test_time_to_60_mph_at_constant_acceleration(a_g, seconds):
    # worked values: v = 26.8224 m/s over a
    car = worked_car(tyre_mu=a_g * 25 / (25 + D))
    assert grip(car, D, D / 2, D / 2).to_speed[0].ground_s == pytest.approx(seconds, abs=5e-5)


def test_a_wall_takes_friction_for_the_weight_first():
    car = worked_car(surface_angle_deg=90.0)
    # derived: friction circle, sqrt((0.9 * 44.48)^2 - 25^2) over the weight
    assert grip(car, D, D / 2, D / 2).surface_lateral_g == pytest.approx(np.sqrt((0.9 * D) ** 2 - 625) / 25)
    weak = grip(car, 20.0, 10.0, 10.0)
    assert weak.surface_lateral_g == 0
    assert weak.to_speed[0].surface_s is None


def test_one_driven_axle_and_speeds_asked_for():
    car = worked_car(driven="rear")
    _, front, rear, *_ = loads(car)
    found = grip(car, D, front, rear, [10.0])
    # derived: the rear axle carries 32.456 N of the worked example
    assert found.to_speed[0].ground_s == pytest.approx(10 * (25 / G) / (0.9 * 32.456), rel=2e-5)
    assert found.ground_lateral_g == pytest.approx(2.501, abs=5e-4)
    assert grip(dataclasses.replace(car, tyre_mu=None), D, front, rear) is None


def test_height_on_a_wall_moves_load_between_the_axles():
    # derived: moments about the lower axle's contact line: W h / L more on it, as much less on the other, and
    # either may be the lower one; 25 N at 40 mm on 280 mm
    flat, tall = worked_car(surface_angle_deg=90.0), worked_car(surface_angle_deg=90.0, cg_height_mm=40.0)
    for side in ("front_n", "rear_n"):
        assert getattr(hold_need(tall), side) - getattr(hold_need(flat), side) == pytest.approx(25 * 40 / 280)
    assert hold_need(tall).whole_n == hold_need(flat).whole_n
    # upside down the weight pulls square to the surface: nothing moves
    assert hold_need(worked_car(cg_height_mm=40.0)) == hold_need(worked_car())


def on_the_axles(drive_n, front_n, rear_n, height, weight_n, front_weight):
    """Loads on the axles of a car that is driven, by moments about each contact line (level ground)."""
    return (
        front_n + front_weight * weight_n - drive_n * height,
        rear_n + (1 - front_weight) * weight_n + drive_n * height,
    )


@pytest.mark.parametrize("drag_n", [0.0, 5.0])
@pytest.mark.parametrize("driven", ["front", "rear", "all"])
def test_a_car_that_pulls_away_moves_its_load_to_the_rear(driven, drag_n):
    # derived: the most drive at which no driven axle needs more than mu times what is on it and the front is
    # on the ground, found by trying drives; nothing of the program's closed form is in it
    car = worked_car(driven=driven, cg_height_mm=30.0)
    _, front, rear, *_ = loads(car)
    most = 0.0
    for drive_n in np.linspace(0, 120, 120_001):
        on = on_the_axles(drive_n - drag_n, front, rear, 30 / 280, car.weight_n, car.front_weight)
        grips = {"front": on[0], "rear": on[1], "all": on[0] + on[1]}[driven]
        if on[0] >= 0 and drive_n <= 0.9 * grips:
            most = drive_n
    drag = Estimate(drag_n, 0.0)
    found = grip(car, D, front, rear, [10.0], drag_n=drag).to_speed[0].ground_s
    assert found == pytest.approx(10 * (car.weight_n / G) / (most - drag_n), rel=1e-4)
    flat = dataclasses.replace(car, cg_height_mm=None)
    level = grip(flat, D, front, rear, [10.0], drag_n=drag).to_speed[0].ground_s
    assert {"front": found > level, "rear": found < level, "all": found == level}[driven]


def test_a_tall_car_lifts_its_front_before_its_tyres_slip():
    car = worked_car(driven="rear", cg_height_mm=300.0)
    _, front, rear, *_ = loads(car)
    # derived: the drive whose moment about the rear contact line takes all load off the front axle
    most = (front + car.front_weight * car.weight_n) * 280 / 300
    found = grip(car, D, front, rear, [10.0])
    assert found.to_speed[0].ground_s == pytest.approx(10 * (car.weight_n / G) / most, rel=1e-6)
    assert found.braking_leaves_n < 0


def test_braking_moves_load_to_the_front():
    car = worked_car(cg_height_mm=30.0)
    _, front, rear, *_ = loads(car)
    found = grip(car, D, front, rear)
    # derived: mu (D + W) h / L, taken off the rear
    moved = 0.9 * (D + car.weight_n) * 30 / 280
    assert found.braking_moves_n == pytest.approx(moved, rel=1e-9)
    assert found.braking_leaves_n == pytest.approx(rear + (1 - car.front_weight) * car.weight_n - moved)
    bare = grip(dataclasses.replace(car, cg_height_mm=None), D, front, rear)
    assert (bare.braking_moves_n, bare.braking_leaves_n) == (None, None)


@pytest.mark.parametrize("angle_deg", [0.0, 90.0, 180.0])
def test_uncertainty_of_grip_and_times_by_drawing(angle_deg):
    """GUM Supplement 1: mu and force drawn, grip worked out by hand for each."""
    car = worked_car(surface_angle_deg=angle_deg, tyre_mu_within=0.05)
    found = grip(car, D, D / 2, D / 2, u95_n=(2.0, 1.0, 1.0))
    rng = np.random.default_rng(1)
    mu, force = 0.9 + rng.uniform(-0.05, 0.05, 200_000), D + rng.normal(0, 2.0 / 1.959964, 200_000)
    angle = np.radians(angle_deg)
    left = np.sqrt((mu * (force + 25 * np.cos(angle))) ** 2 - (25 * np.sin(angle)) ** 2)
    # the draws know a standard deviation to 0.2 %; differences in place of draws cost the rest
    assert found.surface_lateral_u95_g == pytest.approx(1.959964 * np.std(left) / 25, rel=0.02)
    time_s = found.to_speed[0].speed_m_s * (25 / G) / left
    assert found.to_speed[0].surface_u95_s == pytest.approx(1.959964 * np.std(time_s), rel=0.05)


def test_no_number_stands_for_a_grip_of_unknown_force_or_one_that_may_not_be():
    assert grip(worked_car(), D, D / 2, D / 2).ground_lateral_u95_g is None
    # derived: with mu 0.9 a wall takes 27.8 N; 28 +- 3 N may not hold at all, and then the time is endless
    wall = worked_car(surface_angle_deg=90.0)
    assert grip(wall, 28.0, 14.0, 14.0, u95_n=(3.0, 1.5, 1.5)).to_speed[0].surface_u95_s is None
