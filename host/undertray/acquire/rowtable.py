"""The rows of a run as arrays, filled block by block."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from undertray.acquire.rows import MISSING

__all__ = ["RowArrays", "RowTable"]


@dataclass(frozen=True, slots=True, eq=False)
class RowArrays:
    """The rows of a run: n of them, N pressure columns, as :class:`undertray.acquire.runlog.Run` has them.

    Attributes
    ----------
    host_us, seq, t_us, flags : ndarray of int64, shape (n,)
        As logged.
    throttle_us : ndarray of float64, shape (n,)
        NaN where the field is empty.
    counts : ndarray of float64, shape (n, N)
        NaN where the field is empty.
    """

    host_us: NDArray[np.int64]
    seq: NDArray[np.int64]
    t_us: NDArray[np.int64]
    throttle_us: NDArray[np.float64]
    flags: NDArray[np.int64]
    counts: NDArray[np.float64]

    def picked(self, rows: slice | NDArray[np.bool_]) -> RowArrays:
        """Take some of the rows.

        Parameters
        ----------
        rows : slice or ndarray of bool, shape (n,)
            Which.

        Returns
        -------
        RowArrays
        """
        return RowArrays(
            self.host_us[rows],
            self.seq[rows],
            self.t_us[rows],
            self.throttle_us[rows],
            self.flags[rows],
            self.counts[rows],
        )


class RowTable:
    """Room for rows, taken once: what a block was parsed into can be used again for the next.

    Parameters
    ----------
    columns : int
        Number N of pressure columns.
    room : int
        For how many rows at most.

    Attributes
    ----------
    rows : int
        How many there are.
    """

    def __init__(self, columns: int, room: int) -> None:
        self.rows = 0
        host_us, seq, t_us, flags = (np.empty(room, dtype=np.int64) for _ in range(4))
        counts = np.empty((room, columns))
        self._whole = RowArrays(host_us, seq, t_us, np.empty(room), flags, counts)

    def add(self, fields: NDArray[np.int64]) -> None:
        """Put the next rows in.

        Parameters
        ----------
        fields : ndarray of int64, shape (m, 5 + N)
            As :class:`undertray.acquire.rows.RowBlock` has them.
        """
        here = self._whole.picked(slice(self.rows, self.rows + len(fields)))
        for place, array in enumerate((here.host_us, here.seq, here.t_us, here.throttle_us, here.flags)):
            array[:] = fields[:, place]
        here.counts[:] = fields[:, 5:]
        missing = fields == MISSING
        if missing.any():
            here.throttle_us[missing[:, 3]] = np.nan
            here.counts[missing[:, 5:]] = np.nan
        self.rows += len(fields)

    def arrays(self) -> RowArrays:
        """Give what was put in.

        Returns
        -------
        RowArrays
        """
        return self._whole.picked(slice(0, self.rows))
