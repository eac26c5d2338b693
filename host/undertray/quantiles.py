"""Quantiles of a long series, without sorting it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

__all__ = ["quantiles"]


def quantiles(values: NDArray[np.float64], shares: Sequence[float]) -> list[float]:
    """Quantiles by linear interpolation between order statistics, as numpy's own by default.

    Parameters
    ----------
    values : ndarray, shape (n,)
        No NaN; n at least 1.
    shares : sequence of float
        0 to 1 each.

    Returns
    -------
    list of float

    Notes
    -----
    A partition for each, and the least of what lies above it: numpy's quantile and median look for NaN
    and place two neighbours at once, which takes several times as long.
    """
    last = len(values) - 1
    found = []
    for share in shares:
        k, rest = int(share * last), share * last % 1.0
        part = np.partition(values, k)
        low = float(part[k])
        found.append(low if rest == 0 else low + rest * (float(part[k + 1 :].min()) - low))
    return found
