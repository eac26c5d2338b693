"""Suction at the taps to loads of the car, row by row, whichever taps are good in a row."""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from undertray.errors import NothingMeasured
from undertray.reduce.car import Car, Tap
from undertray.reduce.geometry import area_and_centroid, clip, linear_moments, nearest_part, outside_share
from undertray.reduce.longtable import Column, Table, pieces
from undertray.reduce.loss import Loss

__all__ = ["ROWS", "LoadMatrix", "Loads", "Part", "faulted_rows", "load_matrix", "tap_loads"]


# From taps to force: the load matrix of a floor.

Array = NDArray[np.float64]

ROWS = ("downforce_n", "front_n", "rear_n", "pitch_nm", "roll_nm", "left_n", "right_n")
"""Rows of a load matrix: force, axle loads, moments of the force with x and y, sides of the floor."""


@dataclass(frozen=True, slots=True, eq=False)
class LoadMatrix:
    """The floor as one small matrix."""

    taps: tuple[str, ...]
    matrix: Array
    area_m2: Array
    centre_mm: Array
    floor_m2: float
    extrapolated: float


def load_matrix(car: Car, taps_present: Collection[str] | None = None) -> LoadMatrix:
    """Spread taps over the floor.

    Parameters
    ----------
    car : Car
        Floor and taps; ``car.load`` says how: ``cells``, ``linear`` or ``areas``.
    taps_present : collection of str or None
        Names of the taps whose readings are good; all if left out. The cells of the others
        go to their neighbours.

    Returns
    -------
    LoadMatrix
        Columns in the order of ``car.taps``, absent taps left out.

    Raises
    ------
    NothingMeasured
        When no tap is left.

    Notes
    -----
    ``cells``: each tap stands for the part of the floor nearer to it than to any other tap (its
    Thiessen cell, cut out of the outline by half planes: exact, also for outlines that are not
    convex), and its force acts at that cell's own centroid. A uniform suction is therefore exact in
    force and in centre; a slope is exact only for taps at the centroids of their cells.

    ``linear``: suction is linear over each triangle of a Delaunay triangulation of the taps, and outside
    their hull it is that of the nearest point of the hull. Exact for a uniform suction, and within
    the hull for a slope. With fewer than three taps, or all in a line, cells are used.

    ``areas``: each tap stands for its given area, and its force acts at the tap itself. The area of a tap
    that is absent takes the mean reading of the nearest taps that are there.

    With ``cells`` a tap with a given area stands for that instead, its force acts at the tap
    itself, and the cells of the others stay as they are.

    With F_i = A_i s_i at x_i and wheelbase L the front axle carries F_i (L - x_i)/L and the rear
    F_i x_i/L, which may be negative for floor beyond an axle. The sides are those of the centre line
    y = 0.

    References
    ----------
    A. H. Thiessen, Precipitation averages for large areas, Monthly Weather Review 39 (1911) 1082.
    """
    return _spread(car, None if taps_present is None else frozenset(taps_present))


@lru_cache(maxsize=512)
def _spread(car: Car, present: frozenset[str] | None) -> LoadMatrix:
    taps = [t for t in car.taps if present is None or t.name in present]
    if not taps:
        raise NothingMeasured(
            "no tap with a good reading",
            expected="one of " + ", ".join(t.name for t in car.taps),
            do="check sensors and the columns named in car.toml",
        )
    places = [(t.x_mm, t.y_mm) for t in taps]
    linear = linear_moments(car.floor_mm, places) if car.load == "linear" else None
    if car.load == "areas":
        moments = _given_moments(car, taps)
    elif linear is not None:
        moments = linear
    else:
        cells = (_cell_moments(car, tap, taps) if tap.area_mm2 is None else _at_tap(tap) for tap in taps)
        moments = np.array(list(cells))
    return _matrix(car, tuple(t.name for t in taps), moments, outside_share(car.floor_mm, places))


