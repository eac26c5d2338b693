"""The closing of a series: its notches filled, whatever else it does."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["closed", "running"]

Array = NDArray[np.float64]


def closed(values: Array, window: int) -> Array:
    """Fill what is narrower than a window up to the lower of its sides.

    Parameters
    ----------
    values : ndarray, shape (n,)
        Any numbers, no NaN.
    window : int
        2 or more values.

    Returns
    -------
    ndarray, shape (n,)
        Never below ``values``. A fall is filled only where both its sides are there, so not at the ends; a
        step and a peak stay as they are.

    References
    ----------
    J. Serra, Image Analysis and Mathematical Morphology (1982): the least of the greatest.
    """
    edge = np.full(window - 1, -np.inf)
    return running(np.minimum, running(np.maximum, np.concatenate([edge, values, edge]), window), window)


def running(least_or_most: np.ufunc, values: NDArray[Any], window: int) -> NDArray[Any]:
    """Least or greatest of the values of a window.

    Parameters
    ----------
    least_or_most : ufunc
        ``numpy.minimum`` or ``numpy.maximum``; of true and false, ``numpy.logical_or``.
    values : ndarray, shape (n,)
        Any numbers, no NaN.
    window : int
        How many values, 1 to n.

    Returns
    -------
    ndarray, shape (n - window + 1,)
        From each value on that has so many from it on.

    Notes
    -----
    Windows of 1, 2, 4 ... values are put together, so it takes the logarithm of the window.
    """
    out, width = values, 1
    while width < window:
        step = min(width, window - width)
        out = least_or_most(out[:-step], out[step:])
        width += step
    return out
