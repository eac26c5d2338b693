"""The last rows as they came, to look back at."""

from __future__ import annotations

from collections import deque

import numpy as np
from numpy.typing import NDArray

__all__ = ["Rows"]

Array = NDArray[np.float64]
Piece = tuple[Array, Array, Array]


class Rows:
    """The last rows, raw, addressed by their number in the run.

    Parameters
    ----------
    taps : int
        Number of taps.
    keep : int
        How many rows to hold on to at least.
    """

    def __init__(self, taps: int, keep: int) -> None:
        self.first = self.end = 0
        self._keep = keep
        self._kept: deque[Piece] = deque()
        self._none: Piece = (np.empty(0), np.empty((0, taps)), np.empty(0))
        self._lent = self._none

    def lend(self, t_s: Array, suction_pa: Array, throttle_us: Array) -> None:
        """Show rows, to be left as they are until :meth:`take_back`.

        Parameters
        ----------
        t_s : ndarray, shape (k,)
            Time, s.
        suction_pa : ndarray, shape (k, taps)
            Suction, Pa.
        throttle_us : ndarray, shape (k,)
            Throttle, µs.
        """
        self._lent = (t_s, suction_pa, throttle_us)
        self.end += len(t_s)

    def take_back(self) -> None:
        """Copy what has to be kept of the rows lent, as their owner may use the arrays again."""
        t, suction, throttle = self._lent
        old = max(0, len(t) - self._keep)
        self._kept.append((t[old:].copy(), suction[old:].copy(), throttle[old:].copy()))
        self._lent = self._none
        if old:
            self._kept = deque([self._kept[-1]])
            self.first = self.end - self._keep
        while self.end - self.first - len(self._kept[0][0]) >= self._keep:
            self.first += len(self._kept.popleft()[0])

    def between(self, row0: int, row1: int) -> tuple[Array, Array]:
        """Rows by number, as far as they are still held.

        Parameters
        ----------
        row0, row1 : int
            First row, and the row after the last.

        Returns
        -------
        t_s : ndarray, shape (k,)
        suction_pa : ndarray, shape (k, taps)
        """
        return self._cut(row0, row1, 0), self._cut(row0, row1, 1)

    def throttle(self, row0: int, row1: int) -> tuple[Array, Array]:
        """Throttle of rows by number, as far as they are still held.

        Parameters
        ----------
        row0, row1 : int
            First row, and the row after the last.

        Returns
        -------
        t_s : ndarray, shape (k,)
        throttle_us : ndarray, shape (k,)
        """
        return self._cut(row0, row1, 0), self._cut(row0, row1, 2)

    def _cut(self, row0: int, row1: int, column: int) -> Array:
        new = self.end - len(self._lent[0])
        recent = self._lent[column][max(0, row0 - new) : max(0, row1 - new)]
        if row0 >= new or not self._kept:
            return recent
        if len(self._kept) > 1:
            t, suction, throttle = (np.concatenate(parts) for parts in zip(*self._kept, strict=True))
            self._kept = deque([(t, suction, throttle)])
        older = self._kept[0][column][max(0, row0 - self.first) : max(0, row1 - self.first)]
        return np.concatenate([older, recent]) if len(recent) else older
