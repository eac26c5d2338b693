"""How well the taps of a car can know its force: what they do not see of the floor."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from undertray.reduce.car import Car
from undertray.reduce.floor import load_matrix
from undertray.reduce.unevenness import unevenness

__all__ = ["ForceBounds", "TapLayout", "bounds", "force_bounds", "tap_layout", "unspanned"]

Array = NDArray[np.float64]

_ALIKE = 0.3  # of the logarithm: cases whose taps differ a third more or less still count
_SAME = 0.003  # differences of taps below it say nothing
_FEW = 5  # the most uneven cases, beyond which taps speak for themselves
_COVERED = 0.95
_SPAN = 0.1  # of the floor's length or width


@dataclass(frozen=True, slots=True, eq=False)
class TapLayout:
    """What some taps of a car read and miss in every case of an uneven floor.

    Attributes
    ----------
    spread : ndarray, shape (cases,)
        Standard deviation of the taps' readings over their mean.
    missed : ndarray, shape (cases, 7)
        Rows of :data:`undertray.reduce.floor.ROWS` as the taps give them less the true ones, in N and N m for
        1 Pa of mean suction as the taps give it.
    """

    spread: Array
    missed: Array

    def alike(self, pa: Array) -> tuple[Array, float]:
        """Weigh the cases by how well they go with some readings.

        Parameters
        ----------
        pa : ndarray, shape (taps,)
            Readings, Pa.

        Returns
        -------
        weights : ndarray, shape (cases,)
            They sum to 1.
        beyond : float
            How many times more the readings differ than in the most uneven cases; 1 within them.
        """
        if len(pa) < 2:
            return np.full(len(self.spread), 1 / len(self.spread)), 1.0
        of_mean = float(pa.std()) / max(abs(float(pa.mean())), 1e-9 * float(np.abs(pa).max()), 1e-12)
        seen, cases = np.log(of_mean + _SAME), np.log(self.spread + _SAME)
        most = float(np.sort(cases)[-_FEW:].mean())
        weights = np.exp(-np.square((min(seen, most) - cases) / _ALIKE) / 2)
        return weights / weights.sum(), float(np.exp(max(0.0, seen - most)))


@dataclass(frozen=True, slots=True)
class ForceBounds:
    """Half widths of the 95 % intervals of downforce, front and rear load, N for 1 Pa of mean suction."""

    downforce_n: float
    front_n: float
    rear_n: float


def bounds(missed: Array, weights: Array) -> Array:
    """What numbers are off by in 95 % of the cases.

    Parameters
    ----------
    missed : ndarray, shape (cases, quantities)
        What each is off by in each case.
    weights : ndarray, shape (cases,)
        Weight of the cases, of sum 1.

    Returns
    -------
    ndarray, shape (quantities,)
    """
    size = np.abs(missed)
    order = np.argsort(size, axis=0, kind="stable")
    # between the cases it is drawn straight, so that a last digit nowhere makes a step
    up_to = np.cumsum(weights[order], axis=0) - weights[order] / 2
    ranked = np.take_along_axis(size, order, axis=0)
    return np.array([np.interp(_COVERED, up_to[:, k], ranked[:, k]) for k in range(size.shape[1])])


def tap_layout(car: Car, taps_present: Collection[str] | None = None) -> TapLayout:
    """What the taps of a car read and miss where suction is uneven.

    Parameters
    ----------
    car : Car
        Floor and taps.
    taps_present : collection of str or None
        Names of the taps whose readings are good; all if left out.

    Returns
    -------
    TapLayout

    Raises
    ------
    ReductionError
        When no tap is left.

    Notes
    -----
    In each case of :func:`undertray.reduce.unevenness.unevenness` the taps read what stands at their places,
    the load matrix M makes of it what it makes of a run, and the sum over the cells is the truth: the
    difference is what the taps miss. An even suction misses nothing.

    Of a run only the readings are known. So the cases are weighed by how much their taps would differ beside
    how much those of the run do (a bell in the logarithm of the standard deviation over the mean, 0.3 wide),
    and what 95 % of the weight misses at most is the uncertainty. Few taps, or taps that lie alike, read
    alike in many cases that miss much: then it is large however well they agree. Where the taps differ more
    than in the most uneven cases it grows in proportion.
    """
    return _layout(car, None if taps_present is None else frozenset(taps_present))


@lru_cache(maxsize=256)
def _layout(car: Car, present: frozenset[str] | None) -> TapLayout:
    matrix = load_matrix(car, present)
    floor = unevenness(car.floor_mm)
    places = {tap.name: (tap.x_mm, tap.y_mm) for tap in car.taps}
    excess = floor.at([places[name] for name in matrix.taps])
    area_m2 = float(matrix.area_m2.sum())
    felt = np.einsum("ct,rt->cr", excess, matrix.matrix)
    missed = felt - area_m2 * _true(car.floor_mm, car.wheelbase_mm)
    read_pa = 1 + felt[:, 0] / area_m2
    return TapLayout((1 + excess).std(axis=1) / (1 + excess.mean(axis=1)), missed / read_pa[:, None])


@lru_cache(maxsize=8)
def _true(floor_mm: tuple[tuple[float, float], ...], wheelbase_mm: float) -> Array:
    """Rows of a load matrix for the excess of every case on 1 m2 of floor, shape (cases, 7)."""
    floor = unevenness(floor_mm)
    x, y = floor.places_mm.T
    one, right = np.ones(len(x)), np.where(y > 0, 1.0, np.where(y < 0, 0.0, 0.5))
    rear = x / wheelbase_mm
    rows = np.stack([one, one - rear, rear, x * 1e-3, y * 1e-3, one - right, right])
    return np.asarray(np.einsum("cx,rx->cr", floor.excess, rows) / len(x))


def unspanned(car: Car, taps_present: Collection[str] | None = None) -> frozenset[str]:
    """Which numbers no pair of taps spans: they would be those of an assumption.

    Parameters
    ----------
    car : Car
        Floor and taps.
    taps_present : collection of str or None
        Names of the taps whose readings are good; all if left out.

    Returns
    -------
    frozenset of str
        Of ``x_mm``, ``y_mm`` (where the taps lie within a tenth of the floor's length or width), ``left_n``
        and ``right_n`` (there, and where all taps lie on one side of the middle line).
    """
    places = np.array([(t.x_mm, t.y_mm) for t in car.taps if taps_present is None or t.name in taps_present])
    along, across = np.ptp(places, axis=0) >= _SPAN * np.ptp(np.array(car.floor_mm), axis=0)
    y = places[:, 1]
    sides = across and (y < 0).any() and (y > 0).any()
    out = [] if along else ["x_mm"]
    out += [] if across else ["y_mm"]
    return frozenset([*out, *([] if sides else ["left_n", "right_n"])])


def force_bounds(car: Car) -> ForceBounds:
    """How far off the loads may be by what the taps do not see, before any run.

    Parameters
    ----------
    car : Car
        Floor and taps.

    Returns
    -------
    ForceBounds
    """
    layout = tap_layout(car)
    weights = np.full(len(layout.missed), 1 / len(layout.missed))
    return ForceBounds(*bounds(layout.missed[:, :3], weights).tolist())
