"""Tests of differences, ranks and permutations against scipy and published answers."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from undertray.report.exact import holm, kendall_test, permutation_test, slope
from undertray.report.mountings import Scatter, difference, scatter


@pytest.mark.parametrize("sizes", [(3, 3), (4, 4), (6, 6)])
def test_equal_groups_as_the_welch_test_of_scipy(sizes: tuple[int, int]) -> None:
    rng = np.random.default_rng(sum(sizes))
    own, other = (rng.normal(1.0, sd, n) for sd, n in zip((0.02, 0.05), sizes, strict=True))
    theirs = stats.ttest_ind(own, other, equal_var=False)
    apart, half, p_value = difference(own.tolist(), other.tolist())
    # the limit of 2 (n - 1) degrees of freedom is that of equal scatters: it never binds here
    assert p_value == pytest.approx(theirs.pvalue, rel=1e-9)
    low, high = theirs.confidence_interval()
    assert (apart - half, apart + half) == pytest.approx((low, high), rel=1e-9)


def test_two_mountings_of_a_group_leave_one_degree_of_freedom() -> None:
    own, other = [1.0, 1.04], [0.9, 0.92, 0.94, 0.91, 0.93, 0.92]
    apart, half, p_value = difference(own, other)
    error = math.sqrt(np.var(own, ddof=1) / 2 + np.var(other, ddof=1) / 6)
    assert half == pytest.approx(stats.t.ppf(0.975, 1) * error, rel=1e-9)
    assert p_value == pytest.approx(2 * stats.t.sf(apart / error, 1), rel=1e-9)
    assert difference([1.0], other) == (pytest.approx(1.0 - np.mean(other)), None, 1.0)


def test_scatter_of_mountings_without_that_of_runs() -> None:
    rng = np.random.default_rng(4)
    groups = [
        [(1 + 0.03 * rng.normal() + 0.01 * rng.normal(size=3)).tolist() for _ in range(200)] for _ in range(2)
    ]
    found = scatter(groups)
    # 398 and 800 degrees of freedom: 3.5 % and 2.5 %, three times
    assert found.mounting == pytest.approx(0.03, rel=0.11)
    assert found.run == pytest.approx(0.01, rel=0.08)
    assert scatter([[[1.0]], [[1.1]]]) == Scatter(None, None)


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
    assert kendall_test([values.tolist()]) == pytest.approx(theirs, rel=1e-9)


def test_kendall_of_a_strict_order_of_five() -> None:
    # derived: 2 of 5! = 120 orders are as extreme
    assert kendall_test([[5, 4, 3, 2, 1]]) == pytest.approx(2 / 120)
    assert kendall_test([[1, 1, 1, 1]]) == 1.0
    assert kendall_test([[1]]) == 1.0


def test_slope_as_scipy() -> None:
    values = np.random.default_rng(9).normal(size=15) + 0.3 * np.arange(15)
    assert slope([values.tolist()]) == pytest.approx(stats.theilslopes(values).slope, rel=1e-12)


def test_holm_on_a_worked_example() -> None:
    # derived by hand: 4 x 0.01, then max with 3 x 0.015, 2 x 0.03, 1 x 0.04
    assert holm([0.04, 0.01, 0.03, 0.015]) == pytest.approx([0.06, 0.04, 0.06, 0.045])
    # with weights 3, 1: 4 x 0.02 / 3, then 0.03 alone, as the first has left it all
    assert holm([0.02, 0.03], [3.0, 1.0]) == pytest.approx([4 * 0.02 / 3, 0.03])
    assert holm([]) == []
    assert holm([0.9, 0.8]) == [1.0, 1.0]


def test_strata_are_ordered_each_by_itself() -> None:
    # derived: two series of three, both falling: (1/6)^2 of the orders are as extreme on this side
    assert kendall_test([[3, 2, 1], [30, 20, 10]]) == pytest.approx(2 / 36)
    assert slope([[3, 2, 1], [30.0, 29.0, 28.0]]) == -1.0
