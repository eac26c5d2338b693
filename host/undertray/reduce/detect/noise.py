"""How loud a run is, at just the lengths that are judged."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from undertray.reduce.middle import middle

__all__ = ["Noise"]

Array = NDArray[np.float64]

_TO_SD = 1.482602 / 6**0.5  # median absolute second difference to standard deviation
_CALM = 0.03
_LEAST = 6  # where the drive never calms, the calmest of it


@dataclass(frozen=True, slots=True)
class Noise:
    """Standard deviation of the mean suction over "now" and over "before", Pa.

    Attributes
    ----------
    short_pa, long_pa : float
        Of a mean over two blocks, and over the length of the reference.
    """

    short_pa: float = np.inf
    long_pa: float = np.inf

    @classmethod
    def of(cls, mean_pa: Array, drive: Array | None, length: int) -> Noise:
        """Measure it.

        Parameters
        ----------
        mean_pa : ndarray, shape (k,)
            Mean suction of blocks that follow each other.
        drive : ndarray, shape (k,), or None
            What the fans should give, in any unit; stretches in which it moves are left out. None
            while it rests.
        length : int
            Blocks in a reference.

        Returns
        -------
        Noise
            Infinite where there are too few blocks.

        Notes
        -----
        From second differences of means of just the length that is judged later, by the median
        absolute deviation: throttle ramps and bumps drop out, and noise that is correlated from
        sample to sample counts for what it does at that length, which its scatter would hide.
        """
        short, long = np.full(2, 0.5), np.full(length, 1.0 / length)
        return cls(_second(mean_pa, drive, short), _second(mean_pa, drive, long))


def _second(y: Array, drive: Array | None, even: Array) -> float:
    m = _means(y, even)
    if len(m) < 8:
        return np.inf
    step = m[1:] - m[:-1]
    size = np.abs(step[1:] - step[:-1])
    if drive is None:
        return _TO_SD * middle(size)
    x = _means(drive, even)
    high = np.maximum(np.maximum(x[2:], x[1:-1]), x[:-2])
    low = np.minimum(np.minimum(x[2:], x[1:-1]), x[:-2])
    change, high = high - low, np.maximum(high, 1e-12)
    calm = size[change <= _CALM * high]
    if len(calm) < _LEAST:
        stir = change / high
        calm = size[stir <= np.sort(stir)[_LEAST - 1]]
    return _TO_SD * middle(calm)


def _means(v: Array, even: Array) -> Array:
    return np.asarray(v[len(v) % len(even) :].reshape(-1, len(even)) @ even)
