"""From taps to force: the load matrix of a floor."""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from undertray.errors import ReductionError
from undertray.reduce.car import Car, Tap
from undertray.reduce.polygon import area_and_centroid, clip
from undertray.reduce.triangles import linear_moments, outside_share

__all__ = ["ROWS", "LoadMatrix", "load_matrix"]

Array = NDArray[np.float64]

ROWS = ("downforce_n", "front_n", "rear_n", "pitch_nm", "roll_nm", "left_n", "right_n")
"""Rows of a load matrix: force, axle loads, moments of the force with x and y, sides of the floor."""


@dataclass(frozen=True, slots=True, eq=False)
class LoadMatrix:
    """The floor as one small matrix.

    Attributes
    ----------
    taps : tuple of str
        Names of the taps, one per column of the matrix.
    matrix : ndarray, shape (7, taps)
        ``matrix @ suction_pa`` gives the rows of :data:`ROWS` in N and N m.
    area_m2 : ndarray, shape (taps,)
        Area that each tap stands for; the first row of the matrix.
    centre_mm : ndarray, shape (taps, 2)
        Where the force of each tap acts.
    floor_m2 : float
        Area of the whole floor; differs from the sum of ``area_m2`` only where areas are given.
    extrapolated : float
        Share of the floor that lies outside the taps' hull: there suction is carried on, not
        measured between taps.
    """

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
    ReductionError
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
        raise ReductionError(
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
    cell: list[tuple[float, float]] = list(car.floor_mm)
    for other in taps:
        if other is not tap:
            a, b = 2 * (other.x_mm - tap.x_mm), 2 * (other.y_mm - tap.y_mm)
            cell = clip(cell, a, b, other.x_mm**2 + other.y_mm**2 - tap.x_mm**2 - tap.y_mm**2)
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
