"""Do the stated uncertainties hold? By simulation, numerical derivatives and Monte Carlo.

Coverage: 2,000 seeded calibrations each, every error drawn from the budget that is stated. At a true
coverage of 95 % the fraction found has a standard deviation of 0.5 %, so the band of 93 to 97 % is four
of them on either side.
"""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from undertray.calibrate.evaluate import Setup, calibrate
from undertray.calibrate.fit import fit_polynomial
from undertray.calibrate.liquid_column import Budget, Conditions, Tube
from undertray.calibrate.points import Points
from undertray.calibrate.surroundings import water_density_kg_m3

RUNS = 2000
ELEVEN = np.array([0.0, 20, 40, 60, 80, 100, 80, 60, 40, 20, 0])
SIX = np.array([0.0, 20, 40, 60, 80, 100])
B0, B1 = 4.0, 1.03
AT_PA = 575.0


def simulated(heights, setup, seed, draw="normal"):
    """One calibration whose true pressures are off by one draw of every stated source."""
    rng = np.random.default_rng(seed)
    unit = (
        rng.standard_normal
        if draw == "normal"
        else lambda size: rng.uniform(-math.sqrt(3), math.sqrt(3), size)
    )
    column = heights * setup.tube.gain * setup.conditions.pa_per_mm
    own = unit(len(heights)) * setup.budget.reading_pa(setup.tube, setup.conditions)
    if setup.zero_open:
        own[heights == 0] = 0
    shared = setup.budget.shared_pa(heights, setup.tube, setup.conditions, setup.zero_open)
    true = column + own + sum(unit(1) * pa for pa in shared.values())
    nominal = (true - B0) / B1 + rng.normal(0, setup.budget.sensor_pa, len(heights))
    upward = np.arange(len(heights)) <= np.argmax(heights)
    points = Points(("p1",), heights, upward, nominal[:, None])
    return calibrate(points, setup, made_utc="").columns["p1"]


def covered(heights, setup, draw="normal"):
    """Fraction of calibrations whose 95 % interval at AT_PA holds the truth, and without shared sources."""
    hits = np.zeros(2)
    for seed in range(RUNS):
        column = simulated(heights, setup, seed, draw)
        row = column.powers((AT_PA - B0) / B1)
        error = abs(float(row @ column.coefficients) - AT_PA)
        total = float(row @ column.covariance @ row)
        shared = sum(float(row @ moved) ** 2 for moved in column.shared.values())
        hits += error <= column.coverage_factor * np.sqrt([total, total - shared])
    return hits / RUNS


# a ruler that may be 1 % wrong outweighs everything else: more points do not help
RULER = Setup(budget=Budget(ruler=0.01))


@pytest.mark.statistics
@pytest.mark.parametrize(
    ("heights", "setup"),
    [(ELEVEN, Setup()), (SIX, Setup()), (ELEVEN, RULER), (SIX, dataclasses.replace(RULER, zero_open=True))],
    ids=["11 points", "6 points", "11 points, ruler", "6 points, ruler, open zero"],
)
def test_the_95_percent_interval_holds_the_truth(heights, setup):
    inside, without_shared = covered(heights, setup)
    assert 0.93 <= inside <= 0.97
    assert without_shared < 0.80  # averaging the shared errors down would be badly wrong


@pytest.mark.statistics
def test_rectangular_errors_are_not_under_covered():
    # their sum is flatter than normal, so k = 1.96 covers more, never less (GUM G.2.3 and table G.1)
    inside, _ = covered(SIX, Setup(), draw="rectangular")
    assert inside >= 0.93


@pytest.mark.statistics
@pytest.mark.parametrize("heights", [ELEVEN, SIX], ids=["11 points", "6 points"])
def test_errors_taken_from_the_scatter_need_students_t(heights):
    column = heights * 9.777
    rows = np.array([[1, 0], [0, 1], [1, 575.0]])
    truth = rows @ [B0, B1]
    hits, hits_normal = np.zeros(3), np.zeros(3)
    for seed in range(RUNS):
        rng = np.random.default_rng(seed)
        true = column + rng.normal(0, 3.0, len(column)) + rng.normal(0, 0.5)
        fit = fit_polynomial((column - B0) / B1, true, shared={"zero": (0.0, 0.5)})
        error = np.abs(rows @ fit.coefficients - truth)
        u = np.sqrt(np.einsum("ij,jk,ik->i", rows, fit.covariance, rows))
        hits += error <= [k * at for k, at in zip(map(fit.coverage_factor, rows), u, strict=True)]
        hits_normal += error <= 1.96 * u
    assert np.all((hits / RUNS >= 0.93) & (hits / RUNS <= 0.97))
    if len(heights) == 6:
        assert np.all(hits_normal / RUNS < 0.93)  # with 4 degrees of freedom the normal factor is too small


