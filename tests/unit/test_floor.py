"""The load matrix: what must hold for any floor and any taps."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fakes.cars import bare_car
from undertray.errors import ReductionError
from undertray.reduce.geometry import area_and_centroid, clip, first_crossing, holds_point
from undertray.reduce.loads import load_matrix

RECTANGLE = ((-60.0, -95.0), (330.0, -95.0), (330.0, 95.0), (-60.0, 95.0))
L_SHAPE = ((0.0, 0.0), (3.0, 0.0), (3.0, 1.0), (1.0, 1.0), (1.0, 2.0), (0.0, 2.0))
# taps on a raster of 0.5 mm: three of them lie on one line, or clearly do not
places = st.tuples(st.integers(-100, 640), st.integers(-180, 180)).map(lambda p: (p[0] / 2, p[1] / 2))


@settings(max_examples=80, deadline=None)
@given(
    st.lists(places, min_size=1, max_size=9, unique=True),
    st.sampled_from(["cells", "linear"]),
)
def test_uniform_suction_is_exact(taps, way):
    # derived: cells cover the floor once, so force and centre are those of the whole floor
    load = load_matrix(bare_car(RECTANGLE, taps, wheelbase_mm=320.0, load=way))
    force, front, rear, pitch, roll, left, right = load.matrix @ np.full(len(taps), 1000.0)
    assert force == pytest.approx(1000 * 0.39 * 0.19, rel=1e-9)
    assert pitch / force == pytest.approx(0.135, rel=1e-9)
    assert roll / force == pytest.approx(0.0, abs=1e-9)
    assert front + rear == pytest.approx(force, rel=1e-9)
    assert rear == pytest.approx(force * 135 / 320, rel=1e-9)
    assert (left, right) == (pytest.approx(force / 2, rel=1e-9), pytest.approx(force / 2, rel=1e-9))


@settings(max_examples=40, deadline=None)
@given(st.floats(0.05, 2.95), st.floats(0.05, 0.95), st.floats(0.05, 0.95), st.floats(1.05, 1.95))
def test_a_floor_that_is_not_convex_is_covered_once(x1, y1, x2, y2):
    load = load_matrix(bare_car(L_SHAPE, [(x1, y1), (x2, y2)]))
    assert load.area_m2.sum() == pytest.approx(4e-6, rel=1e-9)
    centre = load.area_m2 @ load.centre_mm / load.area_m2.sum()
    assert centre == pytest.approx([1.25, 0.75], rel=1e-9)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(places, min_size=0, max_size=5, unique=True),
    st.tuples(st.floats(-1, 1), st.floats(-1, 1)),
)
def test_linear_load_is_exact_for_a_slope_within_the_hull(inner, slope):
    # derived: moments of the rectangle; a tap in each corner leaves nothing outside the hull
    taps = [*RECTANGLE, *inner]
    load = load_matrix(bare_car(RECTANGLE, taps, load="linear"))
    assert load.extrapolated == pytest.approx(0.0, abs=1e-9)
    x, y = np.array(taps).T
    force, _, _, pitch, roll, _, right = load.matrix @ (500 + slope[0] * x + slope[1] * y)
    area = 0.39 * 0.19
    assert force == pytest.approx(area * (500 + slope[0] * 135), rel=1e-9)
    assert pitch == pytest.approx(area * (500 * 0.135 + slope[0] * (135 * 0.135 + 390**2 / 12e3)), rel=1e-9)
    assert roll == pytest.approx(area * slope[1] * 190**2 / 12e3, rel=1e-9, abs=1e-9)
    assert right == pytest.approx(area / 2 * (500 + slope[0] * 135 + slope[1] * 47.5), rel=1e-9)


def test_the_share_outside_the_hull_is_stated():
    # derived: a square of 100 x 100 mm within 390 x 190
    car = bare_car(RECTANGLE, [(0, -50), (100, -50), (100, 50), (0, 50)], load="linear")
    assert load_matrix(car).extrapolated == pytest.approx(1 - 1e4 / (390 * 190))
    assert load_matrix(bare_car(RECTANGLE, [(0, 0), (100, 0), (200, 0)])).extrapolated == 1.0


def test_beyond_the_hull_the_nearest_point_of_it_counts():
    # derived: a strip of taps across; ahead of and behind it suction is that of its nearer edge
    floor = ((-100.0, -50.0), (200.0, -50.0), (200.0, 50.0), (-100.0, 50.0))
    car = bare_car(floor, [(0, -50), (100, -50), (100, 50), (0, 50)], load="linear")
    load = load_matrix(car)
    force = load.matrix[0] @ np.array([100.0, 300.0, 300.0, 100.0])
    assert force == pytest.approx(0.01 * (100 + 200 + 300), rel=1e-9)


def test_a_missing_tap_leaves_its_cell_to_its_neighbours():
    car = bare_car(RECTANGLE, [(20, -60), (20, 60), (260, -60), (260, 60)])
    load = load_matrix(car, {"t0", "t2", "t3"})
    assert load.taps == ("t0", "t2", "t3")
    assert load.area_m2.sum() == pytest.approx(load.floor_m2)
    assert load.area_m2[0] == pytest.approx(load_matrix(car).area_m2[[0, 1]].sum(), rel=0.2)
    with pytest.raises(ReductionError, match="no tap"):
        load_matrix(car, set())


def test_a_given_area_overrides_the_cell_and_acts_at_the_tap():
    car = bare_car(RECTANGLE, [(20, 0), (260, 0)])
    given_area = replace(car, taps=(replace(car.taps[0], area_mm2=9500.0), car.taps[1]))
    load = load_matrix(given_area)
    assert load.area_m2[0] == pytest.approx(0.0095)
    assert load.centre_mm[0] == pytest.approx([20.0, 0.0])
    assert load.area_m2[1] == pytest.approx(load_matrix(car).area_m2[1])


def test_overhang_beyond_an_axle_lifts_the_other():
    load = load_matrix(bare_car(((0.0, -1.0), (2000.0, -1.0), (2000.0, 1.0), (0.0, 1.0)), [(1500.0, 0.0)]))
    _, front, rear, *_ = load.matrix @ np.array([1.0])
    assert front == pytest.approx(0.0, abs=1e-12)  # centre right over the rear axle
    assert rear == pytest.approx(load.floor_m2)


@pytest.mark.parametrize(
    ("corners", "crosses"),
    [
        (RECTANGLE, False),
        (L_SHAPE, False),
        (((0, 0), (2, 2), (2, 0), (0, 2)), True),  # bow tie
        (((0, 0), (4, 0), (4, 4), (2, 0), (0, 4)), True),  # a corner touches an edge
        (((0, 0), (4, 0), (2, 0), (2, 3)), True),  # an edge folds back on its neighbour
        (((0, 0), (1, 0), (2, 0), (2, 1), (0, 1)), False),  # a corner that is none
    ],
)
def test_crossing(corners, crosses):
    assert (first_crossing(corners) is not None) is crosses


def test_inside_counts_the_outline():
    assert holds_point(L_SHAPE, (1.0, 1.0))
    assert holds_point(L_SHAPE, (0.0, 1.5))
    assert holds_point(L_SHAPE, (2.9, 0.5))
    assert not holds_point(L_SHAPE, (1.5, 1.5))
    assert not holds_point(L_SHAPE, (-0.01, 0.5))


def test_clip_of_a_floor_that_falls_apart():
    u = ((0, 0), (3, 0), (3, 2), (2, 2), (2, 1), (1, 1), (1, 2), (0, 2))
    # derived: above y = 1.5 two squares of 1 x 0.5 are left
    area, centre = area_and_centroid(clip(u, 0.0, -1.0, -1.5))
    assert area == pytest.approx(1.0)
    assert centre == pytest.approx((1.5, 1.75))


def test_given_areas_are_taken_as_they_are():
    car = bare_car(RECTANGLE, [(20, -60), (20, 60), (260, 0)], wheelbase_mm=320.0)
    taps = tuple(replace(t, area_mm2=a) for t, a in zip(car.taps, (9000.0, 8000.0, 20000.0), strict=True))
    car = replace(car, taps=taps, load="areas")
    load = load_matrix(car)
    # derived: N per Pa is the area in m2; moments at the taps' own places
    assert load.matrix[0] == pytest.approx([0.009, 0.008, 0.02])
    assert load.matrix[3] == pytest.approx([0.009 * 0.02, 0.008 * 0.02, 0.02 * 0.26])
    assert load.matrix[5] == pytest.approx([0.009, 0, 0.01])
    assert load.matrix[6] == pytest.approx([0, 0.008, 0.01])
    # a tap that fell out takes the reading of the nearest, at its own place
    without = load_matrix(car, {"t1", "t2"})
    assert without.matrix[0] == pytest.approx([0.017, 0.02])
    assert without.matrix[4] == pytest.approx([0.008 * 0.06 - 0.009 * 0.06, 0])


def test_the_diagonal_of_a_rectangle_of_taps_does_not_matter():
    taps = [(20, -60), (20, 60), (260, -60), (260, 60)]
    load = load_matrix(bare_car(RECTANGLE, taps, wheelbase_mm=320.0, load="linear"))
    # derived: mirrored in the middle line, left and right change places
    assert load.matrix[0, 0] == pytest.approx(load.matrix[0, 1], rel=1e-12)
    assert load.matrix[5, [0, 1]] == pytest.approx(load.matrix[6, [1, 0]], rel=1e-12)


def test_taps_nearly_in_line_end_in_a_result():
    rng = np.random.default_rng(1)
    for _ in range(50):
        x = np.sort(rng.uniform(-50, 320, 6))
        y = rng.choice([0.0, 1e-6, 1e-5, 1e-3, 40.0], 6)
        car = bare_car(RECTANGLE, list(zip(x.tolist(), y.tolist(), strict=True)), load="linear")
        # derived: shares add up to the floor; a sliver of 1e-6 mm costs some digits, not the result
        assert load_matrix(car).area_m2.sum() == pytest.approx(0.39 * 0.19, rel=1e-6)
