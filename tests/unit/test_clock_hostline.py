"""The host's clock over board time: lower convex hull."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import linprog
from scipy.spatial import ConvexHull

from undertray.acquire.clock import host_line, lower_hull


def by_linear_program(x: np.ndarray, y: np.ndarray) -> tuple[float, float]:
    """Moon, Skelly, Towsley, INFOCOM 1999: maximise n a + b sum x with a + b x_i <= y_i."""
    solved = linprog(
        [-len(x), -x.sum()], A_ub=np.column_stack([np.ones_like(x), x]), b_ub=y, bounds=[(None, None)] * 2
    )
    assert solved.success
    return solved.x[0], solved.x[1]


def test_five_points_by_hand() -> None:
    # derived by hand: of the hull's edges the one from (1, 11.1) to (3, 13.2) spans the mean x = 2
    x, y = np.arange(5.0), np.array([10.5, 11.1, 12.9, 13.2, 14.4])
    assert lower_hull(x, y).tolist() == [0, 1, 3, 4]
    line = host_line(x, y)
    assert line.offset_s == pytest.approx(10.05, abs=1e-12)
    assert line.slope == pytest.approx(1.05, abs=1e-12)
    assert float(np.sum(y - line.offset_s - line.slope * x)) == pytest.approx(1.35, abs=1e-12)
    assert by_linear_program(x, y) == pytest.approx((10.05, 1.05), abs=1e-9)


@pytest.mark.parametrize("seed", range(4))
def test_the_hull_gives_the_linear_program_s_optimum(seed: int) -> None:
    rng = np.random.default_rng(seed)
    x = np.cumsum(rng.uniform(0.004, 0.006, 2000))
    y = 3.0 + x * (1 + 37e-6) + 0.8e-3 + rng.gamma(2, 1.5e-3, 2000)
    line, (a, b) = host_line(x, y), by_linear_program(x, y)
    # the solver's own feasibility tolerance is 1e-7; the cost is what both minimise
    assert np.all(y - line.offset_s - line.slope * x >= -1e-12)
    cost = float(np.sum(y - line.offset_s - line.slope * x))
    assert cost <= np.sum(y - a - b * x) + 2000 * 1e-7
    assert line.slope == pytest.approx(b, abs=1e-6)


points = st.lists(st.tuples(st.integers(0, 60), st.integers(-40, 40)), min_size=3, max_size=60)


@given(points)
def test_the_hull_is_the_lower_half_of_qhull_s(pairs: list[tuple[int, int]]) -> None:
    pairs = sorted(pairs)
    x, y = (np.array(values, dtype=float) for values in zip(*pairs, strict=True))
    corner = lower_hull(x, y)
    assert np.all(np.diff(x[corner]) > 0)
    slopes = np.diff(y[corner]) / np.diff(x[corner])
    assert np.all(np.diff(slopes) > 0)
    assert np.all(y >= np.interp(x, x[corner], y[corner]) - 1e-9)
    if np.linalg.matrix_rank(np.column_stack([x - x[0], y - y[0]])) == 2:
        theirs = {pairs[i] for i in ConvexHull(np.column_stack([x, y])).vertices}
        assert {pairs[i] for i in corner} <= theirs


@pytest.mark.parametrize("seed", range(6))
def test_thinned_points_have_the_same_hull(seed: int) -> None:
    rng = np.random.default_rng(seed)
    x = np.cumsum(rng.uniform(0.0, 0.01, 5001))
    bow = (0.0, 1e-4, -1e-4)[seed % 3]
    y = 3.0 + x + rng.gamma(2, 1.5e-3, len(x)) + bow * (x - x.mean()) ** 2
    slopes = np.diff(y[corner := lower_hull(x, y)]) / np.diff(x[corner])
    assert np.all(np.diff(slopes) > 0)
    tilted = np.column_stack([x, y - x])  # the same hull, better conditioned
    below = tilted[:, 1] <= np.interp(x, x[corner], tilted[corner, 1])
    assert np.flatnonzero(below).tolist() == corner.tolist()
    assert set(corner.tolist()) <= set(ConvexHull(tilted).vertices.tolist())


@pytest.mark.parametrize("shape", ["convex", "concave", "worst", "line"])
def test_no_shape_takes_long(shape: str) -> None:
    x = np.arange(100_000.0)
    y = {"convex": x**2, "concave": -(x**2), "worst": x**2, "line": 2 * x}[shape]
    if shape == "worst":
        y = y.copy()
        y[-1] = -1e12  # undoes a convex curve corner by corner from its end
    corner = lower_hull(x, y)
    assert len(corner) == {"convex": 100_000, "concave": 2, "worst": 2, "line": 2}[shape]
