"""Quantiles of a long series, without sorting it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["middle", "middles", "middles_seen", "quantiles"]


def quantiles(values: NDArray[np.float64], shares: Sequence[float], spoil: bool = False) -> list[float]:
    """Quantiles by linear interpolation between order statistics, as numpy's own by default.

    Parameters
    ----------
    values : ndarray, shape (n,)
        No NaN; n at least 1.
    shares : sequence of float
        0 to 1 each, ascending.
    spoil : bool
        The values are not needed any more and may be put in another order.

    Returns
    -------
    list of float

    Notes
    -----
    A partition for each of what lies above the one before, and the least above it: numpy's quantile and
    median look for NaN and place two neighbours at once, which takes several times as long.
    """
    last = len(values) - 1
    above, first = values if spoil else values.copy(), 0
    found = []
    for share in shares:
        k, rest = int(share * last), share * last % 1.0
        above.partition(k - first)
        above, first = above[k - first :], k
        low = float(above[0])
        found.append(low if rest == 0 else low + rest * (float(above[1:].min()) - low))
    return found


# The median of a few numbers, without the overhead that a general one carries.


def middle(values: ArrayLike) -> float:
    """Median of a short series."""
    ordered = np.array(values)
    ordered.sort()
    n = len(ordered)
    return float(ordered[n // 2] + ordered[(n - 1) // 2]) / 2


def middles(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Medians of many short series."""
    ordered, n = np.array(values), values.shape[1]
    ordered.sort(axis=1)
    return np.asarray((ordered[:, n // 2] + ordered[:, (n - 1) // 2]) / 2)


def middles_seen(rows: NDArray[np.float64]) -> NDArray[np.float64]:
    """Median of what is there along the last axis; NaN where nothing is."""
    if not rows.shape[-1]:
        return np.full(rows.shape[:-1], np.nan)
    ordered, count = np.sort(rows, axis=-1), np.isfinite(rows).sum(axis=-1)
    two = [np.take_along_axis(ordered, np.maximum(count - back, 0)[..., None] // 2, -1) for back in (0, 1)]
    return np.asarray((two[0] + two[1])[..., 0] / 2)
