"""Many fan laws at once: a grid of exponents, dead bands and lags."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from undertray.reduce.detect.fanspeed import LAGS_S

__all__ = ["FanLaw", "FanLaws"]

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

_EXPONENTS = (1.0, 1.5, 2.0, 2.5, 3.0)
_DEAD_BANDS_US = (1000.0, 1100.0, 1200.0, 1500.0)
_SPAN_US = 1000.0


@dataclass(frozen=True, slots=True)
class FanLaw:
    """Suction over speed: x = (max(0, N - u0) / 1000 µs)^p.

    Attributes
    ----------
    dead_us, exponent : float
        Dead band u0 in µs of pulse width, and exponent p.
    lag : int
        Which of the speeds it goes by.
    """

    dead_us: float
    exponent: float
    lag: int

    def drive(self, speed_us: Array) -> Array:
        """x of many blocks.

        Parameters
        ----------
        speed_us : ndarray, shape (..., lags)
            Speeds.

        Returns
        -------
        ndarray, shape (...)
        """
        above = np.maximum(speed_us[..., self.lag] - self.dead_us, 0.0)
        return np.asarray((above / _SPAN_US) ** self.exponent)

    def drive_at(self, own_us: float) -> float:
        """x of one block.

        Parameters
        ----------
        own_us : float
            The speed that it goes by.

        Returns
        -------
        float
        """
        return float((max(own_us - self.dead_us, 0.0) / _SPAN_US) ** self.exponent)


class FanLaws:
    """All laws of the grid, numbered by exponent, dead band and lag.

    Attributes
    ----------
    exponent, dead_us : ndarray, shape (laws,)
        Of each law.
    lag : ndarray of int, shape (laws,)
        Which of the speeds each goes by.
    """

    def __init__(self) -> None:
        grid = np.meshgrid(_EXPONENTS, _DEAD_BANDS_US, np.arange(len(LAGS_S) ** 2), indexing="ij")
        self.exponent, self.dead_us, self.lag = (axis.ravel() for axis in grid)
        self._dead = np.array(_DEAD_BANDS_US)[:, None] / _SPAN_US

    def law(self, number: int) -> FanLaw:
        """One of them.

        Parameters
        ----------
        number : int
            Which.

        Returns
        -------
        FanLaw
        """
        return FanLaw(float(self.dead_us[number]), float(self.exponent[number]), int(self.lag[number]))

    def sums(self, speed_us: Array, once: Array, square: Array) -> Array:
        """Weighted sums of x, and of its square, by every law.

        Parameters
        ----------
        speed_us : ndarray, shape (k, lags)
            Speeds.
        once, square : ndarray, shape (k,)
            Weights of x and of its square.

        Returns
        -------
        ndarray, shape (2, laws)
        """
        x = np.empty((len(_EXPONENTS), len(speed_us), len(_DEAD_BANDS_US) * speed_us.shape[1]))
        base = np.subtract((speed_us / _SPAN_US)[:, None, :], self._dead).reshape(x.shape[1:])
        np.maximum(base, 0.0, out=x[0])
        root = np.sqrt(x[0])
        for i in range(1, len(_EXPONENTS)):  # they go up by a half
            np.multiply(x[i - 1], root, out=x[i])
        sums = np.empty((2, len(self.lag)))
        np.matmul(once, x, out=sums[0].reshape(len(x), -1))
        np.multiply(x, x, out=x)
        np.matmul(square, x, out=sums[1].reshape(len(x), -1))
        return sums

    def least_ratio(
        self, numbers: Ints, speed_us: Array, before_us: Array, faster: int, slower: int
    ) -> Array:
        """Least ratio of x now to x before, of some laws, none of whose lags is sure.

        Parameters
        ----------
        numbers : ndarray of int, shape (laws,)
            The laws.
        speed_us, before_us : ndarray, shape (k, lags)
            Speeds now and then.
        faster, slower : int
            By how many steps of the grid the lag may be shorter now, and longer then.

        Returns
        -------
        ndarray, shape (k,)
            At most 1.
        """
        lag, dead_us = self.lag[numbers], self.dead_us[numbers]
        now = _among_neighbours(speed_us, np.minimum, -faster)[:, lag]
        above = _among_neighbours(before_us, np.maximum, slower)[:, lag] - dead_us
        ratio = np.maximum(now - dead_us, 0.0) / np.where(above > 1.0, above, np.inf)
        ratio = np.minimum(ratio, 1.0) ** self.exponent[numbers]
        return np.asarray(np.where(above > 1.0, ratio, 1.0).min(axis=1))


def _among_neighbours(speed_us: Array, extreme: np.ufunc, steps: int) -> Array:
    """Least or highest speed among the neighbours of each lag, up to some steps away."""
    n = len(LAGS_S)
    grid = speed_us.reshape(len(speed_us), n, n).copy()
    here, beside = (slice(None, -1), slice(1, None))[:: 1 if steps > 0 else -1]
    for _ in range(abs(steps)):
        grid[:, here] = extreme(grid[:, here], grid[:, beside])
        grid[:, :, here] = extreme(grid[:, :, here], grid[:, :, beside])
    return grid.reshape(speed_us.shape)