def _given_moments(car: Car, taps: Sequence[Tap]) -> Array:
    """Moments of the given areas of all taps, those of absent ones given to the nearest present ones."""
    moments = np.zeros((len(taps), 4))
    for tap in car.taps:
        apart = np.array([math.dist((tap.x_mm, tap.y_mm), (t.x_mm, t.y_mm)) for t in taps])
        nearest = apart <= apart.min() * (1 + 1e-9)
        moments[nearest] += np.array(_at_tap(tap)) / nearest.sum()
    return moments


def _cell_moments(car: Car, tap: Tap, taps: Sequence[Tap]) -> tuple[float, float, float, float]:
    """Area, moments with x and y, and the area right of the centre line, of a tap's cell: mm2, mm3."""
    cell = nearest_part(
        car.floor_mm, (tap.x_mm, tap.y_mm), [(other.x_mm, other.y_mm) for other in taps if other is not tap]
    )
    area, (x, y) = area_and_centroid(cell)
    right, _ = area_and_centroid(clip(cell, 0.0, -1.0, 0.0))
    return area, area * x, area * y, right


def _at_tap(tap: Tap) -> tuple[float, float, float, float]:
    area = tap.area_mm2 or 0.0
    side = 1.0 if tap.y_mm > 0 else 0.0 if tap.y_mm < 0 else 0.5
    return area, area * tap.x_mm, area * tap.y_mm, side * area


def _matrix(car: Car, names: tuple[str, ...], moments: Array, outside: float) -> LoadMatrix:
    area, mx, my, right = moments.T * np.array([[1e-6], [1e-9], [1e-9], [1e-6]])
    rear = mx / (car.wheelbase_mm * 1e-3)
    matrix = np.stack([area, area - rear, rear, mx, my, area - right, right])
    matrix.flags.writeable = area.flags.writeable = False  # shared by all who ask for the same taps
    return LoadMatrix(
        taps=names,
        matrix=matrix,
        area_m2=area,
        centre_mm=np.stack([mx, my], axis=1) / np.where(area > 0, area, 1.0)[:, None] * 1e3,
        floor_m2=area_and_centroid(car.floor_mm)[0] * 1e-6,
        extrapolated=outside,
    )


Bools = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class Part:
    """Rows with the same good taps."""

    matrix: LoadMatrix
    taps: list[int]
    where: Bools
    rows: int

    @property
    def chosen(self) -> NDArray[np.int64] | None:
        """Numbers of its rows; None for all."""
        return None if self.rows == len(self.where) else np.flatnonzero(self.where)

    def moments(self, values: Table, squared: Sequence[int] = ()) -> tuple[Array, Array]:
        """Means of its taps over its rows, and mean squares of some, by their place among its taps."""
        total, square, chosen = np.zeros(len(self.taps)), np.zeros(len(squared)), self.chosen
        for a, b in pieces(0, self.rows):
            piece = values[slice(a, b) if chosen is None else chosen[a:b], self.taps]
            total += piece.sum(axis=0)
            for i, place in enumerate(squared):
                square[i] += piece[:, place] @ piece[:, place]
        return total / self.rows, square / self.rows


@dataclass(frozen=True, slots=True, eq=False)
class Loads:
    """Loads over time. n rows."""

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
        """Find rows by the taps that were good in them."""
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

    @property
    def never_good(self) -> tuple[str, ...]:
        """Those of them that were good in no row."""
        there = self.codes if self.pattern is None else [self.codes[i] for i in np.unique(self.pattern)]
        return tuple(name for i, name in enumerate(self.taps) if not any(c >> i & 1 for c in there))

    def parts(self, rows: Bools) -> Iterator[Part]:
        """Rows with the same good taps."""
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
    """Readings that a sensor fault takes out."""
    found = []
    for event in events:
        if event.kind == "sensor-fault":
            a = int(np.searchsorted(t_s, event.onset_s))
            b = len(t_s) if event.end_s is None else int(np.searchsorted(t_s, event.end_s))
            found += [(names.index(name), a, b) for name in event.order]
    return found
