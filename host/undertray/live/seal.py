"""Seal index: suction over what the best seal of this run gave at the same throttle."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from undertray.reduce.detect.expectation import FanBank

__all__ = ["SealIndex"]

_BLOCK_S = 0.02
_FRAME = 50
_FRAMES = 600  # ten minutes
_SETTLED = 5  # frames before anything is said
_BEST = 95.0  # percentile: one lucky frame is no reference


class SealIndex:
    """Follows the throttle through the fan laws and compares.

    Notes
    -----
    By the fan laws suction / N**2 is constant on a fixed leak; :class:`FanBank` finds the
    exponent, dead band and lags that fit the run. Each second gives one ratio of suction to
    drive; the reference is the 95th percentile of them, so the index is about 1 on the
    seal at its best, and falls as a leak opens while the throttle alone does not move it.
    """

    def __init__(self) -> None:
        self._bank = FanBank(_BLOCK_S)
        self._next_s: float | None = None
        self._block: list[tuple[float, float]] = []
        self._frame: list[tuple[float, NDArray[np.float64]]] = []
        self._frames: list[tuple[float, NDArray[np.float64]]] = []
        self._now: tuple[float, NDArray[np.float64]] | None = None

    def feed(
        self, t_s: NDArray[np.float64], suction_pa: NDArray[np.float64], throttle_us: NDArray[np.float64]
    ) -> None:
        """Take in the next rows.

        Parameters
        ----------
        t_s : ndarray, shape (k,)
            Time, s.
        suction_pa : ndarray, shape (k,)
            Mean suction over the floor, Pa; NaN where there is none.
        throttle_us : ndarray, shape (k,)
            Pulse, µs; NaN where unknown.
        """
        for t, pa, us in zip(t_s.tolist(), suction_pa.tolist(), throttle_us.tolist(), strict=True):
            if self._next_s is None or t < self._next_s - 1:
                self._next_s = t + _BLOCK_S
            if t >= self._next_s:
                self._close_block()
                self._next_s += _BLOCK_S * (1 + (t - self._next_s) // _BLOCK_S)
            if np.isfinite(pa) and np.isfinite(us):
                self._block.append((pa, us))

    def _close_block(self) -> None:
        if not self._block:
            self._now = None
            return
        pa, us = np.mean(self._block, axis=0)
        self._block.clear()
        speed = self._bank.follow(np.array([us]))[0]
        self._now = (float(pa), speed)
        self._frame.append(self._now)
        if len(self._frame) == _FRAME:
            suction = np.array([block[0] for block in self._frame])
            speeds = np.stack([block[1] for block in self._frame])
            self._bank.learn(suction, speeds)
            self._frames.append((float(suction.mean()), speeds.mean(axis=0)))
            del self._frames[:-_FRAMES]
            self._frame.clear()

    @property
    def value(self) -> float | None:
        """The index now; None before it is known, without throttle, or with the fans at rest."""
        if self._now is None or len(self._frames) < _SETTLED:
            return None
        drive = self._bank.drive(np.stack([speed for _, speed in self._frames]))
        suction = np.array([pa for pa, _ in self._frames])
        running = drive > 0.1 * drive.max()
        here = float(self._bank.drive(self._now[1]))
        if not running.any() or here <= 0.1 * float(drive.max()):
            return None
        best = float(np.percentile(suction[running] / drive[running], _BEST))
        return self._now[0] / here / best if best > 0 else None
