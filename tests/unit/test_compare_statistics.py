"""Bootstrap and exact tests against scipy and published answers."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats
from scipy.signal import lfilter

from undertray.report.bootstrap import mean_error
from undertray.report.exact import count_test, holm, kendall_test, permutation_test, rate_interval, slope


def test_block_of_one_is_the_ordinary_bootstrap_of_scipy() -> None:
    rng = np.random.default_rng(3)
    values = rng.normal(10.0, 2.0, 400)
    theirs = stats.bootstrap((values,), np.mean, n_resamples=20000, rng=np.random.default_rng(4))
    ours = mean_error(values, block=1)
    # 20000 resamples know a standard error to 1/sqrt(2 * 20000) = 0.5 %; four times that
    assert ours.standard_error * math.sqrt(399 / 400) == pytest.approx(theirs.standard_error, rel=0.02)
    assert ours.dof == 399


def test_blocks_of_many_give_what_drawing_them_gives() -> None:
    rng = np.random.default_rng(5)
    values = lfilter([1.0], [1.0, -0.8], rng.normal(size=300))
    block = 30
    around = np.concatenate((values, values))
    starts = rng.integers(0, 300, (20000, 10))
    drawn = np.array([around[s : s + block].mean() for s in range(300)])[starts].mean(axis=1)
    ours = mean_error(values, block)
    assert ours.standard_error * math.sqrt(0.9) == pytest.approx(drawn.std(), rel=0.02)
    assert ours.dof == pytest.approx(9)


def test_error_of_a_mean_of_dependent_noise_is_the_known_one() -> None:
    # derived: the mean of n values of AR(1) noise of unit variance has variance (1 + phi) / (1 - phi) / n
    rng = np.random.default_rng(6)
    phi, n = 0.9, 2000
    noise = lfilter([math.sqrt(1 - phi**2)], [1.0, -phi], rng.normal(size=(300, n + 200)), axis=1)[:, 200:]
    errors = np.array([mean_error(row, 200).standard_error ** 2 for row in noise])
    known = (1 + phi) / (1 - phi) / n
    # a tenth of the series as block loses (correlation time / block) = 5 % of the variance; 300 series know
    # their mean to 3 %
    assert errors.mean() == pytest.approx(known, rel=0.12)
    assert errors.mean() > 10 / n  # and is far from that of independent values


def test_student_interval_by_five_blocks_covers_the_mean() -> None:
    rng = np.random.default_rng(7)
    noise = rng.normal(size=(2000, 300))
    inside = 0
    for row in noise:
        error = mean_error(row)
        inside += abs(row.mean()) <= stats.t.ppf(0.975, error.dof) * error.standard_error
    # 2000 tries know 95 % to 0.5 %; the degrees of freedom are on the careful side
    assert 0.945 <= inside / 2000 <= 0.975


def test_too_short_a_series_knows_nothing() -> None:
    assert mean_error(np.array([1.0])).standard_error == math.inf
    assert mean_error(np.empty(0)).standard_error == math.inf
    assert mean_error(np.arange(10.0), 8).standard_error == math.inf


@pytest.mark.parametrize(("first", "second", "ratio"), [(3, 12, 1.0), (0, 5, 1.0), (7, 9, 2.5), (1, 30, 0.2)])
def test_counts_as_the_binomial_test_of_scipy(first: int, second: int, ratio: float) -> None:
    theirs = stats.binomtest(first, first + second, ratio / (1 + ratio)).pvalue
    assert count_test(first, 60.0 * ratio, second, 60.0) == pytest.approx(theirs, rel=1e-9)


def test_counts_of_nothing_differ_in_nothing() -> None:
    assert count_test(0, 60.0, 0, 60.0) == 1.0
    assert count_test(3, 0.0, 2, 60.0) == 1.0


@pytest.mark.parametrize("count", [0, 1, 4, 40])
def test_rates_as_the_chi_squared_quantiles_of_scipy(count: int) -> None:
    # Garwood 1936: half the 2.5 % quantile at 2 n degrees of freedom, half the 97.5 % one at 2 n + 2
    low, high = rate_interval(count, 10.0)
    assert low == pytest.approx(stats.chi2.ppf(0.025, 2 * count) / 20 if count else 0.0, rel=1e-9)
    assert high == pytest.approx(stats.chi2.ppf(0.975, 2 * count + 2) / 20, rel=1e-9)


def test_permutations_as_scipy() -> None:
    rng = np.random.default_rng(8)
    first, second = rng.normal(0.0, 1.0, 5), rng.normal(1.2, 1.0, 6)

    def difference(x: np.ndarray, y: np.ndarray) -> float:
        return float(abs(x.mean() - y.mean()))

    theirs = stats.permutation_test(
        (first, second), difference, alternative="greater", n_resamples=np.inf
    ).pvalue
    assert permutation_test(first.tolist(), second.tolist()) == pytest.approx(theirs, rel=1e-12)
    assert permutation_test([], [1.0]) == 1.0


def test_permutations_of_large_samples_are_drawn_alike_every_time() -> None:
    rng = np.random.default_rng(10)
    first, second = rng.normal(0.0, 1.0, 40).tolist(), rng.normal(0.4, 1.0, 40).tolist()
    ours = permutation_test(first, second)
    assert ours == permutation_test(first, second)
    # for 40 normal values a side the t test is all but the same; 20000 draws know p to 0.2 %
    assert ours == pytest.approx(stats.ttest_ind(first, second).pvalue, abs=0.01)


@pytest.mark.parametrize("n", [3, 5, 8, 20])
def test_kendall_as_scipy(n: int) -> None:
    values = np.random.default_rng(n).permutation(n) - 0.37 * np.arange(n)
    theirs = stats.kendalltau(np.arange(n), values, method="exact").pvalue
    assert kendall_test(values.tolist()) == pytest.approx(theirs, rel=1e-9)


def test_kendall_of_a_strict_order_of_five() -> None:
    # derived: 2 of 5! = 120 orders are as extreme
    assert kendall_test([5, 4, 3, 2, 1]) == pytest.approx(2 / 120)
    assert kendall_test([1, 1, 1, 1]) == 1.0
    assert kendall_test([1]) == 1.0


def test_slope_as_scipy() -> None:
    values = np.random.default_rng(9).normal(size=15) + 0.3 * np.arange(15)
    assert slope(values.tolist()) == pytest.approx(stats.theilslopes(values).slope, rel=1e-12)


def test_holm_on_a_worked_example() -> None:
    # derived by hand: 4 x 0.01, then max with 3 x 0.015, 2 x 0.03, 1 x 0.04
    assert holm([0.04, 0.01, 0.03, 0.015]) == pytest.approx([0.06, 0.04, 0.06, 0.045])
    assert holm([]) == []
    assert holm([0.9, 0.8]) == [1.0, 1.0]
