"""Integration over the floor against classical results and an independent geometry library."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
import shapely.ops
from scipy.interpolate import LinearNDInterpolator
from scipy.spatial import Delaunay

from fakes.cars import bare_car, grid
from undertray.reduce.geometry import area_and_centroid, delaunay, moment
from undertray.reduce.hold import hold_need
from undertray.reduce.loads import load_matrix
from undertray.units import quantity


@pytest.mark.parametrize(("p", "q"), [(0, 0), (1, 0), (0, 1), (2, 0), (1, 1), (0, 2)])
def test_moments_of_the_unit_triangle(p, q):
    # published: integral of x^p y^q over the unit right triangle is p! q! / (p + q + 2)! (Dirichlet)
    expected = math.factorial(p) * math.factorial(q) / math.factorial(p + q + 2)
    assert moment([(0, 0), (1, 0), (0, 1)], p, q) == pytest.approx(expected, rel=1e-14)


def test_moments_of_an_l_shape():
    # derived: two rectangles of 3 x 1 and 1 x 1 added by hand
    corners = [(0, 0), (3, 0), (3, 1), (1, 1), (1, 2), (0, 2)]
    values = [moment(corners, *pq) for pq in ((0, 0), (1, 0), (0, 1), (2, 0), (1, 1), (0, 2))]
    assert values == pytest.approx([4, 5, 3, 28 / 3, 3, 10 / 3], rel=1e-14)
    assert area_and_centroid(corners)[1] == pytest.approx((1.25, 0.75), rel=1e-14)


def test_moments_far_from_the_origin_keep_their_digits():
    # 1e6 times its own size away a naive sum has lost 12 of 16 digits
    area, centre = area_and_centroid([(1e6 + x, y - 1e6) for x, y in ((0, 0), (1, 0), (1, 1), (0, 1))])
    assert area == pytest.approx(1.0, rel=1e-9)
    assert centre == pytest.approx((1e6 + 0.5, 0.5 - 1e6), rel=1e-15)


def test_five_taps_on_the_unit_square():
    # derived: the cell in the middle is the square |x| + |y| <= 1/4 about it, 1/8; symmetry does the rest
    taps = [(0.25, 0.25), (0.25, 0.75), (0.75, 0.25), (0.75, 0.75), (0.5, 0.5)]
    load = load_matrix(bare_car([(0, 0), (1, 0), (1, 1), (0, 1)], taps))
    assert load.area_m2 * 1e6 == pytest.approx([0.21875] * 4 + [0.125], rel=1e-12)


@pytest.mark.parametrize("seed", range(8))
def test_cells_against_shapely(seed):
    # published: Thiessen cells; shapely (GEOS) makes them another way, from a Delaunay triangulation
    rng = np.random.default_rng(seed)
    outline = [(0, 0), (390, 0), (390, 80), (300, 95), (300, 190), (120, 150), (0, 190)]
    floor = shapely.Polygon(outline)
    taps: list[tuple[float, float]] = []
    while len(taps) < 6:
        x, y = rng.uniform((0, 0), (390, 190)).tolist()
        if floor.contains(shapely.Point(x, y)):
            taps.append((x, y))
    load = load_matrix(bare_car(outline, taps))
    cells = shapely.voronoi_polygons(shapely.MultiPoint(taps), extend_to=floor.buffer(500))
    for tap, area, centre in zip(taps, load.area_m2, load.centre_mm, strict=True):
        cell = next(c for c in cells.geoms if c.contains(shapely.Point(tap))).intersection(floor)
        assert area * 1e6 == pytest.approx(cell.area, rel=1e-9)
        assert centre == pytest.approx((cell.centroid.x, cell.centroid.y), rel=1e-9)


@pytest.mark.parametrize("seed", range(6))
def test_triangles_against_scipy(seed):
    """Delaunay triangles by qhull (scipy), which makes them by lifting to a paraboloid."""
    points = np.random.default_rng(seed).uniform(0, 300, (9, 2))
    ours = {frozenset(t) for t in delaunay([tuple(p) for p in points.tolist()])}
    assert ours == {frozenset(t.tolist()) for t in Delaunay(points).simplices}


@pytest.mark.parametrize("seed", range(3))
def test_linear_load_against_scipy(seed):
    """A fine sum over scipy's linear interpolation within the hull, and its nearest point outside."""
    rng = np.random.default_rng(seed)
    floor = [(0, 0), (390, 0), (390, 190), (0, 190)]
    taps = np.concatenate([rng.uniform((40, 30), (350, 160), (6, 2))])
    suction = rng.uniform(200, 900, 6)
    load = load_matrix(bare_car(floor, [tuple(p) for p in taps.tolist()], load="linear"))
    n = (195, 95)
    xy = np.array(grid(390, 190, *n))
    hull = shapely.MultiPoint(taps).convex_hull
    near = [shapely.ops.nearest_points(hull, shapely.Point(p))[0] for p in xy.tolist()]
    centre = np.array(hull.centroid.coords[0])
    on_hull = np.array([(p.x, p.y) for p in near])
    at = centre + (on_hull - centre) * (1 - 1e-9)  # a hair inside: on the hull itself scipy gives NaN
    values = LinearNDInterpolator(taps, suction)(at)
    # derived tolerance: midpoint rule of 2 mm squares over a function with kinks
    assert load.matrix[0] @ suction == pytest.approx(values.mean() * 0.39 * 0.19, rel=1e-4)


