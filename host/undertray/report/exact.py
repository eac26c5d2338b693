"""Small exact tests: ranks, permutations, and claims made from several of them."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence

import numpy as np

__all__ = ["holm", "kendall_test", "permutation_test", "slope"]

_MOST_PERMUTATIONS = 20000


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


def kendall_test(series: Sequence[Sequence[float]]) -> float:
    """Test whether series rise or fall over their order, all alike.

    Parameters
    ----------
    series : sequence of sequence of float
        Each in order; up to 200 values of each are used.

    Returns
    -------
    float
        Two-sided exact p value of the sum of Kendall's scores; ties count as half, which errs towards
        no trend. Where one series ends and the next begins is not compared.

    References
    ----------
    M. G. Kendall, A new measure of rank correlation, Biometrika 30 (1938) 81.
    """
    ways, score, pairs = np.array([1.0]), 0.0, 0
    for one in series:
        values = list(one)[:200]
        n = len(values)
        pairs += n * (n - 1) // 2
        score += sum((b > a) + 0.5 * (b == a) for a, b in itertools.combinations(values, 2))
        for size in range(2, n + 1):
            # one more value makes 0 to size - 1 new pairs in order, each as likely
            ways = np.convolve(ways, np.full(size, 1.0 / size))
    if not pairs:
        return 1.0
    extreme = math.ceil(max(score, pairs - score))
    return min(1.0, 2 * float(ways[extreme:].sum()))


def slope(series: Sequence[Sequence[float]]) -> float:
    """Median of the slopes between all pairs within series.

    Parameters
    ----------
    series : sequence of sequence of float
        Each in order, one with at least two values.

    Returns
    -------
    float
        Per step.

    References
    ----------
    P. K. Sen, Estimates of the regression coefficient based on Kendall's tau, J. Am. Stat. Assoc. 63
    (1968) 1379.
    """
    slopes = []
    for one in series:
        array = np.asarray(list(one)[:200], float)
        i, j = np.triu_indices(len(array), 1)
        slopes.append((array[j] - array[i]) / (j - i))
    return float(np.median(np.concatenate(slopes)))


def holm(p_values: Sequence[float], weights: Sequence[float] | None = None) -> list[float]:
    """Adjust p values so that all claims together are wrong in at most the stated share of cases.

    Parameters
    ----------
    p_values : sequence of float
        One a question asked.
    weights : sequence of float or None
        Share of the wrong claims that each question is allowed, above 0; all alike if None.

    Returns
    -------
    list of float
        In the same order; a claim is made where it is below 0.05.

    References
    ----------
    S. Holm, A simple sequentially rejective multiple test procedure, Scand. J. Stat. 6 (1979) 65 (with
    weights: section 4, from memory).
    """
    weight = [1.0] * len(p_values) if weights is None else list(weights)
    order = sorted(range(len(p_values)), key=lambda i: p_values[i] / weight[i])
    adjusted, so_far, left = [1.0] * len(p_values), 0.0, math.fsum(weight)
    for i in order:
        so_far = max(so_far, min(1.0, left * p_values[i] / weight[i]))
        adjusted[i] = so_far
        left -= weight[i]
    return adjusted
