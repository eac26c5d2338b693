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
from numpy.polynomial import Chebyshev
from numpy.typing import NDArray

from undertray.calibrate.distributions import f_tail, student_quantile, student_tail

if TYPE_CHECKING:
    from undertray.report.comparedrun import Digest

__all__ = [
    "CLAIM",
    "USUAL_SCATTER",
    "Material",
    "Scatter",
    "difference",
    "gather",
    "holm",
    "kendall_test",
    "level",
    "mean_interval",
    "needed",
    "permutation_test",
    "scatter",
    "slope",
    "welch_level",
]


# Welch's test, held to its level at every ratio of scatters.

Array = NDArray[np.float64]

_CLAIM = 0.05
_LEAST_P = 1e-12
_NODES = 200
# true shares of one mean's variance in that of the difference: ratios of variances up to 1 to 3000
_SHARES = 1 / (1 + np.exp(-np.linspace(-8.0, 8.0, 65)))
_DEGREE = 8


def difference(
    own: Sequence[float], other: Sequence[float], u_common: float = 0.0
) -> tuple[float, float | None, float]:
    """Difference of the means of two groups of mountings.

    Parameters
    ----------
    own, other : sequence of float
        One number a mounting, at least one each.
    u_common : float
        Standard uncertainty of the difference that no scatter of mountings shows.

    Returns
    -------
    difference : float
    half : float or None
        Half width of its 95 % interval; None where a group has one mounting.
    p_value : float
        Of no difference; 1 where a group has one mounting.

    Notes
    -----
    Welch's t with the degrees of freedom of Satterthwaite orders what may be seen; its p value is then
    replaced by the share of cases without a difference that are as far out, where the groups scatter in the
    ratio at which that share is largest (:func:`level`). So it holds at every ratio. Taken as they are,
    Welch's 5 % are 5.8 % with three mountings each that scatter 1 to 5, and 11 % with six and two. A part
    known beforehand (``u_common``) adds to the degrees of freedom, not to the level, which errs on the safe
    side.

    References
    ----------
    B. L. Welch, Biometrika 29 (1938) 350; F. E. Satterthwaite, Biometrics Bull. 2 (1946) 110 (both from
    memory).
    """
    apart = math.fsum(own) / len(own) - math.fsum(other) / len(other)
    if min(len(own), len(other)) < 2:
        return apart, None, 1.0
    parts = [_variance(one) / len(one) for one in (own, other)]
    variance = math.fsum(parts) + u_common**2
    if variance <= 0:
        return apart, 0.0, float(apart == 0)
    own_dof, other_dof = len(own) - 1, len(other) - 1
    weak = parts[0] ** 2 / own_dof + parts[1] ** 2 / other_dof
    dof = variance**2 / weak if weak else math.inf
    half = student_quantile(dof, 1 - welch_level(_CLAIM, own_dof, other_dof)) * math.sqrt(variance)
    return apart, half, level(f_tail(apart**2 / variance, 1, dof), own_dof, other_dof)


def level(p_value: float, own_dof: int, other_dof: int) -> float:
    """How often Welch's test finds a p value as small, at the worst ratio of scatters.

    Parameters
    ----------
    p_value : float
        Of Welch's test, 0 to 1.
    own_dof, other_dof : int
        One less than each group has mountings, 1 and up.

    Returns
    -------
    float
        Probability, not below ``p_value``.

    Notes
    -----
    Let q be the first mean's true share in the variance of the difference, and B of the distribution
    Beta(f1/2, f2/2) the first group's share in all squares. Then the share that is seen is
    ``r = q B / f1 / g`` with ``g = q B / f1 + (1 - q) (1 - B) / f2``, the seen variance is g times a
    chi-squared of f1 + f2 degrees of freedom that does not depend on B, and

        P = E_B[ P(F(1, f1 + f2) > t(r)^2 g (f1 + f2)) ],

    t(r) being the quantile of Student's t with Satterthwaite's ``1 / (r^2/f1 + (1-r)^2/f2)`` degrees of
    freedom. The integral is taken over ``B = sin(a)^2``, where the integrand is smooth. At the ends of q one
    group alone counts and P is the p value itself.

    References
    ----------
    The largest probability over what is not known as p value: E. L. Lehmann, J. P. Romano, Testing
    Statistical Hypotheses, section 3.3; the integral: Y. Y. Wang, J. Am. Stat. Assoc. 66 (1971) 605 (both
    from memory).
    """
    p = max(p_value, _LEAST_P)
    if p >= 1:
        return 1.0
    angle = (np.arange(_NODES) + 0.5) * (math.pi / 2 / _NODES)
    density = (own_dof - 1) * np.log(np.sin(angle)) + (other_dof - 1) * np.log(np.cos(angle))
    weight = np.exp(density - density.max())
    b, q = np.sin(angle) ** 2, _SHARES[:, None]
    own = q * b / own_dof
    seen = own + (1 - q) * (1 - b) / other_dof
    r = own / seen
    whole = own_dof + other_dof
    weakness = r**2 / own_dof + (1 - r) ** 2 / other_dof
    far = np.exp(_log_quantile(p, whole, min(own_dof, other_dof))(weakness)) * np.sqrt(seen * whole)
    return float(min(1.0, max(p, (student_tail(far, whole) @ weight / weight.sum()).max())))


@cache
def welch_level(claim: float, own_dof: int, other_dof: int) -> float:
    """Welch's p value whose level is the wanted one: the inverse of :func:`level`."""
    low, high = math.log(_LEAST_P), math.log(claim)
    while high - low > 1e-3:
        middle = (low + high) / 2
        if level(math.exp(middle), own_dof, other_dof) > claim:
            high = middle
        else:
            low = middle
    return math.exp(low)


def _log_quantile(p: float, most: int, least: int) -> Chebyshev:
    """Logarithm of the two-sided quantile of Student's t, over the reciprocal of its degrees of freedom."""

    def exactly(reciprocal: Array) -> Array:
        return np.array([math.log(student_quantile(1 / float(x), 1 - p)) for x in reciprocal])

    return Chebyshev.interpolate(exactly, _DEGREE, domain=[1 / most, 1 / least])


def _variance(values: Sequence[float]) -> float:
    mean = math.fsum(values) / len(values)
    return math.fsum((v - mean) ** 2 for v in values) / (len(values) - 1)


# Mountings.

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
    suction to be claimed (:func:`undertray.report.mountings.welch_level`).
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
