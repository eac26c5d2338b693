"""Rows to blocks: means of a fixed number of rows each."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["Averages"]

Array = NDArray[np.float64]


class Averages:
    """Averages rows over blocks.

    Parameters
    ----------
    taps : int
        Number of taps.
    rows : int
        Rows in a block.

    Notes
    -----
    Readings at the upper end of a part's range are left out: a suction that is higher than the part can tell
    is no level that something could have fallen from. Those at the lower end are suctions gone, and stay.

    Blocks are counted from the first row (and afresh after a data gap), never from where a
    piece happened to begin: so pieces of any size give the same blocks.
    """

    def __init__(self, taps: int, rows: int) -> None:
        self._rows = rows
        self._last_pa = np.zeros(taps)  # a tap that has not read yet holds 0
        self._last_us = np.nan
        self._read = np.zeros(taps, bool)  # which read anything within their range so far

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
            Columns for :meth:`undertray.reduce.detect.blocks.Blocks.append`.
        """
        size, taps = self._rows, suction_pa.shape[1]
        k = len(t_s) // size
        cube = suction_pa.reshape(k, size, taps)
        mean, missing = np.einsum("kst->kt", cube) / size, np.zeros((k, taps), bool)
        out = None if beyond is None or not beyond.any() else beyond.reshape(cube.shape)
        if out is not None or not np.isfinite(mean.sum()):
            there = np.isfinite(cube)
            missing[:] = ~there.any(axis=1)
            mean = _mean(cube, there)
            good = mean if out is None else _mean(cube, there & ~(out & (cube > 0)))
            mean = self._held(self._within_range(mean, good))
        elif k:
            self._read[:] = True
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
            "beyond": np.zeros((k, taps), bool) if out is None else out.mean(axis=1) >= 0.5,
            "throttle_us": throttle,
            "known": known,
        }

    def _within_range(self, any_pa: Array, good_pa: Array) -> Array:
        """Leave out readings at the upper end, but of a tap that never read anything else."""
        new = np.logical_or.accumulate(np.isfinite(good_pa), axis=0) | self._read
        if len(new):
            self._read = new[-1]
        return np.where(new, good_pa, any_pa)

    def _held(self, mean: Array) -> Array:
        """A tap without a reading in a block holds its last one until it is judged faulty."""
        hole = np.isnan(mean)
        index = np.where(hole, -1, np.arange(len(mean))[:, None])
        np.maximum.accumulate(index, axis=0, out=index)
        filled = np.take_along_axis(mean, np.maximum(index, 0), axis=0)
        return np.where(index < 0, self._last_pa, filled)


def _mean(cube: Array, there: NDArray[np.bool_]) -> Array:
    count = there.sum(axis=1)
    total = np.where(there, cube, 0.0).sum(axis=1)
    mean: Array = np.divide(total, count, out=np.full_like(total, np.nan), where=count > 0)
    return mean


def _repeats(suction_pa: Array, before_pa: Array | None, size: int) -> NDArray[np.bool_]:
    """Blocks in which each row of a tap repeats the one before."""
    same = np.zeros_like(suction_pa, bool)
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
