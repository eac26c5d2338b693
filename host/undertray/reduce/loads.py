"""Suction at the taps to loads of the car, row by row, whichever taps are good in a row."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from undertray.reduce.car import Car
from undertray.reduce.floor import LoadMatrix, load_matrix
from undertray.reduce.loss import Loss
from undertray.reduce.products import row_sums, table_sum

__all__ = ["Loads", "Part", "faulted_rows", "tap_loads"]

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class Part:
    """Rows with the same good taps.

    Attributes
    ----------
    matrix : LoadMatrix
        Their matrix.
    taps : list of int
        Which taps its columns are.
    where : ndarray of bool, shape (n,)
        Which rows.
    rows : int
        How many.
    """

    matrix: LoadMatrix
    taps: list[int]
    where: Bools
    rows: int

    def mean(self, values: Array) -> Array:
        """Mean of its taps over its rows.

        Parameters
        ----------
        values : ndarray, shape (n, all taps)
            Readings; what is missing elsewhere does not matter.

        Returns
        -------
        ndarray, shape (taps,)
        """
        # of all, unless something is missing in other rows
        mean = table_sum(self.where.astype(float), values)[self.taps] / self.rows
        return (
            mean if np.isfinite(mean).all() else np.array([values[self.where, i].mean() for i in self.taps])
        )

    def readings(self, values: Array) -> tuple[Array, NDArray[np.int64] | None]:
        """Where the readings of its taps in its rows are.

        Parameters
        ----------
        values : ndarray, shape (n, all taps)
            Readings.

        Returns
        -------
        table : ndarray, shape (n, taps)
            Not copied where they are all there is.
        rows : ndarray of int64, shape (rows,), or None
            Which rows of it; None for all.
        """
        table = values if len(self.taps) == values.shape[1] else values[:, self.taps]
        return table, None if self.rows == len(values) else np.flatnonzero(self.where)


@dataclass(frozen=True, slots=True, eq=False)
class Loads:
    """Loads over time. n rows.

    Attributes
    ----------
    rows : ndarray, shape (3, n)
        Downforce, front and rear axle load, N; NaN where no tap was good.
    mean_suction_pa : ndarray, shape (n,)
        Downforce over the area of the floor.
    pattern : ndarray of int64, shape (n,), or None
        Which taps were good, one bit a tap; None where all were throughout.
    matrices : mapping of int to LoadMatrix
        The load matrix of each pattern that occurs.
    taps : tuple of str
        All taps.
    """

    rows: Array
    mean_suction_pa: Array
    pattern: NDArray[np.int64] | None
    matrices: Mapping[int, LoadMatrix]
    taps: tuple[str, ...]

    @property
    def absent(self) -> tuple[str, ...]:
        """Taps that were not good in some row."""
        return (
            tuple(name for i, name in enumerate(self.taps) if not all(p >> i & 1 for p in self.matrices))
            if self.pattern is not None
            else ()
        )

    def parts(self, rows: Bools) -> Iterator[Part]:
        """Rows with the same good taps.

        Parameters
        ----------
        rows : ndarray of bool, shape (n,)
            Among these.

        Yields
        ------
        Part
        """
        for pattern, matrix in self.matrices.items():
            where = rows if self.pattern is None else rows & (self.pattern == pattern)
            count = int(np.count_nonzero(where))
            if count:
                yield Part(matrix, [i for i in range(len(self.taps)) if pattern >> i & 1], where, count)


def tap_loads(car: Car, pa: Array, faulted: Bools | None) -> Loads:
    """Loads of every row of a run.

    Parameters
    ----------
    car : Car
        Floor and taps.
    pa : ndarray, shape (n, taps)
        Suction, Pa; NaN where missing.
    faulted : ndarray of bool, shape (n, taps), or None
        Readings that a sensor fault takes out; None where there are none.

    Returns
    -------
    Loads

    Notes
    -----
    One product of a load matrix with the suctions for all rows that have the same good taps: a tap that
    is missing leaves its part of the floor to its neighbours by another matrix.
    """
    names = tuple(tap.name for tap in car.taps)
    whole = load_matrix(car)
    if faulted is None:
        # the sums tell both the loads and whether anything is missing
        rows = row_sums(whole.matrix[:3], pa)
        if np.isfinite(rows[0]).all():
            return Loads(rows, rows[0] / whole.area_m2.sum(), None, {(1 << len(names)) - 1: whole}, names)
    good = np.isfinite(pa) if faulted is None else np.isfinite(pa) & ~faulted
    code = np.zeros(len(pa), np.int64)
    for i in range(len(names)):
        code |= good[:, i].astype(np.int64) << i
    rows, mean = np.full((3, len(pa)), np.nan), np.full(len(pa), np.nan)
    matrices = {}
    for pattern in np.unique(code).tolist():
        taps = [i for i in range(len(names)) if pattern >> i & 1]
        if taps:
            matrix = matrices[pattern] = load_matrix(car, {names[i] for i in taps})
            here = np.flatnonzero(code == pattern)
            rows[:, here] = row_sums(matrix.matrix[:3], pa[here][:, taps])
            mean[here] = rows[0, here] / matrix.area_m2.sum()
    return Loads(rows, mean, code, matrices, names)


def faulted_rows(events: Sequence[Loss], t_s: Array, names: Sequence[str]) -> Bools | None:
    """Readings that a sensor fault takes out.

    Parameters
    ----------
    events : sequence of Loss
        Events of the run.
    t_s : ndarray, shape (n,)
        Board time, s.
    names : sequence of str
        The taps.

    Returns
    -------
    ndarray of bool, shape (n, taps), or None
        None where there was no fault.
    """
    faults = [event for event in events if event.kind == "sensor-fault"]
    if not faults:
        return None
    out = np.zeros((len(t_s), len(names)), bool)
    for event in faults:
        a = int(np.searchsorted(t_s, event.onset_s))
        b = len(t_s) if event.end_s is None else int(np.searchsorted(t_s, event.end_s))
        for name in event.order:
            out[a:b, names.index(name)] = True
    return out
