"""What the detector judges: blocks of rows, by number."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["Blocks"]

Array = NDArray[np.float64]


class Blocks:
    """Means of a fixed number of rows each, addressed by their number in the run.

    Parameters
    ----------
    taps : int
        Number of taps.
    rows : int
        Rows in a block.
    keep : int
        How many blocks to hold on to at least.
    lags : int
        How many fan speeds come with each block.

    """

    def __init__(self, taps: int, rows: int, keep: int, lags: int) -> None:
        self.rows = rows
        self.first = 0
        self._keep = keep
        self._columns: dict[str, NDArray[np.generic]] = {
            "t_s": np.empty(0),
            "row": np.empty(0, np.int64),
            "tap_pa": np.empty((0, taps)),
            "missing": np.empty((0, taps), bool),
            "frozen": np.empty((0, taps), bool),
            "beyond": np.empty((0, taps), bool),
            "throttle_us": np.empty(0),
            "known": np.empty(0, bool),
            "speed_us": np.empty((0, lags)),
        }
        self._base = self._held_blocks = self._room = 0  # place of the first block held, their count, places
        self._unknown = self._beyond = -1  # last block without a throttle, and with a tap out of range

    @property
    def end(self) -> int:
        """Number of the block after the last."""
        return self.first + self._held_blocks

    def take(self, name: str, k0: int, k1: int) -> NDArray[np.generic]:
        """A column of blocks by number.

        Parameters
        ----------
        name : str
            Name of the column.
        k0, k1 : int
            First block, and the block after the last; both must still be held.

        Returns
        -------
        ndarray, shape (k1 - k0, ...)
        """
        held = self._base - self.first
        return self._columns[name][k0 + held : min(k1, self.end) + held]

    def known(self, k0: int, k1: int) -> bool:
        """Is the throttle known all through some blocks?

        Parameters
        ----------
        k0, k1 : int
            First block, and the block after the last.

        Returns
        -------
        bool
        """
        return k0 > self._unknown or bool(self.take("known", k0, k1).all())

    def judged(self, k0: int, k1: int, weights: Array) -> NDArray[np.bool_] | None:
        """Where suction and throttle can be compared: the pulse is known, and no tap at its upper end.

        Parameters
        ----------
        k0, k1 : int
            First block, and the block after the last.
        weights : ndarray, shape (taps,)
            Weights of the taps; one that counts for nothing may be beyond its range.

        Returns
        -------
        ndarray of bool, shape (k1 - k0,), or None
            None where it is so throughout.
        """
        if k0 > max(self._unknown, self._beyond):
            return None
        good = np.asarray(self.take("known", k0, k1), bool)
        beyond = np.asarray(self.take("beyond", k0, k1), bool)[:, weights > 0].any(axis=1)
        good = good & ~beyond
        return None if good.all() else good

    def floats(self, name: str, k0: int, k1: int) -> Array:
        """The same for a column of numbers.

        Parameters
        ----------
        name : str
            Name of the column.
        k0, k1 : int
            First block, and the block after the last.

        Returns
        -------
        ndarray of float64
        """
        return self.take(name, k0, k1)  # type: ignore[return-value]

    def speed(self, k: int, lag: int) -> float:
        """Fan speed of one lag in a block.

        Parameters
        ----------
        k : int
            Number of the block.
        lag : int
            Which.

        Returns
        -------
        float
            µs.
        """
        return float(self._columns["speed_us"][k + self._base - self.first, lag])

    def throttle(self, k: int) -> float:
        """Throttle in a block.

        Parameters
        ----------
        k : int
            Its number.

        Returns
        -------
        float
            µs; NaN before the first pulse.
        """
        return float(self.floats("throttle_us", k, k + 1)[0])

    def time(self, k: int) -> float:
        """Time of the first row of a block.

        Parameters
        ----------
        k : int
            Its number.

        Returns
        -------
        float
            s.
        """
        return float(self.floats("t_s", k, k + 1)[0])

    def row(self, k: int) -> int:
        """Number of the first row of a block.

        Parameters
        ----------
        k : int
            Its number.

        Returns
        -------
        int
        """
        return int(self.take("row", k, k + 1)[0])

    def append(self, columns: dict[str, NDArray[np.generic]]) -> Array:
        """Add blocks and let go of old ones.

        Parameters
        ----------
        columns : dict
            From :class:`undertray.reduce.detect.averages.Averages`, k blocks each.

        Returns
        -------
        ndarray, shape (k, lags)
            Where the fan speeds of the new blocks have to be put.
        """
        count = len(columns["t_s"])
        drop = max(0, self._held_blocks - self._keep)
        if self._base + self._held_blocks + count > self._room:
            self._move(drop, count)
        known = np.asarray(columns["known"], bool)
        if not known.all():
            self._unknown = self.end + int(np.flatnonzero(~known)[-1])
        beyond = np.asarray(columns["beyond"], bool)
        if beyond.any():
            self._beyond = self.end + int(np.flatnonzero(beyond.any(axis=1))[-1])
        at = self._base + self._held_blocks
        for name, new in columns.items():
            self._columns[name][at : at + count] = new
        self.first += drop
        self._base += drop
        self._held_blocks += count - drop
        return self.floats("speed_us", self.end - count, self.end)

    def _move(self, drop: int, count: int) -> None:
        """Move what is kept to the front, or to a larger place."""
        keep = self._held_blocks - drop
        larger = keep + max(count, self._keep)
        for name, old in self._columns.items():
            room = np.empty((larger, *old.shape[1:]), old.dtype) if larger > self._room else old
            room[:keep] = old[self._base + drop : self._base + self._held_blocks]
            self._columns[name] = room
        self._room, self._base = max(self._room, larger), -drop
