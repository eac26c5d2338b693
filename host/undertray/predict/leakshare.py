"""Where a floor leaks: what the differences between its taps say of it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from undertray.reduce.car import Car
from undertray.reduce.summary import Estimate
from undertray.reduce.tapcover import entering_air, unevenness, unspanned

__all__ = ["Region", "leak_shares"]

Array = NDArray[np.float64]

_MODEL = 0.25  # of a difference between taps: how near cases of a coarse floor come to a real one
_SAME = 0.004  # of the mean suction: closer than that no case is meant
_FEWEST = 40.0  # cases that have to go with the readings, as many as their weights are worth
_WIDER = 1.15
_ENDS = (0.025, 0.5, 0.975)
_COARSE = 1.5  # cells of the outline: an end of a part may lie anywhere in one
_TELLS = 0.8  # of the width that is open before any reading


@dataclass(frozen=True, slots=True)
class Region:
    """A part of the floor, and how much of the leaking air comes in there."""

    name: str
    skirt: float
    share: float | None
    low: float | None
    high: float | None
    told: bool


def leak_shares(car: Car, taps_pa: Mapping[str, Estimate]) -> tuple[Region, ...]:
    """Find out where a floor leaks.

    Parameters
    ----------
    car : Car
        Floor and taps.
    taps_pa : mapping of str to Estimate
        Steady suction of the taps that were good, Pa, by name.

    Returns
    -------
    tuple of Region
        Halves of the floor, then the part nearest to each tap; empty where no tap reads suction.

    Notes
    -----
    Suction at some points is no flow. But where much air comes in, it flows from there to the fans, and
    friction and speed make the suction differ: a thousand ways in which a skirt can leak and fans can stand
    are worked out for the outline (:func:`undertray.reduce.tapcover.unevenness`), and in each is known what
    the taps would read and where the air enters. The cases are weighed by how well their taps differ as
    those of the run do: a normal misfit of every tap's reading over the mean of all, with the uncertainty of
    the tap, a quarter of the largest difference for what a coarse model leaves out, and 0.4 % of the mean. It
    is widened until the cases that count are worth 40. Their 2.5 and 97.5 % points, and one and a half cells
    of the outline to both sides, are the interval.

    Slot, gap, fans and their places are not asked for, and are as open as the leak: often the readings tell
    hardly more than the outline did, and then that is said. Taps under a fan, or in the jet of a hole, read
    what no even part of the floor has.

    References
    ----------
    Cases weighed by how well they go with what was read: importance sampling, any textbook of statistics.
    """
    names = [tap.name for tap in car.taps if tap.name in taps_pa]
    read = np.array([taps_pa[name].mean for name in names])
    if not len(read) or read.mean() <= 0:
        return ()
    floor = unevenness(car.floor_mm)
    places = {tap.name: (tap.x_mm, tap.y_mm) for tap in car.taps}
    cases = 1 + floor.at([places[name] for name in names])
    cases = cases / cases.mean(axis=1, keepdims=True)
    seen = read / read.mean()
    own = np.array([(taps_pa[name].u95 or 0.0) / 2 for name in names]) / read.mean()
    weights = _weights(cases - seen, np.sqrt(own**2 + _SAME**2 + (_MODEL * np.ptp(seen)) ** 2))
    enters = entering_air(car.floor_mm)
    even = np.full(len(weights), 1 / len(weights))
    missing = unspanned(car, set(names))
    rim: NDArray[np.bool_] = np.asarray((enters > 0).any(axis=0))
    found = []
    for name, where, spanned in _parts(car, floor.places_mm, names, missing):
        share = enters[:, where].sum(axis=1)
        low, middle, high = _points(share, weights)
        before, _, after = _points(share, even)
        told = high - low < _TELLS * (after - before)
        skirt, coarse = float(rim[where].sum() / rim.sum()), _COARSE / float(rim.sum())
        if spanned:
            found.append(Region(name, skirt, middle, max(0.0, low - coarse), min(1.0, high + coarse), told))
        else:
            found.append(Region(name, skirt, None, None, None, told=False))
    return tuple(found)


def _parts(
    car: Car, places_mm: Array, names: list[str], missing: frozenset[str]
) -> Iterator[tuple[str, NDArray[np.bool_], bool]]:
    """Name, cells, and whether two taps span it."""
    corners = np.array(car.floor_mm)
    middle_mm = (corners[:, 0].min() + corners[:, 0].max()) / 2
    x, y = places_mm.T
    yield "front half", x < middle_mm, "x_mm" not in missing
    yield "rear half", x >= middle_mm, "x_mm" not in missing
    yield "left half", y < 0, "y_mm" not in missing
    yield "right half", y >= 0, "y_mm" not in missing
    taps = np.array([(tap.x_mm, tap.y_mm) for tap in car.taps if tap.name in names])
    nearest = np.square(places_mm[:, None] - taps[None]).sum(axis=2).argmin(axis=1)
    for place, name in enumerate(names):
        yield name, nearest == place, len(names) > 1


def _weights(off: Array, within: Array) -> Array:
    """Weights of the cases by their misfit, widened until enough of them count; of sum 1."""
    misfit = np.square(off / within).sum(axis=1)
    width = 1.0
    while True:
        weights = np.exp(-(misfit - misfit.min()) / (2 * width**2))
        weights /= weights.sum()
        if 1 / np.square(weights).sum() >= _FEWEST or width > 1e6:
            return np.asarray(weights)
        width *= _WIDER


def _points(values: Array, weights: Array) -> tuple[float, float, float]:
    order = np.argsort(values, kind="stable")
    up_to = np.cumsum(weights[order]) - weights[order] / 2
    low, middle, high = np.interp(_ENDS, up_to, values[order]).tolist()
    return low, middle, high
