"""The rows of a run as arrays, filled block by block."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from dataclasses import dataclass
from math import ceil
from typing import Any

import numpy as np
from numpy.typing import NDArray

from undertray.acquire.rows import MISSING

__all__ = ["RowArrays", "RowTable"]

_LEAST_GROWTH = 1.25


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
        NaN where the field is empty. Column by column in memory, as what is done to it is.
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
            self.counts.T[:, rows].T,
        )


class RowTable:
    """Room for rows: what a block was parsed into can be used again for the next.

    Parameters
    ----------
    columns : int
        Number N of pressure columns.

    Attributes
    ----------
    rows : int
        How many there are.
    """

    def __init__(self, columns: int) -> None:
        self.rows = 0
        self._whole = _room(0, columns)

    def add(self, fields: NDArray[np.int64], share: float = 1.0) -> None:
        """Put the next rows in.

        Parameters
        ----------
        fields : ndarray of int64, shape (m, 5 + N)
            As :class:`undertray.acquire.rows.RowBlock` has them.
        share : float
            Of all rows that there will be, how many times those up to here: room is taken for all at once.
        """
        rows, room = self.rows + len(fields), len(self._whole.seq)
        if rows > room:
            room = ceil(max(rows * share, room * _LEAST_GROWTH))
            before, self._whole = self.arrays(), _room(room, self._whole.counts.shape[1])
            for old, new in zip(_each(before), _each(self._whole), strict=True):
                new[: self.rows] = old
        here = self._whole.picked(slice(self.rows, rows))
        for place, array in enumerate((here.host_us, here.seq, here.t_us, here.throttle_us, here.flags)):
            array[:] = fields[:, place]
        here.counts[:] = fields[:, 5:]
        missing = fields == MISSING
        if missing.any():
            here.throttle_us[missing[:, 3]] = np.nan
            here.counts[missing[:, 5:]] = np.nan
        self.rows = rows

    def arrays(self) -> RowArrays:
        """Give what was put in.

        Returns
        -------
        RowArrays
        """
        return self._whole.picked(slice(0, self.rows))


def _room(rows: int, columns: int) -> RowArrays:
    host_us, seq, t_us, flags = (np.empty(rows, dtype=np.int64) for _ in range(4))
    return RowArrays(host_us, seq, t_us, np.empty(rows), flags, np.empty((columns, rows)).T)


def _each(rows: RowArrays) -> Iterator[NDArray[Any]]:
    return (getattr(rows, field.name) for field in dataclasses.fields(rows))
