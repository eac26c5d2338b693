"""The median of a few numbers, without the overhead that a general one carries."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["middle", "middles"]


def middle(values: ArrayLike) -> float:
    """Median of a short series.

    Parameters
    ----------
    values : array, shape (n,)
        No NaN; n at least 1.

    Returns
    -------
    float
    """
    ordered = np.array(values)
    ordered.sort()
    n = len(ordered)
    return float(ordered[n // 2] + ordered[(n - 1) // 2]) / 2


def middles(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Medians of many short series.

    Parameters
    ----------
    values : ndarray, shape (k, n)
        No NaN; n at least 1.

    Returns
    -------
    ndarray, shape (k,)
    """
    ordered, n = np.array(values), values.shape[1]
    ordered.sort(axis=1)
    return np.asarray((ordered[:, n // 2] + ordered[:, (n - 1) // 2]) / 2)
