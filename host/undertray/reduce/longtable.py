"""Long tables that are worked out, and multiplied, a piece at a time.

Of a long product the linear algebra library makes work for several threads, which then go round waiting for
more of it: that costs more time than the second core saves.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["Column", "Table", "pieces"]

Array = NDArray[np.float64]
Rows = slice | NDArray[np.int64]

_AT_ONCE = 16384


class Table:
    """A table of n rows that is worked out where it is asked for, and never held as a whole.

    Parameters
    ----------
    rows, columns : int
        Its shape.
    make : callable
        Takes rows, a slice without a step or ascending numbers, and columns as a list of int; gives an
        array of shape (rows, columns).

    Notes
    -----
    It is sliced as an array is: ``table[rows]``, ``table[rows, column]``, with rows as a slice, numbers of
    any shape or a mask. ``np.asarray`` gives all of it.
    """

    ndim = 2

    def __init__(self, rows: int, columns: int, make: Callable[[Rows, list[int]], NDArray[Any]]) -> None:
        self.shape = (rows, columns)
        self._make = make

    @classmethod
    def of(cls, values: NDArray[Any]) -> Table:
        """Take a table that is there already.

        Parameters
        ----------
        values : ndarray, shape (n, columns)
            The table.

        Returns
        -------
        Table
        """
        rows, columns = values.shape
        return cls(rows, columns, lambda at, wanted: values[at][:, wanted])

    def __len__(self) -> int:
        return self.shape[0]

    def __getitem__(self, key: Any) -> NDArray[Any]:
        rows, wanted = key if isinstance(key, tuple) else (key, slice(None))
        chosen = np.arange(self.shape[1])[wanted]
        found = self._rows(rows, np.atleast_1d(chosen).tolist())
        return found[..., 0] if chosen.ndim == 0 else found

    def _rows(self, rows: Any, columns: list[int]) -> NDArray[Any]:
        if isinstance(rows, slice):
            first, last, step = rows.indices(len(self))
            if step != 1:
                return self._rows(np.arange(first, last, step), columns)
            if last - first <= _AT_ONCE:
                return self._make(slice(first, max(first, last)), columns)
            out: NDArray[Any] | None = None
            for a, b in pieces(first, last):
                part = self._make(slice(a, b), columns)
                if out is None:
                    out = np.empty((len(columns), last - first), part.dtype).T
                out[a - first : b - first] = part
            assert out is not None
            return out
        at_rows = np.asarray(rows)
        at_rows = np.flatnonzero(at_rows) if at_rows.dtype == bool else at_rows
        flat = at_rows.ravel()
        parts = [self._make(flat[a:b], columns) for a, b in pieces(0, max(1, len(flat)))]
        return np.asarray(np.concatenate(parts).reshape(*at_rows.shape, len(columns)))

    def __array__(self, dtype: Any = None, copy: bool | None = None) -> NDArray[Any]:
        return np.asarray(self[:], dtype)

    def between(self, first: int, last: int) -> Table:
        """Take some rows.

        Parameters
        ----------
        first, last : int
            First row, and the row after the last.

        Returns
        -------
        Table
        """

        def make(rows: Rows, columns: list[int]) -> NDArray[Any]:
            if isinstance(rows, slice):
                return self._make(slice(rows.start + first, rows.stop + first), columns)
            return self._make(rows + first, columns)

        return self if (first, last) == (0, len(self)) else Table(last - first, self.shape[1], make)

    def only(self, columns: Sequence[int]) -> Table:
        """Take some columns.

        Parameters
        ----------
        columns : sequence of int
            Which.

        Returns
        -------
        Table
        """
        return Table(
            len(self), len(columns), lambda rows, wanted: self._make(rows, [columns[i] for i in wanted])
        )


class Column:
    """One column of n rows that is worked out where it is asked for.

    Parameters
    ----------
    rows : int
        How many.
    make : callable
        Takes what an array of n rows may be sliced by, and gives those rows.
    """

    def __init__(self, rows: int, make: Callable[[Any], Array]) -> None:
        self.shape = (rows,)
        self._make = make

    def __len__(self) -> int:
        return self.shape[0]

    def __getitem__(self, rows: Any) -> Array:
        return self._make(rows)

    def __array__(self, dtype: Any = None, copy: bool | None = None) -> NDArray[Any]:
        return np.asarray(self[:], dtype)


def pieces(first: int, last: int, size: int = _AT_ONCE) -> Iterator[tuple[int, int]]:
    """Cut rows into pieces that stay in a core's own cache."""
    for a in range(first, last, size):
        yield a, min(last, a + size)
