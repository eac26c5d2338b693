"""Products of long tables, a piece at a time.

Of a long product the linear algebra library makes work for several threads, which then go round waiting for
more of it: that costs more time than the second core saves.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["row_sums", "table_sum"]

Array = NDArray[np.float64]

_ROWS = 4096


def row_sums(weights: Array, table: Array) -> Array:
    """Weighted sums along each row of a table.

    Parameters
    ----------
    weights : ndarray, shape (k, m)
        One sum a row.
    table : ndarray, shape (n, m)
        Any numbers.

    Returns
    -------
    ndarray, shape (k, n)
        ``weights @ table.T``.
    """
    out = np.empty((len(weights), len(table)))
    for a in range(0, len(table), _ROWS):
        out[:, a : a + _ROWS] = weights @ table[a : a + _ROWS].T
    return out


def table_sum(weights: Array, table: Array) -> Array:
    """Weighted sum of the rows of a table.

    Parameters
    ----------
    weights : ndarray, shape (n,)
        Of each row.
    table : ndarray, shape (n, m)
        Any numbers.

    Returns
    -------
    ndarray, shape (m,)
        ``weights @ table``.
    """
    total = np.zeros(table.shape[1])
    for a in range(0, len(table), _ROWS):
        total += weights[a : a + _ROWS] @ table[a : a + _ROWS]
    return total
