"""How fans follow the throttle, with many lags at once."""

from __future__ import annotations

import math
from bisect import bisect_left

import numpy as np
from numpy.typing import NDArray

__all__ = ["LAGS_S", "RESTING_US", "FanSpeeds"]

Array = NDArray[np.float64]

LAGS_S = (0.02, 0.05, 0.1, 0.2, 0.4, 0.8)
"""Lags, each while a fan spins up with each while it slows down, s."""
RESTING_US = 15.0
"""Range of the throttle within which it rests."""
_ARRIVED_US = 1e-6  # a speed this near to the pulse is there
_JITTER_US = 3.0
_CALM_US = 5.0  # no fan is further from the pulse
_REMEMBERED = 4096  # settings
_GONE = 700.0
_ARRIVED_LAGS = 25  # exp(-25) of the widest throttle step is below that


class FanSpeeds:
    """Speeds of fans of all lags, in µs of the pulse that would hold them.

    Parameters
    ----------
    block_s : float
        Time between two blocks, s.
    """

    def __init__(self, block_s: float) -> None:
        rate = block_s / np.array(LAGS_S)
        stay = np.exp(-rate)
        self._stay_up = np.repeat(stay, len(LAGS_S))
        self._stay_down = np.tile(stay, len(LAGS_S))
        steps = np.arange(1, round(_ARRIVED_LAGS * LAGS_S[-1] / block_s) + 1)[:, None]
        decay = np.exp(-np.minimum(rate * steps, _GONE))
        self._decay_up = np.repeat(decay, len(LAGS_S), axis=1)
        self._decay_down = np.tile(decay, len(LAGS_S))
        self._speed: Array | None = None
        self._asked = 0.0
        self._block_s, self._end = block_s, 0
        # block in which each setting of the throttle began, and from which on all fans had come to it
        self._began: list[int] = []
        self._calm_from: list[int] = []
        self._away_us = 0.0  # no fan was further from the pulse when the last setting began
        self.lags = len(self._stay_up)

    def follow(self, throttle_us: Array, out: Array | None = None) -> Array:
        """Let all of them follow the throttle.

        Parameters
        ----------
        throttle_us : ndarray, shape (k,)
            Pulse width of each block, µs; NaN only before the first pulse.
        out : ndarray, shape (k, lags), or None
            Where to put them.

        Returns
        -------
        ndarray, shape (k, lags)
            Speeds.
        """
        out = np.empty((len(throttle_us), self.lags)) if out is None else out
        known = np.isfinite(throttle_us)
        if self._speed is None and known.any():
            # nothing is known of the time before the first pulse
            self._asked = float(throttle_us[known.argmax()])
            self._speed = np.full(self.lags, self._asked)
            self._begin(self._end + int(known.argmax()), self._asked)
        end, self._end = self._end, self._end + len(throttle_us)
        if self._speed is None or not len(throttle_us):
            out[:] = 0.0
            return out
        pulses = throttle_us if known.all() else np.where(known, throttle_us, self._asked)
        if np.abs(pulses - self._asked).max() <= _JITTER_US:
            self._speed = self._approach(self._speed, out)
            return out
        if len(self._began) > 2 * _REMEMBERED:
            del self._began[:-_REMEMBERED], self._calm_from[:-_REMEMBERED]
        begin = 0
        change = np.ones(len(pulses), bool)
        np.not_equal(pulses[1:], pulses[:-1], out=change[1:])
        (changed,) = change.nonzero()
        for k, asked in zip(changed.tolist(), pulses[changed].tolist(), strict=True):
            if abs(asked - self._asked) > _JITTER_US:
                if k > begin:
                    self._speed = self._approach(self._speed, out[begin:k])
                self._begin(end + k, asked)
                begin = k
        self._speed = self._approach(self._speed, out[begin:])
        return out

    def settled(self, k0: int, k1: int) -> bool:
        """Did the throttle rest and every fan stand still in some blocks?

        Parameters
        ----------
        k0, k1 : int
            First block, counted from the first that was followed, and the block after the last.

        Returns
        -------
        bool
            False also where that was too long ago to be remembered.
        """
        last = bisect_left(self._began, k1) - 1
        return self._speed is None or (last >= 0 and self._began[last] <= k0 and self._calm_from[last] <= k0)

    def _begin(self, k: int, asked: float) -> None:
        """A setting of the throttle begins with a block."""
        before_s = (k - self._began[-1]) * self._block_s if self._began else 0.0
        self._away_us = self._away_us * math.exp(-before_s / LAGS_S[-1]) + abs(asked - self._asked)
        rest_s = LAGS_S[-1] * math.log(max(self._away_us / _CALM_US, 1.0))
        self._began.append(k)
        self._calm_from.append(k + math.ceil(rest_s / self._block_s))
        self._asked = asked

    def _approach(self, speed: Array, out: Array) -> Array:
        """Speeds while the throttle rests: each goes its own way to it, and never past it."""
        away = self._asked - speed
        if len(out) == 1:
            out[0] = self._asked - away * np.where(away > 0, self._stay_up, self._stay_down)
        elif np.abs(away).max() < _ARRIVED_US:
            out[:] = self._asked
        else:
            # beyond the table all have arrived
            n = min(len(out), len(self._decay_up))
            up, down = self._decay_up[:n], self._decay_down[:n]
            rising = away > 0
            left = up if rising.all() else np.where(rising, up, down) if rising.any() else down
            np.multiply(left, -away, out=out[:n])
            out[:n] += self._asked
            out[n:] = self._asked
        return np.array(out[-1])
