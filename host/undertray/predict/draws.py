"""Uncertain numbers as many draws of what they may be, and the interval that comes of them.

The first draw of every number is its best estimate, so that one calculation gives the answer and its
interval.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from undertray.calibrate.distributions import NORMAL

__all__ = ["COUNT", "Draws", "Interval", "interval"]

Array = NDArray[np.float64]

COUNT = 4001
"""Draws of every number, the best estimate in. An end of an interval is known to 4 % of its half width."""
_ENDS = (0.025, 0.975)


@dataclass(frozen=True, slots=True)
class Interval:
    """A number and the ends of its 95 % interval."""

    value: float
    low: float
    high: float


class Draws:
    """Gives draws, the same ones every time.

    Parameters
    ----------
    seed : int
        What they begin with.

    Notes
    -----
    JCGM 101:2008 (Supplement 1 to the GUM), clauses 5 to 7: a number of which an interval is stated is drawn
    from a normal distribution, one that is known within limits from a rectangle (clauses 6.4.2 and 6.4.7;
    from memory). What is computed of them is as spread as it is, whether or not the calculation is linear.
    """

    def __init__(self, seed: int = 16) -> None:
        self._rng = np.random.default_rng(seed)

    def normal(self, value: float, u95: float) -> Array:
        """Draw a number with a stated 95 % interval."""
        return value + u95 / NORMAL * self.standard()

    def rectangle(self, value: float, half: float) -> Array:
        """Draw a number that is known within limits."""
        found = value + half * self._rng.uniform(-1, 1, COUNT)
        found[0] = value
        return found

    def standard(self) -> Array:
        """Draw standard normal numbers."""
        found = self._rng.standard_normal(COUNT)
        found[0] = 0.0
        return found


def interval(draws: ArrayLike) -> Interval:
    """Say what comes of draws."""
    found = np.asarray(draws, float)
    ordered = np.sort(found)
    low, high = (float(ordered[math.floor(end * (len(found) - 1) + 0.5)]) for end in _ENDS)
    value = float(found[0])
    return Interval(value, min(low, value), max(high, value))
