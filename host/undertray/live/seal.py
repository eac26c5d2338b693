"""Seal index: suction over what the best seal of this run gave at the same throttle."""

from __future__ import annotations

from collections import deque

import numpy as np
from numpy.typing import NDArray

from undertray.reduce.detect.expectation import FanBank
from undertray.reduce.steady import SETTLE_S, STILL_US

__all__ = ["SealIndex"]

_BLOCK_S = 0.02
_FRAME = 50
_FRAMES = 600  # ten minutes
_ENOUGH = 5  # frames with running fans before anything is said
_BEST = 95.0  # percentile: one lucky frame is no reference


class SealIndex:
    """Follows the throttle through the fan laws and compares.

    Notes
    -----
    By the fan laws suction / N**2 is constant on a fixed leak; :class:`FanBank` finds the
    exponent, dead band and lags that fit the run. Each second in which the throttle was still,
    as the report has it, gives one ratio of suction to drive; the reference is the 95th
    percentile of them, so the index is about 1 on the seal at its best, and falls as a leak opens
    while the throttle alone does not move it. While a fan spins up or down the ratio says more
    of its lag than of the seal: then there is no index, and nothing is taken into the reference.
    """

    def __init__(self) -> None:
        self._bank = FanBank(_BLOCK_S)
        self._next_s: float | None = None
        self._block: list[tuple[float, float]] = []
        self._pulses: deque[float] = deque(maxlen=round(SETTLE_S / _BLOCK_S) + 1)
        self._frame: list[tuple[float, NDArray[np.float64], bool]] = []
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
            self._pulses.clear()
            return
        pa, us = np.mean(self._block, axis=0)
        self._block.clear()
        self._pulses.append(us)
        speed = self._bank.follow(np.array([us]))[0]
        still = len(self._pulses) == self._pulses.maxlen and max(self._pulses) - min(self._pulses) <= STILL_US
        self._now = (float(pa), speed) if still else None
        self._frame.append((float(pa), speed, still))
        if len(self._frame) == _FRAME:
            self._close_frame()

    def _close_frame(self) -> None:
        suction = np.array([block[0] for block in self._frame])
        speeds = np.stack([block[1] for block in self._frame])
        still = np.array([block[2] for block in self._frame])
        self._frame.clear()
        self._bank.learn(suction, speeds)
        if still.sum() >= _FRAME // 2:
            self._frames.append((float(suction[still].mean()), speeds[still].mean(axis=0)))
            del self._frames[:-_FRAMES]

    @property
    def value(self) -> float | None:
        """The index now; None before it is known, without throttle, while it moves, or at rest."""
        if self._now is None or len(self._frames) < _ENOUGH:
            return None
        drive = self._bank.drive(np.stack([speed for _, speed in self._frames]))
        suction = np.array([pa for pa, _ in self._frames])
        running = drive > 0.1 * drive.max()
        here = float(self._bank.drive(self._now[1]))
        if running.sum() < _ENOUGH or here <= 0.1 * float(drive.max()):
            return None
        best = float(np.percentile(suction[running] / drive[running], _BEST))
        return self._now[0] / here / best if best > 0 else None
