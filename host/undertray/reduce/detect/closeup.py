"""Looking back at the raw rows of a fall that was found."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from undertray.reduce.detect.blocks import Blocks
from undertray.reduce.detect.expectation import FanBank
from undertray.reduce.detect.fanspeed import RESTING_US
from undertray.reduce.detect.leak import Creep, find_creep
from undertray.reduce.detect.onset import Fall, measure_fall
from undertray.reduce.detect.pending import LEAST_RATIO
from undertray.reduce.detect.rows import Rows
from undertray.reduce.loss import LossParameters
from undertray.reduce.middle import middle

__all__ = ["CloseUp"]

Array = NDArray[np.float64]

_REST_ERROR = 0.02  # a throttle at rest needs no law; what is left is the pack's sag
_WORST = 0.2  # misfit at which a fan law says nothing of a leak any more
_ALIKE = 0.05  # of the pulse above shut: a change by so little no law gets wrong
_SHUT_US = 1000.0
_HARDLY = 0.1  # of what was before: where the throttle may leave less, nothing is judged
_LEVEL = 32  # blocks that its level is read from
_CREEP_S = 15.0  # a pack that sags takes longer for the same fall


class CloseUp:
    """Measures falls on the raw rows, or on blocks where the rows are no longer held.

    Parameters
    ----------
    rows : Rows
        Raw rows.
    blocks : Blocks
        Blocks.
    bank : FanBank
        What the fans should give.
    period_s, block_s : float
        Sample period and length of a block, s.
    """

    def __init__(self, rows: Rows, blocks: Blocks, bank: FanBank, period_s: float, block_s: float) -> None:
        self._rows, self._blocks, self._bank = rows, blocks, bank
        self._period_s, self._block_s = period_s, block_s

    def measure(
        self,
        ref0: int,
        last: int,
        begun: int,
        weights: Array,
        speed: Array | None = None,
        ratio: Array | None = None,
    ) -> Fall:
        """Measure a fall.

        Parameters
        ----------
        ref0, last : int
            First and last block to look at.
        begun : int
            Block in which the fall shows first.
        weights : ndarray, shape (taps,)
            Weights of the taps, 0 for one that is left out, their sum 1.
        speed : ndarray, shape (lags,), or None
            Fan speeds before: readings are then referred to the throttle before the fall.
        ratio : ndarray, shape (last + 1 - ref0,), or None
            What the throttle asks for over that before, in each block, where that is known better.

        Returns
        -------
        Fall
        """
        (taps,) = (weights > 0).nonzero()
        if ratio is None:
            ref0 = max(min(ref0, last - 4), self._blocks.first)
        row0, row1 = self._blocks.row(ref0), self._blocks.row(last) + self._blocks.rows
        t, suction = self._rows.between(row0, row1)
        suction, period = suction[:, taps] if len(taps) < len(weights) else suction, self._period_s
        count = len(t)
        if not np.isfinite(suction.sum()):
            there = np.isfinite(suction).all(axis=1)
            t, suction = t[there], suction[there]
        if row0 < self._rows.first or len(t) <= 0.7 * count:
            t = self._blocks.floats("t_s", ref0, last + 1) + self._block_s / 2
            suction = self._blocks.floats("tap_pa", ref0, last + 1)[:, taps]
            period = self._block_s
        if speed is not None or ratio is not None:
            at = self._blocks.floats("t_s", ref0, last + 1) + self._block_s / 2
        if speed is not None:
            ratio = self._bank.ratio(self._blocks.floats("speed_us", ref0, last + 1), speed)
        if ratio is not None:
            suction = suction / np.maximum(np.interp(t, at, ratio), LEAST_RATIO)[:, None]
        fall = measure_fall(t, suction, weights[taps], self._blocks.time(begun), period)
        return (
            fall
            if len(taps) == len(weights)
            else replace(fall, order=tuple(int(taps[i]) for i in fall.order))
        )

    def fault_began(self, k: int, tap: int, missing: bool) -> float:
        """When a tap got stuck or went missing, to the sample.

        Parameters
        ----------
        k : int
            The first block in which it was all through.
        tap : int
            Which tap.
        missing : bool
            Whether it is missing; stuck otherwise.

        Returns
        -------
        float
            Time of the first row of the reading that is repeated, or of the first missing one, s.
        """
        row = self._blocks.row(k)
        t, suction = self._rows.between(max(row - self._blocks.rows, self._rows.first), row + 1)
        if not len(t):
            return self._blocks.time(k)
        reading = suction[:, tap]
        alive = np.isfinite(reading[:-1]) if missing else reading[:-1] != reading[1:]
        return float(t[np.flatnonzero(alive)[-1] + 1]) if alive.any() else float(t[0])

    def dated_by_throttle(self, fall: Fall, ref0: int, last: int) -> Fall:
        """Date a fall that the throttle explains by the throttle.

        Parameters
        ----------
        fall : Fall
            The fall, dated by the suction.
        ref0, last : int
            First and last block that were looked at.

        Returns
        -------
        Fall
            A fan begins to slow down when the pulse gets shorter, long before that shows in
            the suction. The onset is the first row with a clearly shorter pulse, where there is one
            from 0.25 s before the onset read off the suction.
        """
        t, throttle = self._rows.throttle(self._blocks.row(ref0), self._blocks.row(last) + self._blocks.rows)
        near = slice(t.searchsorted(fall.onset_s - 0.25, "right"), t.searchsorted(fall.onset_s + 0.05))
        t, throttle = t[near], throttle[near]
        known = np.isfinite(throttle)
        if not known.all():
            t, throttle = t[known], throttle[known]
        if not len(t):
            return fall
        level = middle(throttle[: max(1, len(throttle) // 4)])
        (short,) = (throttle < level - max(6.0, 0.05 * (level - float(throttle.min())))).nonzero()
        if not short.size or t[short[0]] > fall.onset_s + 0.03:
            return fall
        return replace(fall, onset_s=float(t[short[0]]))

    def pulse_fall_s(self, ref0: int, last: int) -> float:
        """How fast the throttle fell.

        Parameters
        ----------
        ref0, last : int
            First and last block to look at.

        Returns
        -------
        float
            90-10 % duration, s; infinite where it is not known.
        """
        t, pulse = self._rows.throttle(self._blocks.row(ref0), self._blocks.row(last) + self._blocks.rows)
        known = np.isfinite(pulse)
        t, pulse = t[known], pulse[known]
        if not len(t):
            return np.inf
        high, low = float(pulse[0]), float(pulse.min())
        (under,) = (pulse < low + 0.1 * (high - low)).nonzero()
        if not under.size:
            return np.inf
        (over,) = (pulse[: under[0]] > high - 0.1 * (high - low)).nonzero()
        return float(t[under[0]] - t[over[-1]]) if over.size else np.inf

    def seek_creep(
        self, k0: int, k1: int, weights: Array, p: LossParameters, sure: bool = True
    ) -> Creep | None:
        """Look for a slow leak in the seal index of some blocks.

        Parameters
        ----------
        k0, k1 : int
            First block that may be compared with, and the block after the last.
        weights : ndarray, shape (taps,)
            Weights of the taps, 0 for one that is left out, their sum 1.
        p : LossParameters
            Thresholds.
        sure : bool
            Never one that a badly known fan law may have made.

        Returns
        -------
        Creep or None
            By what came since the throttle hardly moved; else by all there is.
        """
        k0 = self._within_reach(k0, k1)
        if k0 >= k1:
            return None
        creep = self._at_rest(k0, k1, weights, p)
        if creep is not None or (sure and self._bank.calm_error > _WORST):
            return creep
        mean = self._blocks.floats("tap_pa", k0, k1) @ weights
        creep = find_creep(k0, mean, self._drive(k0, k1, weights), self._bank.calm_error, p)
        explained = creep is not None and sure and not self._unexplained(creep.begun, k1, weights, p)
        return None if explained else creep

    def _at_rest(self, k0: int, k1: int, weights: Array, p: LossParameters) -> Creep | None:
        speed = self._blocks.floats("speed_us", k0, k1)
        near = np.maximum(RESTING_US, _ALIKE * (speed[-1:] - _SHUT_US))
        moved = np.flatnonzero(np.abs(speed - speed[-1:]) > near)  # of all speeds one after the other
        k0 += int(moved[-1]) // speed.shape[1] + 1 if moved.size else 0
        if k1 - k0 < _LEVEL:
            return None
        mean = self._blocks.floats("tap_pa", k0, k1) @ weights
        creep = find_creep(k0, mean, self._drive(k0, k1, weights), _REST_ERROR, p)
        # one that was under way when the rest began is not dated by it
        return creep if creep is not None and creep.begun >= k0 + _LEVEL else None

    def _drive(self, k0: int, k1: int, weights: Array) -> Array:
        """What the fans should give; NaN where that cannot be compared with the suction."""
        drive = self._bank.drive(self._blocks.floats("speed_us", k0, k1))
        judged = self._blocks.judged(k0, k1, weights)
        return drive if judged is None else np.where(judged, drive, np.nan)

    def _within_reach(self, k0: int, k1: int) -> int:
        """First block from some block on that a creep may begin in, if it is to be seen by another."""
        return max(k0, self._blocks.first, k1 - round(_CREEP_S / self._block_s))

    def _unexplained(self, begun: int, k1: int, weights: Array, p: LossParameters) -> bool:
        """Is it a fall by every law that is in? Before the throttle has moved they differ."""
        spans = (max(self._blocks.first, begun - _LEVEL), begun + 1), (k1 - _LEVEL, k1)
        level, now = (self._blocks.floats("tap_pa", *span) @ weights for span in spans)
        before, after = (self._blocks.floats("speed_us", *span) for span in spans)
        explained = self._bank.least_ratio(after, before.mean(axis=0, keepdims=True))
        if explained.min() < _HARDLY:
            return False
        return middle(now / explained) < (1 - p.leak_drop) * middle(level)

    def creeping(self, creep: Creep, weights: Array) -> Fall:
        """Put a slow leak in the terms of a fall.

        Parameters
        ----------
        creep : Creep
            The leak.
        weights : ndarray, shape (taps,)
            Weights of the taps, 0 for one that is left out, their sum 1.

        Returns
        -------
        Fall
            Its suction after is that before less the share of the index that went: referred to the
            throttle before. The taps are ordered by what they lost.
        """
        span = max(1, round(0.3 / self._block_s))
        first, last = max(self._blocks.first, creep.begun - span), min(creep.bottom + span, self._blocks.end)
        before = self._blocks.floats("tap_pa", first, max(first + 1, creep.begun)).mean(axis=0)
        after = self._blocks.floats("tap_pa", creep.bottom, max(last, creep.bottom + 1)).mean(axis=0)
        level = float(before @ weights)
        lost = np.where((weights > 0) & (before > 0), 1 - after / np.where(before > 0, before, 1.0), -np.inf)
        taps = [int(i) for i in np.argsort(-lost, kind="stable") if weights[i] > 0]
        onset, bottom = self._blocks.time(creep.begun), self._blocks.time(creep.bottom)
        return Fall(onset, bottom, 0.8 * (bottom - onset), level, level * (1 - creep.drop), tuple(taps))
