"""Tests of differences, ranks and permutations against scipy and published answers."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from undertray.report.mountings import (
    Scatter,
    difference,
    holm,
    kendall_test,
    level,
    permutation_test,
    scatter,
    slope,
    welch_level,
)

SIZES = [(2, 2), (3, 3), (4, 4), (6, 6), (2, 6), (3, 6), (5, 4)]
RATIOS = (1.0, *(b**sign for b in (1.5, 3.0, 5.0, 10.0, 20.0, 60.0) for sign in (-1, 1)))


def _welch(rng: np.random.Generator, sizes: tuple[int, int], ratio: float, draws: int) -> np.ndarray:
    """p values of scipy where nothing differs and the second group scatters ``ratio`` times the first."""
    own = rng.normal(size=(draws, sizes[0]))
    other = ratio * rng.normal(size=(draws, sizes[1]))
    return np.asarray(stats.ttest_ind(own, other, axis=1, equal_var=False).pvalue)


@pytest.mark.statistics
@pytest.mark.parametrize("sizes", SIZES)
def test_at_no_ratio_of_scatters_are_more_than_5_percent_told_apart(sizes: tuple[int, int]) -> None:
    rng = np.random.default_rng(sum(sizes))
    at = welch_level(0.05, sizes[0] - 1, sizes[1] - 1)
    wrong = [(_welch(rng, sizes, ratio, 40_000) < at).mean() for ratio in RATIOS]
    # 40,000 draws know 5 % to 0.11 %: three of those above, at the ratio that is worst
    assert max(wrong) <= 0.0533
    # and at that ratio the level is used: the worst of these is near the worst of all, or lies further out
    assert max(wrong) >= 0.04


@pytest.mark.statistics
@pytest.mark.parametrize("sizes", SIZES)
def test_the_level_is_that_of_simulated_groups(sizes: tuple[int, int]) -> None:
    rng = np.random.default_rng(7 + sum(sizes))
    drawn = [_welch(rng, sizes, ratio, 40_000) for ratio in RATIOS]
    for p in (0.2, 0.05, 0.01):
        seen = max((one < p).mean() for one in drawn)
        found = level(p, sizes[0] - 1, sizes[1] - 1)
        # never below what is seen at some ratio, but for the spread of the simulation
        assert found >= seen - 3 * math.sqrt(seen / 40_000)
        assert found == pytest.approx(seen, rel=0.15)  # the ratios tried are not the very worst


@pytest.mark.parametrize("sizes", [(2, 2), (3, 3), (6, 6), (3, 6)])
def test_a_difference_is_that_of_scipy_at_its_level(sizes: tuple[int, int]) -> None:
    rng = np.random.default_rng(sum(sizes))
    own, other = (rng.normal(1.0, sd, n) for sd, n in zip((0.02, 0.05), sizes, strict=True))
    theirs = stats.ttest_ind(own, other, equal_var=False)
    apart, half, p_value = difference(own.tolist(), other.tolist())
    dof = [n - 1 for n in sizes]
    assert p_value == pytest.approx(level(float(theirs.pvalue), *dof), rel=1e-6)
    low, high = theirs.confidence_interval(1 - welch_level(0.05, *dof))
    assert (apart - half, apart + half) == pytest.approx((low, high), rel=1e-6)
    # the interval leaves nothing out just where p is 5 %
    assert difference((own - apart + half).tolist(), other.tolist())[2] == pytest.approx(0.05, rel=0.003)


def test_one_mounting_has_no_interval() -> None:
    other = [0.9, 0.92, 0.94, 0.91, 0.93, 0.92]
    assert difference([1.0], other) == (pytest.approx(1.0 - np.mean(other)), None, 1.0)
    assert difference([1.0, 1.0], [1.0, 1.0]) == (0.0, 0.0, 1.0)


@pytest.mark.statistics
def test_what_is_known_beforehand_errs_on_the_safe_side() -> None:
    rng = np.random.default_rng(12)
    wrong = 0
    for _ in range(800):
        own, other = rng.normal(0, 0.01, 3) + rng.normal(0, 0.01), rng.normal(0, 0.04, 3)
        wrong += difference(own.tolist(), other.tolist(), 0.01)[2] < 0.05
    # a true 5 % is known to 0.77 %: two of those
    assert wrong / 800 <= 0.066


@pytest.mark.parametrize("dof", [2, 3, 6, 11])
def test_a_level_of_equal_groups_at_the_ends_is_that_of_one_alone(dof: int) -> None:
    # derived: where one group alone scatters, Welch's p is exact; so no level is below it
    for p in (0.5, 0.05, 1e-6):
        assert level(p, dof, dof) >= p
    assert level(1.0, dof, dof) == 1.0
    assert level(0.0, dof, dof) < 1e-8


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
