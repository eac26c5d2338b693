"""From taps to force: the load matrix of a floor."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from undertray.errors import ReductionError
from undertray.reduce.car import Car
from undertray.reduce.polygon import area_and_centroid, clip

__all__ = ["ROWS", "LoadMatrix", "load_matrix"]

ROWS = ("downforce_n", "front_n", "rear_n", "pitch_nm", "roll_nm")
"""What the rows of a load matrix give: force, axle loads, moments of the force x and y."""


@dataclass(frozen=True, slots=True, eq=False)
class LoadMatrix:
    """The floor as one small matrix.

    Attributes
    ----------
    taps : tuple of str
        Names of the taps, one per column of the matrix.
    matrix : ndarray, shape (5, taps)
        ``matrix @ suction_pa`` gives the rows of :data:`ROWS` in N and N m.
    area_m2 : ndarray, shape (taps,)
        Area that each tap stands for.
    centre_mm : ndarray, shape (taps, 2)
        Where the force of each tap acts.
    floor_m2 : float
        Area of the whole floor; differs from the sum of ``area_m2`` only where areas are given.
    """

    taps: tuple[str, ...]
    matrix: NDArray[np.float64]
    area_m2: NDArray[np.float64]
    centre_mm: NDArray[np.float64]
    floor_m2: float


def load_matrix(car: Car, taps_present: Collection[str] | None = None) -> LoadMatrix:
    """Spread taps over the floor by nearest-tap cells.

    Parameters
    ----------
    car : Car
        Floor and taps.
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
    Each tap stands for the part of the floor nearer to it than to any other tap (its
    Thiessen cell, cut out of the outline by half planes: exact, also for outlines that are
    not convex), and its force acts at that cell's own centroid. A uniform suction is
    therefore exact in force and in centre; a slope is exact only for taps at the centroids of
    their cells. A tap with a given area stands for that area instead, its force acts at the tap
    itself, and the cells of the others stay as they are. With F_i = A_i s_i at x_i and wheelbase L
    the front axle carries F_i (L - x_i)/L and the rear F_i x_i/L, which may be negative for
    floor beyond an axle.

    References
    ----------
    A. H. Thiessen, Precipitation averages for large areas, Monthly Weather Review 39 (1911) 1082.
    """
    taps = [t for t in car.taps if taps_present is None or t.name in taps_present]
    if not taps:
        raise ReductionError(
            "no tap with a good reading",
            expected="one of " + ", ".join(t.name for t in car.taps),
            do="check sensors and the columns named in car.toml",
        )
    areas, centres = [], []
    for tap in taps:
        cell: list[tuple[float, float]] = list(car.floor_mm)
        for other in taps:
            if other is not tap:
                a, b = 2 * (other.x_mm - tap.x_mm), 2 * (other.y_mm - tap.y_mm)
                c = other.x_mm**2 + other.y_mm**2 - tap.x_mm**2 - tap.y_mm**2
                cell = clip(cell, a, b, c)
        area, centre = area_and_centroid(cell)
        if tap.area_mm2 is not None:
            area, centre = tap.area_mm2, (tap.x_mm, tap.y_mm)
        areas.append(area * 1e-6)
        centres.append(centre)
    area_m2, centre_mm = np.array(areas), np.array(centres)
    x_m, y_m, wheelbase_m = centre_mm[:, 0] * 1e-3, centre_mm[:, 1] * 1e-3, car.wheelbase_mm * 1e-3
    rear = area_m2 * x_m / wheelbase_m
    return LoadMatrix(
        taps=tuple(t.name for t in taps),
        matrix=np.stack([area_m2, area_m2 - rear, rear, area_m2 * x_m, area_m2 * y_m]),
        area_m2=area_m2,
        centre_mm=centre_mm,
        floor_m2=area_and_centroid(car.floor_mm)[0] * 1e-6,
    )
