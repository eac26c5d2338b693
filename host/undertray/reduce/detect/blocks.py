"""Rows to blocks: what the detector judges."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["Blocks"]

Array = NDArray[np.float64]


class Blocks:
    """Means of a fixed number of rows each, addressed by their number in the run.

    Parameters
    ----------
    taps : int
        Number of taps.
    rows : int
        Rows in a block.
    keep : int
        How many blocks to hold on to at least.
    lags : int
        How many fan speeds come with each block.

    Notes
    -----
    Blocks are counted from the first row (and afresh after a data gap), never from where a
    piece happened to begin: so pieces of any size give the same blocks.
    """

    def __init__(self, taps: int, rows: int, keep: int, lags: int) -> None:
        self.rows = rows
        self.first = 0
        self._keep = keep
        self._columns: dict[str, NDArray[np.generic]] = {
            "t_s": np.empty(0),
            "row": np.empty(0, np.int64),
            "tap_pa": np.empty((0, taps)),
            "missing": np.empty((0, taps), bool),
            "frozen": np.empty((0, taps), bool),
            "beyond": np.empty((0, taps), bool),
            "throttle_us": np.empty(0),
            "known": np.empty(0, bool),
            "speed_us": np.empty((0, lags)),
        }
        self._base = self._held_blocks = self._room = 0  # place of the first block held, their count, places
        self._last_pa = np.zeros(taps)  # a tap that has not read yet holds 0
        self._last_us = np.nan
        self._unknown = -1  # last block without a throttle

    @property
    def end(self) -> int:
        """Number of the block after the last."""
        return self.first + self._held_blocks

    def take(self, name: str, k0: int, k1: int) -> NDArray[np.generic]:
        """A column of blocks by number.

        Parameters
        ----------
        name : str
            Name of the column.
        k0, k1 : int
            First block, and the block after the last; both must still be held.

        Returns
        -------
        ndarray, shape (k1 - k0, ...)
        """
        held = self._base - self.first
        return self._columns[name][k0 + held : min(k1, self.end) + held]

    def known(self, k0: int, k1: int) -> bool:
        """Is the throttle known all through some blocks?

        Parameters
        ----------
        k0, k1 : int
            First block, and the block after the last.

        Returns
        -------
        bool
        """
        return k0 > self._unknown or bool(self.take("known", k0, k1).all())

    def floats(self, name: str, k0: int, k1: int) -> Array:
        """The same for a column of numbers.

        Parameters
        ----------
        name : str
            Name of the column.
        k0, k1 : int
            First block, and the block after the last.

        Returns
        -------
        ndarray of float64
        """
        return self.take(name, k0, k1)  # type: ignore[return-value]

    def speed(self, k: int, lag: int) -> float:
        """Fan speed of one lag in a block.

        Parameters
        ----------
        k : int
            Number of the block.
        lag : int
            Which.

        Returns
        -------
        float
            µs.
        """
        return float(self._columns["speed_us"][k + self._base - self.first, lag])

    def throttle(self, k: int) -> float:
        """Throttle in a block.

        Parameters
        ----------
        k : int
            Its number.

        Returns
        -------
        float
            µs; NaN before the first pulse.
        """
        return float(self.floats("throttle_us", k, k + 1)[0])

    def time(self, k: int) -> float:
        """Time of the first row of a block.

        Parameters
        ----------
        k : int
            Its number.

        Returns
        -------
        float
            s.
        """
        return float(self.floats("t_s", k, k + 1)[0])

    def row(self, k: int) -> int:
        """Number of the first row of a block.

        Parameters
        ----------
        k : int
            Its number.

        Returns
        -------
        int
        """
        return int(self.take("row", k, k + 1)[0])

    def average(
        self,
        t_s: Array,
        suction_pa: Array,
        throttle_us: Array,
        beyond: NDArray[np.bool_] | None,
        before_pa: Array | None,
        row: int,
    ) -> dict[str, NDArray[np.generic]]:
        """Average whole blocks of rows that follow each other without a gap.

        Parameters
        ----------
        t_s : ndarray, shape (k * rows,)
            Time, s.
        suction_pa : ndarray, shape (k * rows, taps)
            Suction, Pa, NaN where missing.
        throttle_us : ndarray, shape (k * rows,)
            Throttle, µs, NaN where unknown.
        beyond : ndarray of bool, shape (k * rows, taps), or None
            Readings out of range.
        before_pa : ndarray, shape (taps,), or None
            The row before the first, for telling repeats.
        row : int
            Number of the first row.

        Returns
        -------
        dict
            Columns for :meth:`append`.
        """
        size, taps = self.rows, suction_pa.shape[1]
        k = len(t_s) // size
        cube = suction_pa.reshape(k, size, taps)
        mean, missing = np.einsum("kst->kt", cube) / size, np.zeros((k, taps), bool)
        if not np.isfinite(mean.sum()):
            there = np.isfinite(cube)
            count = there.sum(axis=1)
            total = np.where(there, cube, 0.0).sum(axis=1)
            missing = count == 0
            mean = self._held(np.divide(total, count, out=np.full_like(total, np.nan), where=count > 0))
        if k:
            self._last_pa = mean[-1]
        throttle = throttle_us.reshape(k, size)[:, -1].copy()
        known = np.isfinite(throttle)
        if not known.all():
            for i in np.flatnonzero(~known).tolist():
                throttle[i] = throttle[i - 1] if i else self._last_us
        if k:
            self._last_us = throttle[-1]
        return {
            "t_s": t_s[::size].copy(),
            "row": row + size * np.arange(k),
            "tap_pa": mean,
            "missing": missing,
            "frozen": _repeats(suction_pa, before_pa, size),
            "beyond": np.zeros((k, taps), bool)
            if beyond is None or not beyond.any()
            else beyond.reshape(k, size, taps).mean(axis=1) >= 0.5,
            "throttle_us": throttle,
            "known": known,
        }

    def append(self, columns: dict[str, NDArray[np.generic]]) -> Array:
        """Add blocks and let go of old ones.

        Parameters
        ----------
        columns : dict
            Every column but the fan speeds, k blocks each.

        Returns
        -------
        ndarray, shape (k, lags)
            Where the fan speeds of the new blocks have to be put.
        """
        count = len(columns["t_s"])
        drop = max(0, self._held_blocks - self._keep)
        if self._base + self._held_blocks + count > self._room:
            self._move(drop, count)
        known = np.asarray(columns["known"], bool)
        if not known.all():
            self._unknown = self.end + int(np.flatnonzero(~known)[-1])
        at = self._base + self._held_blocks
        for name, new in columns.items():
            self._columns[name][at : at + count] = new
        self.first += drop
        self._base += drop
        self._held_blocks += count - drop
        return self.floats("speed_us", self.end - count, self.end)

    def _move(self, drop: int, count: int) -> None:
        """Move what is kept to the front, or to a larger place."""
        keep = self._held_blocks - drop
        larger = keep + max(count, self._keep)
        for name, old in self._columns.items():
            room = np.empty((larger, *old.shape[1:]), old.dtype) if larger > self._room else old
            room[:keep] = old[self._base + drop : self._base + self._held_blocks]
            self._columns[name] = room
        self._room, self._base = max(self._room, larger), -drop

    def _held(self, mean: Array) -> Array:
        """A tap that misses a whole block holds its last reading until it is judged faulty."""
        hole = np.isnan(mean)
        index = np.where(hole, -1, np.arange(len(mean))[:, None])
        np.maximum.accumulate(index, axis=0, out=index)
        filled = np.take_along_axis(mean, np.maximum(index, 0), axis=0)
        return np.where(index < 0, self._last_pa, filled)


def _repeats(suction_pa: Array, before_pa: Array | None, size: int) -> NDArray[np.bool_]:
    """Blocks in which each row of a tap repeats the one before."""
    same = np.zeros(suction_pa.shape, bool)
    np.equal(suction_pa[1:], suction_pa[:-1], out=same[1:])
    if before_pa is not None:
        same[:1] = suction_pa[:1] == before_pa
    # runs of 1, 2, 4 ... repeats, up to a whole block: there is seldom more than the second step to do
    run, length = same, 1
    while length < size and run.any():
        step = min(length, size - length)
        run = run[step:] & run[:-step]
        length += step
    frozen = np.zeros((len(suction_pa) // size, suction_pa.shape[1]), bool)
    if length == size and run.any():
        frozen[:] = run[::size]
    return frozen
