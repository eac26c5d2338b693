"""How well the mean of a series is known when neighbouring values depend on each other."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["BLOCKS", "MeanError", "mean_error"]

Array = NDArray[np.float64]

BLOCKS = 5
"""Blocks a series is cut into: few and long, so that what lasts for seconds stays in one block."""


@dataclass(frozen=True, slots=True)
class MeanError:
    """Standard error of a mean, in the unit of the series, and its degrees of freedom."""

    standard_error: float
    dof: float


def mean_error(series: Array, block: int | None = None) -> MeanError:
    """Standard error of a mean by the circular block bootstrap.

    Parameters
    ----------
    series : ndarray of float64, shape (n,)
        Values in order, no NaN.
    block : int or None
        Values in a block; a fifth of the series if left out.

    Returns
    -------
    MeanError
        Infinite for fewer than two values or two blocks.

    Notes
    -----
    Drawing n/b blocks of b neighbouring values from the series closed to a circle, with
    replacement, gives a mean whose variance is known without drawing: b/n times the
    variance of all n block means. This is the limit of infinitely many resamples, so no
    random number is needed. With k = n/b blocks it is too small by (k - 1)/k, which is put
    right, and has about k - 1 degrees of freedom.

    A block length chosen from the autocorrelation itself is much shorter, and on a minute with a
    correlation time of a second or two claims a difference that is not there in 10 to 16 % of
    cases where 5 % are allowed; a fifth of the series stays at 5 to 8 % there, at the price of wider
    intervals.

    References
    ----------
    D. N. Politis and J. P. Romano, A circular block-resampling procedure for stationary data, in
    Exploring the Limits of Bootstrap (1992) 263.
    """
    n = len(series)
    b = max(1, -(-n // BLOCKS)) if block is None else block
    if n < 2 or n < 2 * b:
        return MeanError(math.inf, 1.0)
    around = np.concatenate((series, series[: b - 1])) - series.mean()
    total = np.concatenate(([0.0], np.cumsum(around)))
    means = (total[b:] - total[:-b]) / b
    blocks = n / b
    variance = float(np.mean(means**2)) * b / n * blocks / (blocks - 1)
    return MeanError(math.sqrt(variance), blocks - 1)
