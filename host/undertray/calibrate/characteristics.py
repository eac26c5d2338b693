"""What the points say of the sensor itself: non-linearity, hysteresis, repeatability."""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Level", "hysteresis", "levels", "nonlinearity", "repeatability"]

Array = NDArray[np.float64]
_LEVEL_WIDTH = 0.01


@dataclass(frozen=True, slots=True, eq=False)
class Level:
    """All readings taken at one column height.

    Attributes
    ----------
    height : float
        Mean of their heights, unit of the input.
    up, down : ndarray of float64
        The readings there, approached from below and from above.
    """

    height: float
    up: Array
    down: Array

    @property
    def mean(self) -> float:
        """Mean of the mean upward and the mean downward reading."""
        return float(np.mean([side.mean() for side in (self.up, self.down) if len(side)]))


def levels(height: Array, upward: NDArray[np.bool_], reading: Array) -> list[Level]:
    """Gather readings by height.

    Parameters
    ----------
    height : ndarray of float64, shape (n,)
        The column height of each reading.
    upward : ndarray of bool, shape (n,)
        Whether it was approached from below.
    reading : ndarray of float64, shape (n,)
        The reading, or its deviation from a line.

    Returns
    -------
    list of Level
        From low to high. Heights within 1 % of the range count as one.
    """
    order = np.argsort(height, kind="stable")
    width = _LEVEL_WIDTH * float(np.ptp(height))
    starts = [0]
    for k in range(1, len(order)):
        if height[order[k]] - height[order[starts[-1]]] > width:
            starts.append(k)
    found = []
    for group in np.split(order, starts[1:]):
        side = upward[group]
        found.append(Level(float(height[group].mean()), reading[group][side], reading[group][~side]))
    return found


def hysteresis(found: list[Level]) -> float | None:
    """Largest difference between the mean downward and the mean upward reading at one height.

    Parameters
    ----------
    found : list of Level
        From low to high.

    Returns
    -------
    float or None
        In the unit of the readings, 0 and up; None where no height was read both ways. The
        highest level is the turning point of a cycle and has none.

    References
    ----------
    IEC 61298-2, hysteresis (definition after secondary sources).
    """
    differences = [abs(at.down.mean() - at.up.mean()) for at in found[:-1] if len(at.up) and len(at.down)]
    return float(max(differences)) if differences else None


def repeatability(found: list[Level]) -> float | None:
    """Largest spread of readings repeated at one height from one direction.

    Parameters
    ----------
    found : list of Level
        From low to high.

    Returns
    -------
    float or None
        Highest less lowest, in the unit of the readings; None where nothing was repeated.

    References
    ----------
    IEC 61298-2, repeatability (definition after secondary sources).
    """
    spreads = [np.ptp(side) for at in found for side in (at.up, at.down) if len(side) > 1]
    return float(max(spreads)) if spreads else None


def nonlinearity(input_: Array, output: Array) -> Mapping[str, float]:
    """Largest deviation of the output from a straight line, for each usual line.

    Parameters
    ----------
    input_, output : ndarray of float64, shape (n,)
        Averages of upward and downward readings, by rising input, n at least 2.

    Returns
    -------
    mapping of str to float
        In the unit of the output: ``terminal`` (line through the end points), ``independent``
        (the line that makes it least), ``zero-based`` (the same among lines through the lowest
        point) and ``least squares``.

    Notes
    -----
    The best line is parallel to an edge of the points' convex hull, so trying the edges finds
    it exactly. Through the lowest point, taken as the origin, the least largest deviation is
    ``max |y_i x_j - y_j x_i| / (x_i + x_j)`` over all pairs.

    References
    ----------
    Names after ISA-51.1 and IEC 61298-2 (definitions after secondary sources).
    """
    x, y = (input_ - input_[0]) / (input_[-1] - input_[0]), output - output[0]
    terminal = float(np.max(np.abs(y - y[-1] * x)))
    slope, offset = np.polyfit(x, y, 1)

    # among lines through the first point: max |y - m x| is least where two points are equally far
    cross = np.abs(np.outer(y[1:], x[1:]) - np.outer(x[1:], y[1:])) / np.add.outer(x[1:], x[1:])
    return {
        "terminal": terminal,
        "independent": min(float(np.ptp(y - edge * x)) for edge in _hull_slopes(x, y)) / 2,
        "zero-based": float(cross.max()),
        "least squares": float(np.max(np.abs(y - offset - slope * x))),
    }


def _hull_slopes(x: Array, y: Array) -> list[float]:
    slopes = []
    for side in (1.0, -1.0):
        hull: list[int] = []
        for k in range(len(x)):
            while len(hull) > 1 and side * _turn(x, y, hull[-2], hull[-1], k) <= 0:
                hull.pop()
            hull.append(k)
        slopes += [float((y[b] - y[a]) / (x[b] - x[a])) for a, b in itertools.pairwise(hull) if x[b] > x[a]]
    return slopes


def _turn(x: Array, y: Array, a: int, b: int, c: int) -> float:
    return float((x[b] - x[a]) * (y[c] - y[a]) - (y[b] - y[a]) * (x[c] - x[a]))
