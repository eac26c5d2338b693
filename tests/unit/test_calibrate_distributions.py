"""Chi-squared, F and Student's t against a reference library."""

from __future__ import annotations

import math

import numpy as np
import pytest

from undertray.calibrate.distributions import (
    chi_squared_tail,
    f_tail,
    student_quantile,
    student_tail,
)

stats = pytest.importorskip("scipy.stats")


@pytest.mark.parametrize("dof", [1, 2, 3, 4, 9, 34, 200, 998])
def test_chi_squared(dof):
    for value in np.concatenate([[0.0, 1e-3], dof * np.linspace(0.05, 6, 40)]):
        # the tail itself, or where it is near 1 its complement, to rounding
        assert chi_squared_tail(value, dof) == pytest.approx(stats.chi2.sf(value, dof), rel=1e-11, abs=1e-14)


@pytest.mark.parametrize("below", [1, 2, 3, 7, 30, 500.5])
def test_f(below):
    for above in (1, 2, 5):
        for value in (0.0, 1e-6, 0.1, 1.0, 3.7, 12.0, 400.0):
            assert f_tail(value, above, below) == pytest.approx(stats.f.sf(value, above, below), rel=1e-11)


@pytest.mark.parametrize("dof", [1, 2, 3, 4.5, 9, 30, 1e3, 1e8, math.inf])
@pytest.mark.parametrize("probability", [0.02, 0.5, 0.6827, 0.95, 0.9545, 0.99, 1 - 2**-30])
def test_student(dof, probability):
    expected = stats.norm.ppf((1 + probability) / 2) if dof > 1e7 else stats.t.ppf((1 + probability) / 2, dof)
    assert student_quantile(dof, probability) == pytest.approx(expected, rel=1e-11)


@pytest.mark.parametrize("dof", [1, 2, 3, 4, 19, 60])
def test_student_of_many_values(dof):
    values = np.array([[-40.0, -1.3, 0.0], [0.2, 2.0, 9.0]])
    np.testing.assert_allclose(student_tail(values, dof), 2 * stats.t.sf(np.abs(values), dof), atol=1e-14)


# published: JCGM 100:2008 (GUM), table G.2, coverage factors for 95 %, to its two decimals
@pytest.mark.parametrize(
    ("dof", "k"),
    [(1, 12.71), (2, 4.30), (3, 3.18), (4, 2.78), (5, 2.57), (10, 2.23), (30, 2.04), (100, 1.984)],
)
def test_gum_table_g2(dof, k):
    assert student_quantile(dof, 0.95) == pytest.approx(k, abs=5.1e-3)
