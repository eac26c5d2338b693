"""Non-linearity, hysteresis and repeatability on data with known answers."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from undertray.calibrate.curve import hysteresis, levels, nonlinearity, repeatability


def test_a_parabola_by_every_line():
    # exact: output = x + 4 e x (1 - x): terminal e, independent e/2, least squares (dense) 2e/3
    e = 0.01
    x = np.linspace(0, 1, 2001)
    found = nonlinearity(x, x + 4 * e * x * (1 - x))
    assert found["terminal"] == pytest.approx(e, rel=1e-9)
    assert found["independent"] == pytest.approx(e / 2, rel=1e-6)
    # in the limit of dense points; 2000 of them are 1/2000 off
    assert found["least squares"] == pytest.approx(2 * e / 3, rel=2e-3)


@given(st.lists(st.floats(-10, 10), min_size=3, max_size=12))
def test_the_independent_line_is_the_best(deviations):
    linprog = pytest.importorskip("scipy.optimize").linprog
    y = np.array(deviations)
    x = np.arange(len(y), dtype=float)
    # reference: least t with |y - a - b x| <= t, by linear programming
    rows = np.column_stack([np.ones_like(x), x])
    a_ub = np.block([[-rows, -np.ones((len(x), 1))], [rows, -np.ones((len(x), 1))]])
    best = linprog([0, 0, 1], a_ub, np.concatenate([-y, y]), bounds=[(None, None)] * 3).fun
    found = nonlinearity(x, y)
    assert found["independent"] == pytest.approx(best, abs=1e-7)
    assert found["independent"] <= min(found.values()) + 1e-9
    assert found["zero-based"] <= found["terminal"] + 1e-9


def test_levels_gather_both_directions_and_near_heights():
    height = np.array([0, 50, 100, 50.4, 0.3, 49.9])
    upward = np.array([True, True, True, False, False, True])
    at = levels(height, upward, np.array([0.0, 1.0, 5.0, 3.0, 0.5, 1.2]))
    assert [round(level.height, 1) for level in at] == [0.1, 50.1, 100.0]
    assert hysteresis(at) == pytest.approx(3.0 - 1.1)
    assert repeatability(at) == pytest.approx(0.2)


def test_what_was_not_measured_is_none():
    at = levels(np.arange(6.0), np.ones(6, bool), np.arange(6.0))
    assert hysteresis(at) is None
    assert repeatability(at) is None


def test_the_turning_point_has_no_hysteresis():
    height = np.array([0.0, 1, 2, 2, 1, 0])
    upward = np.arange(6) < 3
    at = levels(height, upward, np.array([0.0, 0, 0, 9, 2, 1]))
    assert hysteresis(at) == 2
