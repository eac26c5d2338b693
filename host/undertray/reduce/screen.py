"""The quick look at every block: has the suction fallen, and does the throttle explain it?"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from undertray.reduce.blocks import Blocks
from undertray.reduce.expectation import FanBank
from undertray.reduce.losses import LossParameters
from undertray.reduce.noise import Noise

__all__ = ["Screen", "View"]

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]

_NOISE_S = 20.0
_EARLIER_S = 0.4
_REST, _REST_US = 0.06, 10.0
_SHUT = 0.7  # a cut is looked at from this share of its least drop on


@dataclass(frozen=True, slots=True, eq=False)
class View:
    """Blocks as seen with the taps that are good at present.

    Attributes
    ----------
    lo : int
        Number of the first block held in the arrays.
    mean, now : ndarray, shape (k,)
        Mean suction of each block, and of it and the one before, Pa.
    total : ndarray, shape (k + 1,)
        Running sum of the mean.
    fell, cut : ndarray of int
        Blocks where an unexplained fall, and a fall that the throttle explains, shows.
    """

    lo: int
    mean: Array
    now: Array
    total: Array
    fell: NDArray[np.int64]
    cut: NDArray[np.int64]

    def level(self, first: Ints, count: int) -> Array:
        """Mean suction over stretches.

        Parameters
        ----------
        first : ndarray of int, shape (k,)
            First block of each.
        count : int
            Their length.

        Returns
        -------
        ndarray, shape (k,)
            Pa.
        """
        a = np.clip(first - self.lo, 0, len(self.mean) - 1)
        b = np.minimum(a + count, len(self.mean))
        return np.asarray((self.total[b] - self.total[a]) / (b - a))


class Screen:
    """Looks for falls on two time scales.

    Parameters
    ----------
    parameters : LossParameters
        Thresholds.
    blocks : Blocks
        What is looked at.
    bank : FanBank
        What the fans should give.
    block_s : float
        Length of a block, s.
    """

    def __init__(self, parameters: LossParameters, blocks: Blocks, bank: FanBank, block_s: float) -> None:
        def count(seconds: float) -> int:
            return max(1, round(seconds / block_s))

        self._p, self._blocks, self._bank = parameters, blocks, bank
        self.reference = count(parameters.reference_s)
        self._gap, self._slow_gap = count(parameters.gap_s), count(parameters.slow_gap_s)
        self._earlier = count(_EARLIER_S)
        self.fast_back = 2 + self._gap + self.reference
        self.slow_back = 4 + self._slow_gap + self.reference
        self.history = self.slow_back + count(1.5)
        self.noise_blocks = count(_NOISE_S)

    def mean(self, k0: int, k1: int, weights: Array) -> Array:
        """Mean suction of blocks over the good taps.

        Parameters
        ----------
        k0, k1 : int
            First block, and the block after the last.
        weights : ndarray, shape (taps,)
            Weights, 0 for a faulty tap, their sum 1.

        Returns
        -------
        ndarray, shape (k1 - k0,)
            Pa.
        """
        return self._blocks.floats("tap_pa", k0, k1) @ weights

    def survey(self, k0: int, k1: int, weights: Array, start: int, least_pa: float) -> Bools:
        """Which blocks are worth a look: a fall shows, whatever explains it.

        Parameters
        ----------
        k0, k1 : int
            First block, and the block after the last.
        weights : ndarray, shape (taps,)
            Weights of the taps in the mean.
        start : int
            First block after the last data gap.
        least_pa : float
            Suction that is surely too low to be judged, Pa.

        Returns
        -------
        ndarray of bool, shape (k1 - k0,)
            What :meth:`look` finds lies within these.
        """
        lo = max(start, k0 - self.slow_back, self._blocks.first)
        total = np.concatenate([[0.0], np.cumsum(self.mean(lo, k1, weights))])
        end = np.arange(k0 - lo + 1, k1 - lo + 1)
        worth = np.zeros(k1 - k0, bool)
        for width, back in ((2, self.fast_back), (4, self.slow_back)):
            first = np.maximum(end - back, 0)
            until = np.minimum(first + self.reference, k1 - lo)  # too few blocks yet: masked out below
            before = (total[until] - total[first]) / self.reference
            value = (total[end] - total[np.maximum(end - width, 0)]) / width
            worth |= (
                (end >= back) & (value < (1 - self._p.screen_drop) * before) & (before > self._p.min_level_pa)
            )
        return worth | self._tap_gone(k0, k1, k0 - self.fast_back + 1, weights, least_pa)

    def least_ratio(self, at: Ints, view: View, first: Ints) -> Array:
        """Lowest suction that the throttle explains in some blocks, over that before.

        Parameters
        ----------
        at : ndarray of int, shape (k,)
            Numbers of the blocks.
        view : View
            Mean suction.
        first : ndarray of int, shape (k,) or (1,)
            First block of the stretch that "before" is read from.

        Returns
        -------
        ndarray, shape (k,)
            1 where the throttle is unknown: it explains nothing.
        """
        base, end = self._blocks.first, int(at[-1]) + 1
        if self._settled(max(base, int(first.min()) - self._earlier), end):
            return np.ones(len(at))
        known = np.asarray(self._blocks.take("known", base, end), bool)[at - base]
        if not known.any():
            return np.ones(len(at))
        first = np.broadcast_to(first, at.shape)
        speeds = self._blocks.floats("speed_us", base, end)
        half = np.minimum(first + self.reference // 2, end - 1)
        # throttle and suction both at rest: so is the fan, whatever a law with a long lag says
        earlier = np.maximum(first - self._earlier, view.lo)
        seen = view.level(first, self.reference) / np.maximum(view.level(earlier, self.reference), 1e-9)
        rest = np.abs(seen - 1) < _REST
        if rest.any():
            window = self._blocks.floats("throttle_us", base, end)[
                np.maximum(at[:, None] - np.arange(int((at - earlier).max()) + 1), earlier[:, None]) - base
            ]
            rest &= window.max(axis=1) - window.min(axis=1) <= _REST_US
        moving = np.flatnonzero(known & ~rest)
        ratio = np.ones(len(at))
        if moving.size:
            now, before = speeds[at[moving] - base], speeds[half[moving] - base]
            ratio[moving] = self._bank.least_ratio(now, before)
        return ratio

    def _settled(self, k0: int, k1: int) -> bool:
        """Has the throttle rested for so long that even the slowest fan stands still in some blocks?"""
        slowest = self._blocks.take("speed_us", k0, k0 + 1)[0]
        throttle = self._blocks.take("throttle_us", k0, k1)
        return bool(np.ptp(throttle) <= _REST_US and np.ptp(slowest) <= _REST_US)

    def look(
        self,
        k0: int,
        k1: int,
        weights: Array,
        noise: Noise,
        floor_pa: float,
        since: tuple[int, int, int],
    ) -> View:
        """Look at a few blocks.

        Parameters
        ----------
        k0, k1 : int
            First block to judge, and the block after the last.
        weights : ndarray, shape (taps,)
            Weights of the taps in the mean, 0 for a faulty one.
        noise : Noise
            Noise of the run so far.
        floor_pa : float
            Suction below which nothing is judged, Pa.
        since : (int, int, int)
            First block after the last data gap, after the last unexplained fall, and after the last
            explained one: nothing is compared with what was before those.

        Returns
        -------
        View
        """
        lo = max(since[0], k0 - self.history, self._blocks.first)
        mean = self.mean(lo, k1, weights)
        total = np.concatenate([[0.0], np.cumsum(mean)])
        now = mean.copy()
        none = np.zeros(0, np.int64)
        view = View(lo, mean, now, total, none, none)
        now[1:] = (mean[1:] + mean[:-1]) / 2
        fell, cut = np.zeros(k1 - k0, bool), np.zeros(k1 - k0, bool)
        at = np.arange(k0, k1) - lo
        for width, back, sd in ((2, self.fast_back, noise.short_pa), (4, self.slow_back, noise.long_pa)):
            can = at + 1 >= back
            if not can.any():
                continue
            first = np.where(can, at + 1 - back, 0)
            until = np.minimum(first + self.reference, k1 - lo)  # too few blocks yet: masked out below
            before = (total[until] - total[first]) / self.reference
            value = (total[at + 1] - total[np.maximum(at + 1 - width, 0)]) / width
            down = can & (before > floor_pa) & (before - value > self._p.noise_factor * sd)
            down &= value < (1 - self._p.screen_drop) * before
            gone = np.zeros_like(can)
            if width == 2:
                gone = can & self._tap_gone(k0, k1, k0 + 1 - self.fast_back, weights, floor_pa)
            hit = np.flatnonzero(down | gone)
            if not hit.size:
                continue
            explained = self.least_ratio(hit + k0, view, first[hit] + lo)
            limit = (1 - self._p.screen_drop) * before[hit] * explained
            lost = (down[hit] & (value[hit] < limit)) | (gone[hit] & (explained > 0.5))
            fell[hit] |= lost & (first[hit] + lo >= since[1])
            if width == 2:
                shut = value[hit] < (1 - _SHUT * self._p.cut_drop) * before[hit]
                shut &= self._likely(hit + k0, first[hit] + lo) < 1 - self._p.screen_drop
                cut[hit] |= shut & (first[hit] + lo >= since[2])
        return replace(view, fell=np.flatnonzero(fell) + k0, cut=np.flatnonzero(cut & ~fell) + k0)

    def _tap_gone(self, k0: int, k1: int, before0: int, weights: Array, floor_pa: float) -> Bools:
        """Blocks in which a tap reads next to nothing and did not before."""
        skip = max(0, self._blocks.first - before0)
        gone = np.zeros(k1 - k0, bool)
        if skip < len(gone):
            tap = self._blocks.floats("tap_pa", k0 + skip, k1)
            before = self._blocks.floats("tap_pa", before0 + skip, before0 + k1 - k0)
            lost = (tap < self._p.off_share * before) & (before > 2 * floor_pa) & (weights > 0)
            gone[skip:] = lost.any(axis=1)
        return gone

    def _likely(self, at: Ints, first: Ints) -> Array:
        """What the best law expects."""
        base = self._blocks.first
        speeds = self._blocks.floats("speed_us", base, int(at[-1]) + 1)
        known = np.asarray(self._blocks.take("known", base, int(at[-1]) + 1), bool)[at - base]
        ratio = self._bank.ratio(speeds[at - base], speeds[first + self.reference // 2 - base])
        return np.where(known, ratio, 1.0)
