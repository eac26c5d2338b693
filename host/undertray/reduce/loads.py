"""Suction at the taps to loads of the car, row by row, whichever taps are good in a row."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from undertray.reduce.car import Car
from undertray.reduce.floor import LoadMatrix, load_matrix
from undertray.reduce.loss import Loss
from undertray.reduce.products import Column, Table, pieces

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

    def mean(self, values: Table) -> Array:
        """Mean of its taps over its rows.

        Parameters
        ----------
        values : Table, shape (n, all taps)
            Readings; what is missing elsewhere does not matter.

        Returns
        -------
        ndarray, shape (taps,)
        """
        total = np.zeros(len(self.taps))
        for where, piece in self._pieces(values, self.taps):
            total += piece.sum(axis=0) if where is None else piece[where].sum(axis=0)
        return total / self.rows

    def mean_square(self, values: Table, tap: int) -> float:
        """Mean square of one tap over its rows.

        Parameters
        ----------
        values : Table, shape (n, all taps)
            Readings.
        tap : int
            Which.

        Returns
        -------
        float
        """
        total = 0.0
        for where, piece in self._pieces(values, [tap]):
            total += float(np.square(piece if where is None else piece[where]).sum())
        return total / self.rows

    def _pieces(self, values: Table, taps: list[int]) -> Iterator[tuple[Bools | None, Array]]:
        """Pieces that have rows of it, and which they are; None for all."""
        for a, b in pieces(0, len(values)):
            where = self.where[a:b]
            if where.any():
                yield (None if where.all() else where), values[a:b, taps]

    def readings(self, values: Table) -> tuple[Table, NDArray[np.int64] | None]:
        """Where the readings of its taps in its rows are.

        Parameters
        ----------
        values : Table, shape (n, all taps)
            Readings.

        Returns
        -------
        table : Table, shape (n, taps)
            Of its taps.
        rows : ndarray of int64, shape (rows,), or None
            Which rows of it; None for all.
        """
        return values.only(self.taps), None if self.rows == len(values) else np.flatnonzero(self.where)


@dataclass(frozen=True, slots=True, eq=False)
class Loads:
    """Loads over time. n rows.

    Attributes
    ----------
    front_n, rear_n : ndarray, shape (n,)
        Axle loads, N; NaN where no tap was good.
    pattern : ndarray of whole numbers, shape (n,), or None
        Which taps were good, as a place in ``codes``; None where all were throughout.
    codes : tuple of int
        Good taps, one bit a tap; all of them first.
    matrices : mapping of int to LoadMatrix
        The load matrix of each code that occurs.
    taps : tuple of str
        All taps.
    """

    front_n: Array
    rear_n: Array
    pattern: NDArray[np.unsignedinteger[Any]] | None
    codes: tuple[int, ...]
    matrices: Mapping[int, LoadMatrix]
    taps: tuple[str, ...]

    @property
    def downforce_n(self) -> Column:
        """Sum of the axle loads, N, shape (n,)."""
        return Column(len(self.front_n), lambda rows: self.front_n[rows] + self.rear_n[rows])

    @property
    def mean_suction_pa(self) -> Column:
        """Downforce over the area that the good taps stand for, Pa, shape (n,)."""
        areas = np.array(
            [self.matrices[c].area_m2.sum() if c in self.matrices else np.nan for c in self.codes]
        )

        def make(rows: Any) -> Array:
            load = np.asarray(self.front_n[rows] + self.rear_n[rows])
            load /= areas[0] if self.pattern is None else areas[self.pattern[rows]]
            return load

        return Column(len(self.front_n), make)

    def rows_of(self, wanted: Callable[[int], bool]) -> Bools:
        """Find rows by the taps that were good in them.

        Parameters
        ----------
        wanted : callable
            Takes good taps, one bit a tap.

        Returns
        -------
        ndarray of bool, shape (n,)
        """
        chosen = np.array([wanted(code) for code in self.codes])
        if self.pattern is None:
            return np.full(len(self.front_n), chosen[0])
        return np.asarray(chosen[self.pattern])

    @property
    def absent(self) -> tuple[str, ...]:
        """Taps that were not good in some row."""
        if self.pattern is None:
            return ()
        there = [self.codes[i] for i in np.unique(self.pattern).tolist()]
        return tuple(name for i, name in enumerate(self.taps) if not all(c >> i & 1 for c in there if c))

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
        for code, matrix in self.matrices.items():
            where = rows if self.pattern is None else rows & (self.pattern == self.codes.index(code))
            count = int(np.count_nonzero(where))
            if count:
                yield Part(matrix, [i for i in range(len(self.taps)) if code >> i & 1], where, count)


def tap_loads(car: Car, pa: Table, faulted: Sequence[tuple[int, int, int]]) -> Loads:
    """Loads of every row of a run.

    Parameters
    ----------
    car : Car
        Floor and taps.
    pa : Table, shape (n, taps)
        Suction, Pa; NaN where missing.
    faulted : sequence of (int, int, int)
        Tap, first row and the row after the last of each reading that a sensor fault takes out.

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
    full = (1 << len(names)) - 1
    matrices, places = {full: whole}, {full: 0}
    front_n, rear_n = np.empty(len(pa)), np.empty(len(pa))
    pattern: NDArray[np.unsignedinteger[Any]] | None = None
    for a, b in pieces(0, len(pa)):
        piece = pa[a:b]
        # the sums tell both the loads and whether anything is missing
        loads = whole.matrix[1:3] @ piece.T
        out = [(tap, max(0, first - a), last - a) for tap, first, last in faulted if first < b and last > a]
        if out or not np.isfinite(loads[0]).all():
            pattern = np.zeros(len(pa), np.uint8) if pattern is None else pattern
            for code, here in _good(piece, out):
                place = places.setdefault(code, len(places))
                if place > np.iinfo(pattern.dtype).max:
                    pattern = pattern.astype(np.uint32)
                pattern[a:b][here] = place
                taps = [i for i in range(len(names)) if code >> i & 1]
                if taps and code not in matrices:
                    matrices[code] = load_matrix(car, {names[i] for i in taps})
                loads[:, here] = matrices[code].matrix[1:3] @ piece[here][:, taps].T if taps else np.nan
        front_n[a:b], rear_n[a:b] = loads
    if pattern is not None and not (pattern == 0).any():
        del matrices[full]
    return Loads(front_n, rear_n, pattern, tuple(places), matrices, names)


def _good(piece: Array, out: Sequence[tuple[int, int, int]]) -> Iterator[tuple[int, NDArray[np.int64]]]:
    """The taps that are good together in some rows, one bit each, and those rows."""
    good = np.isfinite(piece)
    for tap, first, last in out:
        good[first:last, tap] = False
    code = np.zeros(len(piece), np.int64)
    for i in range(piece.shape[1]):
        code |= good[:, i].astype(np.int64) << i
    for one in np.unique(code).tolist():
        yield one, np.flatnonzero(code == one)


def faulted_rows(events: Sequence[Loss], t_s: Array, names: Sequence[str]) -> list[tuple[int, int, int]]:
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
    list of (int, int, int)
        Tap, first row, and the row after the last.
    """
    found = []
    for event in events:
        if event.kind == "sensor-fault":
            a = int(np.searchsorted(t_s, event.onset_s))
            b = len(t_s) if event.end_s is None else int(np.searchsorted(t_s, event.end_s))
            found += [(names.index(name), a, b) for name in event.order]
    return found
