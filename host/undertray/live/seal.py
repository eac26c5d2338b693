"""Seal index: suction over what the best seal of this run gave at the same throttle."""

from __future__ import annotations

from collections import deque

import numpy as np
from numpy.typing import NDArray

from undertray.reduce.detect.fan import RUN_IN, Fan, log_suction
from undertray.reduce.steady import SETTLE_S, STILL_US

__all__ = ["SealIndex"]

Array = NDArray[np.float64]

_FRAME = 50  # blocks: a second
_FRAMES = 600  # ten minutes
_ENOUGH = 5  # frames with running fans before anything is said
_RUNNING = 0.1  # of the highest drive: what the fans give at least where they run
_RISES, _OVER = 1.03, 5  # from some blocks to as many after them: a fan that is later than its law
_BEST = 95.0  # percentile: one lucky frame is no reference


class SealIndex:
    """Follows the throttle through the law of the fan and compares.

    Parameters
    ----------
    fan : Fan
        The fan as the detector learns it from the same rows.

    Notes
    -----
    Each second in which the throttle was still, as the report has it, gives one ratio of suction to what the
    fan gives on a fixed leak; the reference is the 95th percentile of them, so the index is about 1 on the
    seal at its best, and falls as a leak opens while the throttle alone does not move it. While a fan spins
    up or down the ratio says more of its lag than of the seal: then there is no index, and nothing is taken
    into the reference; nor while the suction still rises, by a fan that is later than its law. A law learned
    since then is taken for the seconds before as well.
    """

    def __init__(self, fan: Fan) -> None:
        self._fan, self._law = fan, fan.law
        self._next_s: float | None = None
        self._block: list[tuple[float, float]] = []
        self._pulses: deque[float] = deque(maxlen=RUN_IN + _FRAME)
        self._settle = round(SETTLE_S / fan.block_s) + 1
        self._lately: deque[float] = deque(maxlen=2 * _OVER)
        self._begun = 0  # blocks since the throttle was last unknown
        self._frame: list[tuple[float, bool]] = []
        self._frames: deque[tuple[float, Array, Array]] = deque(maxlen=_FRAMES)
        self._drives: deque[float] = deque(maxlen=_FRAMES)
        self._now: float | None = None

    def feed(self, t_s: Array, suction_pa: Array, throttle_us: Array) -> None:
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
        block_s = self._fan.block_s
        for t, pa, us in zip(t_s.tolist(), suction_pa.tolist(), throttle_us.tolist(), strict=True):
            if self._next_s is None or t < self._next_s - 1:
                self._next_s = t + block_s
            if t >= self._next_s:
                self._close_block()
                self._next_s += block_s * (1 + (t - self._next_s) // block_s)
            if np.isfinite(pa) and np.isfinite(us):
                self._block.append((pa, us))

    def _close_block(self) -> None:
        if not self._block:
            self._now, self._begun = None, 0
            return
        pa, us = np.mean(self._block, axis=0).tolist()
        self._block.clear()
        self._begun += 1
        self._pulses.append(us)
        self._lately.append(pa)
        lately = [self._pulses[-i] for i in range(1, min(self._settle, self._begun) + 1)]
        still = len(lately) == self._settle and max(lately) - min(lately) <= STILL_US
        half = len(self._lately) // 2
        before, since = list(self._lately)[:half], list(self._lately)[half:]
        still = still and sum(since) / len(since) <= _RISES * sum(before) / max(half, 1)
        self._now = pa if still else None
        self._frame.append((pa, still))
        if len(self._frame) == _FRAME:
            self._close_frame()

    def _close_frame(self) -> None:
        suction, still = (np.array(column) for column in zip(*self._frame, strict=True))
        self._frame.clear()
        if still.sum() >= _FRAME // 2:
            self._frames.append((float(suction[still].mean()), self._held(_FRAME), still))
            self._drives.extend(self._drive(self._held(_FRAME)[None], still[None]))

    def _held(self, size: int) -> Array:
        """Pulses of the last blocks, with those of the run-in before them; the first is held."""
        pulses = np.array(self._pulses)[-(RUN_IN + size) :]
        return np.concatenate([np.full(RUN_IN + size - len(pulses), pulses[0]), pulses])

    def _drive(self, pulses: Array, still: NDArray[np.bool_]) -> list[float]:
        """What the fan gives over the blocks that were still, as a share of what it gives at full speed."""
        drives = np.exp(log_suction(self._fan.law[None], pulses, self._fan.block_s)[0, :, RUN_IN:])
        return [float(one) for one in (drives * still).sum(axis=1) / still.sum(axis=1)]

    @property
    def value(self) -> float | None:
        """The index now; None before it is known, without throttle, while it moves, or at rest."""
        if self._now is None or len(self._frames) < _ENOUGH:
            return None
        if self._law is not self._fan.law:
            self._law = self._fan.law
            pulses, still = (np.stack([frame[i] for frame in self._frames]) for i in (1, 2))
            self._drives = deque(self._drive(pulses, still), _FRAMES)
        drive, suction = np.array(self._drives), np.array([frame[0] for frame in self._frames])
        running = drive > _RUNNING * drive.max()
        (here,) = self._drive(self._held(1)[None], np.ones((1, 1), bool))
        if running.sum() < _ENOUGH or here <= _RUNNING * float(drive.max()):
            return None
        best = float(np.percentile(suction[running] / drive[running], _BEST))
        return self._now / here / best if best > 0 else None
