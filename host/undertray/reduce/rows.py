"""The last rows as they came, to look back at."""

from __future__ import annotations

from collections import deque

import numpy as np
from numpy.typing import NDArray

__all__ = ["Rows"]

Array = NDArray[np.float64]


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
        self._pieces: deque[tuple[Array, Array, Array]] = deque()
        self._none = (np.empty(0), np.empty((0, taps)), np.empty(0))

    def append(self, t_s: Array, suction_pa: Array, throttle_us: Array) -> None:
        """Add rows and let go of old ones.

        Parameters
        ----------
        t_s : ndarray, shape (k,)
            Time, s.
        suction_pa : ndarray, shape (k, taps)
            Suction, Pa.
        throttle_us : ndarray, shape (k,)
            Throttle, µs.
        """
        # copies, as the caller may use its arrays again
        self._pieces.append((t_s.copy(), suction_pa.copy(), throttle_us.copy()))
        self.end += len(t_s)
        while self.end - self.first - len(self._pieces[0][0]) >= self._keep:
            self.first += len(self._pieces.popleft()[0])

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
        (t, suction, _), part = self._joined(), self._part(row0, row1)
        return t[part], suction[part]

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
        (t, _, throttle), part = self._joined(), self._part(row0, row1)
        return t[part], throttle[part]

    def _joined(self) -> tuple[Array, Array, Array]:
        if len(self._pieces) > 1:
            t, suction, throttle = (np.concatenate(parts) for parts in zip(*self._pieces, strict=True))
            self._pieces = deque([(t, suction, throttle)])
        return self._pieces[0] if self._pieces else self._none

    def _part(self, row0: int, row1: int) -> slice:
        return slice(max(0, row0 - self.first), max(0, row1 - self.first))
