"""Where the next tap of a car helps most."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from undertray.errors import ReductionError
from undertray.reduce.car import MOST_TAPS, Car, Tap
from undertray.reduce.layout import ForceBounds, force_bounds
from undertray.reduce.polygon import holds_point

__all__ = ["NextTap", "next_taps"]

_STEPS = (13, 8)  # places tried along and across the floor
_FROM_RIM, _APART = 0.08, 0.12  # of the floor's width


@dataclass(frozen=True, slots=True)
class NextTap:
    """A tap that is not there yet.

    Attributes
    ----------
    x_mm, y_mm : float
        Its place.
    known : ForceBounds
        How well the force can be known with it and those before it.
    """

    x_mm: float
    y_mm: float
    known: ForceBounds


def next_taps(car: Car, count: int) -> list[NextTap]:
    """Propose places for further taps.

    Parameters
    ----------
    car : Car
        Floor and the taps that are there.
    count : int
        How many more, at least 1.

    Returns
    -------
    list of NextTap
        In the order they are to be added.

    Raises
    ------
    ReductionError
        When areas are given for the taps, when there would be too many taps, or there is no room.

    Notes
    -----
    One after another, each where the sum of what both axles may be off by becomes least. Places are tried on
    a raster over the floor, to whole millimetres, no nearer than 8 % of the floor's width to its outline and
    12 % to a tap.
    """
    if car.load == "areas":
        raise ReductionError(
            "no place for a further tap where areas are given",
            where=car.name,
            seen='load = "areas"',
            do="leave 'load' out: the areas then follow from the places",
        )
    if len(car.taps) + count > MOST_TAPS:
        raise ReductionError(
            "too many taps",
            where=car.name,
            seen=len(car.taps) + count,
            expected=f"at most {MOST_TAPS}",
            do="ask for fewer",
        )
    found: list[NextTap] = []
    for _ in range(count):
        tried = [
            (NextTap(tap.x_mm, tap.y_mm, force_bounds(grown)), grown)
            for tap in _room(car)
            for grown in [replace(car, taps=(*car.taps, tap))]
        ]
        if not tried:
            raise ReductionError(
                "no room for a further tap",
                where=car.name,
                seen=f"{len(car.taps)} taps",
                expected="a place well inside the outline and away from the others",
                do="ask for fewer",
            )
        best, car = min(tried, key=lambda one: one[0].known.front_n + one[0].known.rear_n)
        found.append(best)
    return found


def _room(car: Car) -> Iterator[Tap]:
    corners = np.array(car.floor_mm)
    low, size = corners.min(axis=0), np.ptp(corners, axis=0)
    steps = _STEPS if size[0] >= size[1] else _STEPS[::-1]
    rim, apart = _FROM_RIM * float(size.min()), _APART * float(size.min())
    name = f"tap {len(car.taps) + 1} of {car.taps[0].name}"
    for i in range(steps[0]):
        for j in range(steps[1] + 1):
            x = round(float(low[0] + size[0] * (i + 0.5) / steps[0]))
            y = round(float(low[1] + size[1] * (j + 0.5) / (steps[1] + 1)))
            around = [(x + a * rim, y + b * rim) for a in (-1, 0, 1) for b in (-1, 0, 1)]
            clear = all(np.hypot(x - t.x_mm, y - t.y_mm) >= apart for t in car.taps)
            if clear and all(holds_point(car.floor_mm, point) for point in around):
                yield Tap(name, name, float(x), float(y))
