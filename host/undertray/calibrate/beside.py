"""Rows of a table put side by side, for arithmetic with one number a column."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["beside", "pieces"]

_NUMBERS = 512  # side by side: numpy's innermost loop is as long as the last axis, and 8 columns are too few
_ROWS = 4096  # in a piece: what is made of it stays in a core's own cache


def _side_by_side(columns: int) -> int:
    return max(1, _NUMBERS // max(1, columns))


def beside(per_column: NDArray[Any]) -> NDArray[Any]:
    """Repeat one number a column for as many rows as a piece has side by side.

    Parameters
    ----------
    per_column : ndarray, shape (N,)
        The numbers.

    Returns
    -------
    ndarray, shape (w,)
        The first ``piece.shape[1]`` of them belong to the numbers of a piece.
    """
    return np.tile(per_column, _side_by_side(len(per_column)))


def pieces(*tables: NDArray[Any]) -> Iterator[tuple[NDArray[Any], ...]]:
    """Cut tables into pieces of a few thousand rows, with some rows side by side.

    Parameters
    ----------
    *tables : ndarray, shape (n, N)
        All of one shape. One that is written to must be in the order of C.

    Yields
    ------
    tuple of ndarray, shape (k, w)
        The same piece of each table, not copied where it is in the order of C.
    """
    rows, columns = tables[0].shape
    side_by_side = _side_by_side(columns)
    even = rows - rows % side_by_side
    bounds = [*range(0, even, _ROWS // side_by_side * side_by_side), even, rows]
    for a, b in pairwise(bounds):
        if b > a:
            yield tuple(table[a:b].reshape(-1, min(b - a, side_by_side) * columns) for table in tables)