def franke(x, y):
    """R. Franke, A critical comparison of some methods for interpolation, NPS-53-79-003 (1979)."""
    return (
        0.75 * np.exp(-((9 * x - 2) ** 2 + (9 * y - 2) ** 2) / 4)
        + 0.75 * np.exp(-((9 * x + 1) ** 2) / 49 - (9 * y + 1) / 10)
        + 0.5 * np.exp(-((9 * x - 7) ** 2 + (9 * y - 3) ** 2) / 4)
        - 0.2 * np.exp(-((9 * x - 4) ** 2) - (9 * y - 7) ** 2)
    )


def test_franke_integral():
    # published function, its integral from the closed form in erf; cells at their centres are the
    # midpoint rule, second order
    errors = []
    for n in (8, 16):
        taps = grid(1, 1, n, n)
        load = load_matrix(bare_car([(0, 0), (1, 0), (1, 1), (0, 1)], taps))
        force = load.matrix[0] @ franke(*np.array(taps).T) * 1e6
        errors.append(abs(force - 0.40696958949155604))
    assert errors[0] < 2e-3
    assert errors[1] < errors[0] / 3.5  # a quarter, but for higher orders


@pytest.mark.parametrize(
    ("corners", "ratio"),
    [
        ([(0, 0), (1, 0), (1, 1), (0, 1)], 2 / 3),
        ([(0.5, 0), (1, 1), (0, 1)], 3 / 4),
        ([(0, 0), (1, 0), (0.5, 1)], 1 / 2),
    ],
    ids=["rectangle", "apex up", "base up"],
)
def test_hydrostatic_centre_of_pressure(corners, ratio):
    """Handbook values for a plate below the water's surface, pressure growing with depth y."""
    # derived tolerance: with n strips at their centroids the error is sum of h^2/12 over the depth squared
    n = 40
    taps = [(0.5, (j + 0.5) / n) for j in range(n)]
    load = load_matrix(bare_car(corners, taps))
    suction = load.centre_mm[:, 1]
    force, roll_nm = load.matrix[0] @ suction, load.matrix[4] @ suction
    assert 1e3 * roll_nm / force == pytest.approx(ratio, abs=1 / (4 * n * n))


@pytest.mark.parametrize(
    ("corners", "ratio"),
    [
        ([(0, 0), (1, 0), (1, 1), (0, 1)], 2 / 3),
        ([(0.5, 0), (1, 1), (0, 1)], 3 / 4),
        ([(0, 0), (1, 0), (0.5, 1)], 1 / 2),
    ],
    ids=["rectangle", "apex up", "base up"],
)
def test_hydrostatic_centre_of_pressure_is_exact_when_linear(corners, ratio):
    # published: handbook values of hydrostatics; taps in the corners, so nothing is extrapolated
    load = load_matrix(bare_car(corners, corners, load="linear"))
    suction = np.array([y for _, y in corners])
    force, roll_nm = load.matrix[0] @ suction, load.matrix[4] @ suction
    assert 1e3 * roll_nm / force == pytest.approx(ratio, rel=1e-12)


def test_ten_pounds_on_120_square_inches():
    # common practice, no source: 10 lbf on 120 in2 is "about 2.3 inches of water"; the suction is read in
    # that unit, the floor given in inches, and the force comes out of the load matrix
    floor = [
        (quantity(x, "mm", "x"), quantity(y, "mm", "y")) for x, y in (("0 in", "0 in"), ("12 in", "0 in"))
    ]
    floor += [(floor[1][0], quantity("10 in", "mm", "y")), (0.0, quantity("10 in", "mm", "y"))]
    load = load_matrix(bare_car(floor, [(100, 100)]))
    # derived: 120 x 0.0254^2 x 2.3 x 249.08891 Pa
    assert load.matrix[0, 0] * quantity("2.3 inH2O", "Pa", "p") == pytest.approx(44.3538, abs=5e-5)


@pytest.mark.parametrize(("inches", "holds"), [(5.0, False), (5.1, True), (6.0, True)])
def test_five_to_six_inches_hold_three_times_a_light_car(inches, holds):
    # common practice, no source: 5 to 6 inH2O on 120 in2 is about three times the weight of a 7.25 lb car;
    # derived: exactly three times at 5.02 inH2O. The allowance of 2 makes the need three times the weight
    inch = 25.4
    floor = [(0, 0), (12 * inch, 0), (12 * inch, 10 * inch), (0, 10 * inch)]
    car = bare_car(floor, [(6 * inch, 5 * inch)], mass_kg=quantity("7.25 lb", "kg", "mass"), allowance=2.0)
    force_n = load_matrix(car).matrix[0, 0] * quantity(f"{inches} inH2O", "Pa", "p")
    assert bool(force_n > hold_need(car).whole_n) is holds
