"""The unit of a comparison: one mounting of a skirt, and what the scatter of mountings allows to say."""

from __future__ import annotations

import itertools
import math
from bisect import bisect_left
from collections.abc import Callable, Hashable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING

import numpy as np

from undertray.calibrate.distributions import student_quantile
from undertray.report.welch import welch_level

if TYPE_CHECKING:
    from undertray.report.comparedrun import Digest

__all__ = [
    "CLAIM",
    "USUAL_SCATTER",
    "Material",
    "Scatter",
    "Shares",
    "gather",
    "holm",
    "kendall_test",
    "mean_interval",
    "needed",
    "permutation_test",
    "scatter",
    "slope",
]


# Small exact tests: ranks, permutations, and claims made from several of them.

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


Shares = Mapping[str, Mapping[str, Sequence[float | None]]]
"""By quantity and group, the share of each run of the mean of all groups."""
USUAL_SCATTER = 0.02
"""Of the suction, from mounting to mounting, where none was seen (common practice, no source)."""
CLAIM = 0.0495
"""Share of wrong claims that the suction is allowed alone; the rest of the 5 % is for all other questions."""
_POWER = 0.8
_LEAST_MOUNTINGS, _MOST_MOUNTINGS = 3, 99


@dataclass(frozen=True, slots=True)
class Scatter:
    """Standard deviations as shares of the mean: between mountings, and between runs of one mounting."""

    mounting: float | None
    run: float | None


@dataclass(frozen=True, slots=True, eq=False)
class Material:
    """What all questions are asked of."""

    members: Mapping[str, Sequence[Digest]]
    mountings: Mapping[str, list[list[int]]]
    shares: tuple[Shares, ...]
    scale: Mapping[str, float]

    def means(self, quantity: str, name: str, law: int = 0) -> list[float]:
        """Means of the mountings."""
        return [math.fsum(runs) / len(runs) for runs in self.runs(quantity, name, law) if runs]

    def runs(self, quantity: str, name: str, law: int = 0) -> list[list[float]]:
        """Runs of each mounting."""
        shares = self.shares[law][quantity][name]
        found = [[shares[i] for i in places] for places in self.mountings[name]]
        return [[share for share in runs if share is not None] for runs in found]

    def told(self, name: str, of: Callable[[Sequence[Digest]], float | None]) -> list[float]:
        """A number of the runs of each mounting."""
        found = [of([self.members[name][i] for i in places]) for places in self.mountings[name]]
        return [value for value in found if value is not None]


def gather(members: Sequence[Digest], by: str) -> list[list[int]]:
    """Gather the runs of a group by mounting."""
    found: dict[Hashable, list[int]] = {}
    for place, one in enumerate(members):
        skirt = None if by == "skirt" else one.facts.get("skirt")
        found.setdefault((skirt, one.mounting), []).append(place)
    return list(found.values())


def mean_interval(means: Sequence[float]) -> tuple[float, float | None]:
    """Mean of mountings, and the half width of its 95 % interval."""
    n = len(means)
    mean = math.fsum(means) / n
    if n < 2:
        return mean, None
    return mean, student_quantile(n - 1) * math.sqrt(_variance(means) / n)


def scatter(groups: Sequence[Sequence[Sequence[float]]]) -> Scatter:
    """What runs and mountings scatter by, pooled over the groups."""
    within, between = [0.0, 0], [0.0, 0]
    runs_a_mounting = []
    for mountings in groups:
        means = [math.fsum(runs) / len(runs) for runs in mountings if runs]
        for runs in mountings:
            if len(runs) > 1:
                within = [within[0] + _variance(runs) * (len(runs) - 1), within[1] + len(runs) - 1]
        if len(means) > 1:
            between = [between[0] + _variance(means) * (len(means) - 1), between[1] + len(means) - 1]
            runs_a_mounting += [1 / len(runs) for runs in mountings if runs]
    run2 = within[0] / within[1] if within[1] else None
    if not between[1]:
        return Scatter(None, None if run2 is None else math.sqrt(run2))
    own2 = between[0] / between[1]
    if run2 is not None:
        own2 = max(0.0, own2 - run2 * math.fsum(runs_a_mounting) / len(runs_a_mounting))
    return Scatter(math.sqrt(own2), None if run2 is None else math.sqrt(run2))


def needed(share: float, seen: Scatter, runs: int = 1) -> int | None:
    """How many mountings of each it takes to tell a difference in four of five cases.

    Parameters
    ----------
    share : float
        The difference, as a share of the mean.
    seen : Scatter
        What the runs so far scatter by; :data:`USUAL_SCATTER` where that of mountings was not seen.
    runs : int
        Runs of each mounting.

    Returns
    -------
    int or None
        Mountings of each; None where it takes more than 99.

    Notes
    -----
    Least n with ``|share| >= (t_a + t_0.8) sqrt(2 (s_m^2 + s_r^2/runs) / n)``, t of 2 (n - 1) degrees of
    freedom: the usual estimate of a sample size. t_a leaves outside what Welch's test has to find for the
    suction to be claimed (:func:`undertray.report.welch.welch_level`).
    """
    mounting = USUAL_SCATTER if seen.mounting is None else seen.mounting
    one = math.sqrt(2 * (mounting**2 + (seen.run or 0.0) ** 2 / runs))
    ways = range(_LEAST_MOUNTINGS, _MOST_MOUNTINGS + 1)
    # the more mountings, the smaller what they tell
    first = bisect_left(ways, True, key=lambda n: abs(share) >= _reach(n) * one / math.sqrt(n))
    return ways[first] if first < len(ways) else None


@cache
def _reach(n: int) -> float:
    """Standard errors that a difference of two groups of n has to be, to be told in four of five cases."""
    dof = 2 * (n - 1)
    return student_quantile(dof, 1 - welch_level(CLAIM, n - 1, n - 1)) + student_quantile(dof, 2 * _POWER - 1)


def _variance(values: Sequence[float]) -> float:
    mean = math.fsum(values) / len(values)
    return math.fsum((v - mean) ** 2 for v in values) / (len(values) - 1)