def test_uncertainty_against_numerical_derivatives():
    # every point moved a little both ways, the fit repeated: the law of propagation by hand
    rng = np.random.default_rng(5)
    x = np.linspace(0, 950, 9)
    y = B0 + B1 * x + rng.normal(0, 3, 9)
    u_y = np.linspace(2.0, 4.0, 9)
    shared = {"zero": (0.0, np.full(9, 2.0)), "ruler": (0.0, 3e-3 * y)}
    for degree in (1, 2):
        fit = fit_polynomial(x, y, u_y=u_y, shared=shared, degree=degree)
        step = 1e-2
        moved = [
            fit_polynomial(x, y + side * step * e, u_y=u_y, shared=shared, degree=degree).coefficients
            for e in np.eye(9)
            for side in (1, -1)
        ]
        gain = (np.array(moved[::2]) - np.array(moved[1::2])).T / (2 * step)
        effects = [gain * u_y, *((gain @ pa)[:, None] for _, pa in shared.values())]
        covariance = sum(effect @ effect.T for effect in effects)
        # the fit is linear in y, so this is exact but for the rounding of the differences
        np.testing.assert_allclose(fit.covariance, covariance, rtol=1e-6)
        np.testing.assert_allclose(fit.gain, gain, rtol=1e-6, atol=1e-12)


def test_budget_against_monte_carlo():
    """GUM Supplement 1: 100,000 draws of every input through the full, non-linear model."""
    setup = Setup(conditions=Conditions(22.0), budget=Budget(temperature_k=3.0, gravity=2.7e-3, ruler=2e-3))
    budget, conditions, draws = setup.budget, setup.conditions, 100_000
    rng = np.random.default_rng(7)

    def within(half_width, size=draws):
        return rng.uniform(-half_width, half_width, size)

    density = np.vectorize(water_density_kg_m3)(conditions.fluid_c + within(budget.temperature_k))
    density = density * (1 + within(conditions.fluid.density_half_width))
    air = conditions.air_density_kg_m3 * (1 + within(budget.air))
    pa_per_mm = (density - air) * conditions.gravity * (1 + within(budget.gravity)) / 1000
    upright = np.cos(np.radians(within(budget.tilt_deg)))
    read = ELEVEN + within(budget.reading_mm, (draws, 11)) + within(budget.reading_mm, (draws, 11))
    read = (read + within(budget.zero_mm)[:, None]) * (1 + within(budget.ruler))[:, None]
    true = read * (pa_per_mm * upright)[:, None]
    nominal = (true - B0) / B1 + rng.normal(0, budget.sensor_pa, true.shape)
    # with equal errors the best line is the least squares line, here in closed form, independent of
    # the project's fit, for all draws at once
    y = ELEVEN * conditions.pa_per_mm
    centred = nominal - nominal.mean(axis=1, keepdims=True)
    slope = (centred * y).sum(axis=1) / (centred**2).sum(axis=1)
    offset = y.mean() - slope * nominal.mean(axis=1)

    perfect = (y - B0) / B1
    upward = np.arange(11) < 6
    column = calibrate(Points(("p1",), ELEVEN, upward, perfect[:, None]), setup, made_utc="").columns["p1"]
    for x in (0.0, 200.0, 575.0, 950.0):
        spread = np.std(offset + slope * x)  # itself known to 0.3 %
        row = column.powers(x)
        assert math.sqrt(row @ column.covariance @ row) == pytest.approx(spread, rel=0.02)


@pytest.mark.statistics
def test_fit_with_errors_in_both_axes_against_monte_carlo():
    """The same for the fit itself; 100,000 draws in the slow suite, 4,000 here (their spread: 1.1 %)."""
    _both_axes(4_000, 0.04)  # 3.5 standard deviations of the simulation


@pytest.mark.slow
def test_fit_with_errors_in_both_axes_against_100000_draws():
    _both_axes(100_000, 0.02)


def _both_axes(draws, tolerance):
    x, u_x = np.linspace(0, 950, 7), np.linspace(1.0, 4.0, 7)
    y, u_y = B0 + B1 * x, np.linspace(4.0, 1.0, 7)
    shared = {"zero": (0.0, np.full(7, 2.0)), "warm-up": (1.5, 0.0)}

    def fitted(seed):
        rng = np.random.default_rng(seed)
        dx = rng.normal(0, u_x) + 1.5 * rng.normal()
        dy = rng.normal(0, u_y) + 2.0 * rng.normal()
        return fit_polynomial(x + dx, y + dy, u_x=u_x, u_y=u_y, shared=shared).coefficients

    spread = np.cov(np.array([fitted(seed) for seed in range(draws)]).T)
    stated = fit_polynomial(x, y, u_x=u_x, u_y=u_y, shared=shared)
    for at in (0.0, 475.0, 950.0):
        row = np.array([1.0, at])
        assert float(stated.standard_uncertainty(at)) == pytest.approx(
            math.sqrt(row @ spread @ row), rel=tolerance
        )


def test_inclined_tube_gains_what_it_promises():
    # derived: at 14.478 degrees a reading error counts a quarter
    flat, upright = Tube(incline_deg=14.4775), Tube()
    ratio = Budget().reading_pa(flat, Conditions()) / Budget().reading_pa(upright, Conditions())
    assert ratio == pytest.approx(0.25, rel=1e-5)
