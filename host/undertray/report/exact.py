"""Small exact tests: counts, ranks, permutations, and claims made from several of them."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence

import numpy as np

__all__ = ["count_test", "holm", "kendall_test", "permutation_test", "rate_interval", "slope"]

_MOST_PERMUTATIONS = 20000
_SURE = 0.95


def count_test(first: int, first_s: float, second: int, second_s: float) -> float:
    """Test whether two rates of rare events differ.

    Parameters
    ----------
    first, second : int
        Events counted.
    first_s, second_s : float
        Time they were counted in, s.

    Returns
    -------
    float
        Two-sided p value; 1 where nothing was counted.

    Notes
    -----
    At equal rates the first of n events in all is binomial with p = T1 / (T1 + T2); the p value
    adds up all outcomes that are no more likely than the one seen.

    References
    ----------
    J. Przyborowski and H. Wilenski, Homogeneity of results in testing samples from Poisson series,
    Biometrika 31 (1940) 313.
    """
    n = first + second
    if n == 0 or first_s <= 0 or second_s <= 0:
        return 1.0
    share = first_s / (first_s + second_s)
    logs = [
        math.lgamma(n + 1)
        - math.lgamma(k + 1)
        - math.lgamma(n - k + 1)
        + k * math.log(share)
        + (n - k) * math.log1p(-share)
        for k in range(n + 1)
    ]
    seen = logs[first] + 1e-9
    return min(1.0, math.fsum(math.exp(v) for v in logs if v <= seen))


def rate_interval(count: int, time_s: float) -> tuple[float, float]:
    """95 % interval of a rate of rare events.

    Parameters
    ----------
    count : int
        Events counted.
    time_s : float
        Time they were counted in, s, above 0.

    Returns
    -------
    low, high : float
        Events a second.

    Notes
    -----
    The means of the Poisson distributions that give ``count`` or more, and ``count`` or fewer, in
    2.5 % of cases.

    References
    ----------
    F. Garwood, Fiducial limits for the Poisson distribution, Biometrika 28 (1936) 437.
    """
    tail = (1 - _SURE) / 2
    low = 0.0 if count == 0 else _solve(lambda m: 1 - _poisson_up_to(count - 1, m) - tail, count)
    high = _solve(lambda m: tail - _poisson_up_to(count, m), count + 1)
    return low / time_s, high / time_s


def permutation_test(first: Sequence[float], second: Sequence[float]) -> float:
    """Test whether the means of two small samples differ.

    Parameters
    ----------
    first, second : sequence of float
        The samples.

    Returns
    -------
    float
        Two-sided p value over all ways to deal the values out, or 20000 seeded random ones where there
        are more; 1 where a sample is empty.

    References
    ----------
    R. A. Fisher, The Design of Experiments (1935), section 21.
    """
    n, k = len(first) + len(second), len(first)
    if k in (0, n):
        return 1.0
    values = np.array([*first, *second])
    total = float(values.sum())

    def spread(part: float) -> float:
        return abs(part / k - (total - part) / (n - k))

    seen = spread(float(values[:k].sum())) * (1 - 1e-9)
    if math.comb(n, k) <= _MOST_PERMUTATIONS:
        sums = [float(values[list(choice)].sum()) for choice in itertools.combinations(range(n), k)]
        return sum(spread(s) >= seen for s in sums) / len(sums)
    rng = np.random.default_rng(0)
    sums = [float(rng.permutation(values)[:k].sum()) for _ in range(_MOST_PERMUTATIONS)]
    return (1 + sum(spread(s) >= seen for s in sums)) / (1 + len(sums))


def kendall_test(values: Sequence[float]) -> float:
    """Test whether a series rises or falls over its order.

    Parameters
    ----------
    values : sequence of float
        In order; up to 200 are used.

    Returns
    -------
    float
        Two-sided exact p value of Kendall's rank correlation with the order; ties count as
        half, which errs towards no trend.

    References
    ----------
    M. G. Kendall, A new measure of rank correlation, Biometrika 30 (1938) 81.
    """
    values = list(values)[:200]
    n = len(values)
    pairs = n * (n - 1) // 2
    if n < 2:
        return 1.0
    score = sum((b > a) + 0.5 * (b == a) for a, b in itertools.combinations(values, 2))
    ways = np.array([1.0])
    for size in range(2, n + 1):
        # one more value makes 0 to size - 1 new pairs in order, each as likely
        ways = np.convolve(ways, np.full(size, 1.0 / size))
    extreme = math.ceil(max(score, pairs - score))
    return min(1.0, 2 * float(ways[extreme:].sum()))


def slope(values: Sequence[float]) -> float:
    """Median of the slopes between all pairs of a series.

    Parameters
    ----------
    values : sequence of float
        In order, at least two.

    Returns
    -------
    float
        Per step.

    References
    ----------
    P. K. Sen, Estimates of the regression coefficient based on Kendall's tau, J. Am. Stat. Assoc. 63
    (1968) 1379.
    """
    array = np.asarray(list(values)[:200], float)
    i, j = np.triu_indices(len(array), 1)
    return float(np.median((array[j] - array[i]) / (j - i)))


def holm(p_values: Sequence[float]) -> list[float]:
    """Adjust p values so that all claims together are wrong in at most the stated share of cases.

    Parameters
    ----------
    p_values : sequence of float
        One a question asked.

    Returns
    -------
    list of float
        In the same order; a claim is made where it is below 0.05.

    References
    ----------
    S. Holm, A simple sequentially rejective multiple test procedure, Scand. J. Stat. 6 (1979) 65.
    """
    order = sorted(range(len(p_values)), key=lambda i: p_values[i])
    adjusted, so_far = [1.0] * len(p_values), 0.0
    for place, i in enumerate(order):
        so_far = max(so_far, min(1.0, (len(p_values) - place) * p_values[i]))
        adjusted[i] = so_far
    return adjusted


def _poisson_up_to(count: int, mean: float) -> float:
    """Share of a Poisson distribution at ``count`` or below."""
    if mean <= 0:
        return 1.0
    logs = [k * math.log(mean) - mean - math.lgamma(k + 1) for k in range(count + 1)]
    return min(1.0, math.fsum(math.exp(v) for v in logs))


def _solve(rising: Callable[[float], float], start: int) -> float:
    """Root of a rising function of a mean above 0."""
    low, high = 0.0, float(start)
    while rising(high) < 0:
        high *= 2
    for _ in range(200):
        middle = (low + high) / 2
        if middle in (low, high):
            break
        low, high = (middle, high) if rising(middle) < 0 else (low, middle)
    return (low + high) / 2
