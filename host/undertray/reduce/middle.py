"""The median of a few numbers, without the overhead that a general one carries."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

__all__ = ["middle"]


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
    ordered = np.sort(values)
    n = len(ordered)
    return float(ordered[n // 2] + ordered[(n - 1) // 2]) / 2
