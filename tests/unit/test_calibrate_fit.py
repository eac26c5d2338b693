"""The fit against a plain minimiser, and on awkward points. Published cases: tests/standards."""

from __future__ import annotations

import numpy as np
import pytest

from undertray.calibrate.fit import fit_polynomial
from undertray.errors import CalibrationError

optimize = pytest.importorskip("scipy.optimize")
stats = pytest.importorskip("scipy.stats")


@pytest.mark.parametrize("seed", range(12))
def test_line_with_errors_in_both_axes_against_a_minimiser(seed):
    """The line minimises (y - b0 - b1 x)^T M^-1 (...), M with the shared errors written out in full."""
    rng = np.random.default_rng(seed)
    n = int(rng.integers(4, 15))
    x = np.sort(rng.uniform(0, 10, n))
    u_x, u_y = rng.uniform(0.05, 0.5, n), rng.uniform(0.05, 0.5, n)
    e_x, e_y = rng.normal(0, 0.3, n), rng.normal(0, 0.3, n)
    y = 1 + 2 * x + rng.normal(0, u_y)
    x = x + rng.normal(0, u_x)

    def weighted_squares(b):
        e = e_y - b[1] * e_x
        matrix = np.diag(u_y**2 + b[1] ** 2 * u_x**2) + np.outer(e, e)
        r = y - b[0] - b[1] * x
        return r @ np.linalg.solve(matrix, r)

    fit = fit_polynomial(x, y, u_x=u_x, u_y=u_y, shared={"s": (e_x, e_y)})
    best = optimize.minimize(
        weighted_squares, fit.coefficients, method="Nelder-Mead", options={"xatol": 1e-10, "fatol": 1e-13}
    )
    assert fit.chi_squared == pytest.approx(weighted_squares(fit.coefficients), rel=1e-9)
    assert fit.chi_squared <= best.fun * (1 + 1e-9)
    # the minimiser knows its place to the root of its function's precision
    np.testing.assert_allclose(fit.coefficients, best.x, rtol=1e-5, atol=1e-5)


@pytest.mark.parametrize("seed", range(6))
def test_parabola_with_errors_in_both_axes_against_a_minimiser(seed):
    rng = np.random.default_rng(seed)
    true_x = np.linspace(0, 10, 9)
    u_x, u_y = np.full(9, 0.1), np.full(9, 0.2)
    x = true_x + rng.normal(0, u_x)
    y = 1 + 2 * true_x + 0.1 * true_x**2 + rng.normal(0, u_y)

    def squares(unknown):  # b and the nine corrected x, nothing linearised
        b, corrected = unknown[:3], unknown[3:]
        return np.concatenate(
            [(x - corrected) / u_x, (y - np.polynomial.polynomial.polyval(corrected, b)) / u_y]
        )

    fit = fit_polynomial(x, y, u_x=u_x, u_y=u_y, degree=2)
    best = optimize.least_squares(
        squares, np.concatenate([fit.coefficients, x]), xtol=1e-14, ftol=1e-14, gtol=1e-14
    )
    # linearised at the corrected points the conditions of the minimum are exact once it has settled
    assert fit.chi_squared == pytest.approx(2 * best.cost, rel=1e-8)
    np.testing.assert_allclose(fit.coefficients, best.x[:3], rtol=1e-6)


def test_zeros_far_apart_do_not_pull_the_slope():
    # three zero points, exact in pressure, 20 Pa apart, each said to be good to 0.025 Pa
    x = np.array([-25.0, -10, -5, 25, 40, 120, 180, 185, 250])
    y = np.array([0.0, 0, 0, 98, 98, 196, 293, 293, 391])
    fit = fit_polynomial(x, y, u_x=0.025, u_y=np.where(y > 0, 0.5, 0.0))
    assert fit.coefficients[1] == pytest.approx(1.5, abs=0.2)
    assert fit.p_value < 1e-6


def test_scale_of_the_numbers_does_not_matter():
    rng = np.random.default_rng(4)
    x = np.linspace(0, 1, 8)
    y = 3 + 2 * x + rng.normal(0, 0.01, 8)
    one = fit_polynomial(x, y, u_x=0.01, u_y=0.01, degree=2)
    big = fit_polynomial(1e6 * x, 1e-3 * y, u_x=1e4, u_y=1e-5, degree=2)
    np.testing.assert_allclose(big.coefficients * [1e3, 1e9, 1e15], one.coefficients, rtol=1e-9)
    np.testing.assert_allclose(big.standard_errors * [1e3, 1e9, 1e15], one.standard_errors, rtol=1e-9)


@pytest.mark.parametrize(
    ("x", "y", "options", "said"),
    [
        ([1.0], [1.0], {"u_y": 1.0}, "number of points"),
        ([1.0, 2.0], [1.0, 2.0], {}, "number of points"),
        ([1.0, 2.0, 3.0], [1.0, 2.0], {}, "number of points"),
        ([1.0, 1.0, 1.0], [1.0, 2.0, 3.0], {}, "do not change"),
        ([1.0, 2.0, np.nan], [1.0, 2.0, 3.0], {}, "not a finite number"),
        (
            [1.0, 2.0, 3.0],
            [1.0, 2.0, 3.0],
            {"u_y": np.array([1.0, 0.0, 1.0])},
            "no uncertainty of its own, got 'point 2'",
        ),
        (np.arange(20_000.0), np.arange(20_000.0), {}, "number of points"),
    ],
)
def test_points_that_cannot_be_fitted(x, y, options, said):
    with pytest.raises(CalibrationError) as caught:
        fit_polynomial(np.array(x), np.array(y), **options)
    assert said in str(caught.value)


def test_no_scatter_without_a_point_to_spare():
    fit = fit_polynomial(np.array([0.0, 1.0]), np.array([0.0, 1.0]), u_y=1.0)
    assert np.isnan(fit.residual_sd)
    assert np.isnan(fit.p_value)
    with pytest.raises(CalibrationError, match="no scatter to judge by"):
        fit.enlarged()


def test_a_scatter_taken_about_another_curve_has_the_degrees_of_freedom_of_that() -> None:
    # GUM G.4.1: a factor has the degrees of freedom of the variance that it stands on
    rng = np.random.default_rng(8)
    x = np.linspace(0, 900, 9)
    y = x + rng.normal(0, 8, 9)
    line, cubic = (fit_polynomial(x, y, u_y=1.0, degree=degree) for degree in (1, 3))
    row = np.array([1.0, 450.0])
    for about in (line, cubic):
        assert line.enlarged(about).coverage_factor(row) == pytest.approx(
            stats.t.ppf(0.975, about.dof), rel=1e-9
        )
