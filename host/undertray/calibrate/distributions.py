"""The three distributions that judge a fit: chi-squared, F and Student's t.

Own code because a statistics library would be the program's largest dependency for a few
functions; they are held against one in the tests.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

__all__ = ["NORMAL", "RECTANGLE_95", "chi_squared_tail", "f_tail", "student_quantile", "student_tail"]

Array = NDArray[np.float64]

NORMAL = 1.959964
"""Coverage factor for 95 % of a normal distribution."""
RECTANGLE_95 = NORMAL / 3**0.5
"""Half width of a 95 % interval over that of a rectangle (GUM, 4.3.7)."""
_TINY = 1e-300
_MOST_TERMS = 10_000
_MOST_STEPS = 50


def chi_squared_tail(value: float, dof: int) -> float:
    """Probability that chi-squared exceeds a value.

    Parameters
    ----------
    value : float
        The chi-squared seen, 0 and up.
    dof : int
        Degrees of freedom, 1 and up.

    Returns
    -------
    float
        Probability, 0 to 1.

    Notes
    -----
    The regularised upper incomplete gamma function Q(dof/2, value/2): its power series below
    the mean, its continued fraction (evaluated by Lentz's method) above.

    References
    ----------
    NIST Digital Library of Mathematical Functions, equations 8.7.1 and 8.9.2.
    """
    a, x = dof / 2, value / 2
    if x <= 0:
        return 1.0
    log_head = a * math.log(x) - x - math.lgamma(a)
    if x < a + 1:
        term = total = 1 / a
        for k in range(1, _MOST_TERMS):
            term *= x / (a + k)
            total += term
            if term < total * 1e-16:
                break
        return 1 - total * math.exp(log_head)
    b = x + 1 - a
    c, d = 1 / _TINY, 1 / b
    fraction = d
    for k in range(1, _MOST_TERMS):
        numerator = -k * (k - a)
        b += 2
        d = 1 / _not_zero(numerator * d + b)
        c = _not_zero(b + numerator / c)
        fraction *= c * d
        if abs(c * d - 1) < 1e-15:
            break
    return math.exp(log_head) * fraction


def f_tail(value: float, dof_above: float, dof_below: float) -> float:
    """Probability that the ratio F exceeds a value.

    Parameters
    ----------
    value : float
        The ratio of variances seen, 0 and up.
    dof_above, dof_below : float
        Degrees of freedom of its numerator and denominator, above 0.

    Returns
    -------
    float
        Probability, 0 to 1.

    Notes
    -----
    ``I_z(dof_below/2, dof_above/2)`` with ``z = dof_below / (dof_below + dof_above F)``.

    References
    ----------
    NIST Digital Library of Mathematical Functions, equations 8.17.2 and 8.17.22.
    """
    if value <= 0:
        return 1.0
    return _incomplete_beta(dof_below / 2, dof_above / 2, dof_below / (dof_below + dof_above * value))


def student_quantile(dof: float, probability: float = 0.95) -> float:
    """Coverage factor: half width, in standard deviations, of Student's central interval.

    Parameters
    ----------
    dof : float
        Degrees of freedom, 1 and up; infinity gives the normal distribution.
    probability : float
        Content of the interval from -k to k, above 0 and below 1 (0.95 if left out).

    Returns
    -------
    float
        The coverage factor k.

    References
    ----------
    JCGM 100:2008 (GUM), annex G, table G.2.
    """
    wanted = 1 - probability
    normal = _is_normal(dof)
    head = -math.log(2 * math.pi) / 2
    if not normal:
        head = math.lgamma((dof + 1) / 2) - math.lgamma(dof / 2) - math.log(math.pi * dof) / 2
    # The logarithm of what lies outside is concave over that of t, straight for the longest tails, so that
    # Newton's iteration cannot leave the root. The first t is the bound of the normal distribution's tail.
    t = math.sqrt(-2 * math.log(wanted))
    for _ in range(_MOST_STEPS):
        outside = _student_outside(t, dof)
        density = math.exp(head - (t * t / 2 if normal else (dof + 1) / 2 * math.log1p(t * t / dof)))
        step = math.log(outside / wanted) * outside / (2 * t * density)
        t *= math.exp(step)
        if abs(step) < 1e-8:  # the next one would be of the order of its square
            break
    return t


def student_tail(t: Array, dof: int) -> Array:
    """Probability that Student's t is further from 0 than some values, all at once.

    Parameters
    ----------
    t : ndarray of float64, any shape
        Values; their sign does not matter.
    dof : int
        Whole number of degrees of freedom, 1 and up.

    Returns
    -------
    ndarray of float64, shape of ``t``
        Probability, 0 to 1, to some 1e-15 (not to as many digits where it is small).

    Notes
    -----
    The finite series in the angle whose tangent is ``t / sqrt(dof)``.

    References
    ----------
    M. Abramowitz, I. A. Stegun, Handbook of Mathematical Functions, 26.7.3 and 26.7.4 (from memory).
    """
    angle = np.arctan(np.abs(t) / math.sqrt(dof))
    cosine2 = np.cos(angle) ** 2
    term = np.sin(angle) * (np.cos(angle) if dof % 2 else 1.0)
    inside = np.zeros_like(angle)
    for k in range(dof % 2, dof - 1, 2):
        inside += term
        term = term * cosine2 * (k + 1) / (k + 2)
    return np.asarray(1 - (2 / math.pi * (angle + inside) if dof % 2 else inside))


def _is_normal(dof: float) -> bool:
    return math.isinf(dof) or dof > 1e7


def _student_outside(t: float, dof: float) -> float:
    if _is_normal(dof):
        return math.erfc(t / math.sqrt(2))
    return f_tail(t * t, 1, dof)


def _incomplete_beta(a: float, b: float, x: float) -> float:
    if x <= 0 or x >= 1:
        return float(x >= 1)
    if x > (a + 1) / (a + b + 2):
        return 1 - _incomplete_beta(b, a, 1 - x)
    head = math.exp(
        math.lgamma(a + b) - math.lgamma(a) - math.lgamma(b) + a * math.log(x) + b * math.log1p(-x)
    )
    c = 1.0
    d = 1 / _not_zero(1 - (a + b) * x / (a + 1))
    fraction = d
    for m in range(1, _MOST_TERMS):
        even = m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m))
        odd = -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1))
        for numerator in (even, odd):
            d = 1 / _not_zero(1 + numerator * d)
            c = _not_zero(1 + numerator / c)
            fraction *= c * d
        if abs(c * d - 1) < 1e-15:
            break
    return head * fraction / a


def _not_zero(value: float) -> float:
    return value if abs(value) > _TINY else _TINY
