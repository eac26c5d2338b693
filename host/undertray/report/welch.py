"""Two groups of mountings that need not scatter alike: Welch's test, held to its level."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import cache

import numpy as np
from numpy.polynomial import Chebyshev
from numpy.typing import NDArray

from undertray.calibrate.distributions import f_tail, student_quantile, student_tail

__all__ = ["difference", "level", "welch_level"]

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
