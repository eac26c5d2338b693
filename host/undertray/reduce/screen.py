"""The quick look at every block: has the suction fallen, and does the throttle explain it?"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from undertray.reduce.blocks import Blocks
from undertray.reduce.expectation import FanBank
from undertray.reduce.losses import LossParameters
from undertray.reduce.noise import Noise
from undertray.reduce.view import View

__all__ = ["Found", "Screen"]

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]
Found = dict[int, int]

_NOISE_S = 20.0
_EARLIER_S = 0.4
_REST, _REST_US = 0.06, 10.0
_SHUT = 0.7  # a cut is looked at from this share of its least drop on


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

    def survey(self, k0: int, k1: int, weights: Array, start: int, least_pa: float) -> View:
        """Look over blocks for those that are worth a closer look.

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
        View
            What :meth:`look` finds lies within the blocks that are worth a look.
        """
        lo = max(start, k0 - self.history, self._blocks.first)
        mean = self.mean(lo, k1, weights)
        total = np.concatenate([[0.0], np.cumsum(mean)])
        now, four = mean.copy(), mean.copy()
        now[1:] = (mean[1:] + mean[:-1]) / 2
        four[3:] = (total[4:] - total[:-4]) / 4
        reference = (total[self.reference :] - total[: -self.reference]) / self.reference
        worth = np.zeros(k1 - lo, bool)
        for value, back in ((now, self.fast_back), (four, self.slow_back)):
            before = reference[: max(0, k1 - lo + 1 - back)]
            fallen = value[back - 1 :] < (1 - self._p.screen_drop) * before
            worth[back - 1 :] |= fallen & (before > self._p.min_level_pa)
        worth[: k0 - lo] = False
        gone = np.flatnonzero(self._tap_gone(k0, k1, weights, least_pa))
        gone = gone[gone + k0 >= lo + self.fast_back - 1]
        worth[gone + (k0 - lo)] = True
        found = (np.flatnonzero(worth) + lo).tolist()
        return View(lo, weights, mean, now, four, reference, found, (gone + k0).tolist())

    def least_ratio(self, at: Ints, view: View, first: Ints, enough: Array | None = None) -> Array:
        """Lowest suction that the throttle explains in some blocks, over that before.

        Parameters
        ----------
        at : ndarray of int, shape (k,)
            Numbers of the blocks, rising.
        view : View
            Mean suction.
        first : ndarray of int, shape (k,) or (1,)
            First block of the stretch that "before" is read from.
        enough : ndarray, shape (k,), or None
            Where the most likely law alone explains as little as this, the others are not asked.

        Returns
        -------
        ndarray, shape (k,)
            1 where the throttle is unknown: it explains nothing.
        """
        base, end = self._blocks.first, int(at[-1]) + 1
        ratio = np.ones(len(at))
        if self.settled(int(first.min()), end):
            return ratio
        first = np.broadcast_to(first, at.shape)
        moving = ~self._at_rest(at, view, first)
        if not self._blocks.known(int(at[0]), end):
            moving &= np.asarray(self._blocks.take("known", base, end), bool)[at - base]
        speeds = self._blocks.floats("speed_us", base, end)
        half = np.minimum(first + self.reference // 2, end - 1) - base
        if enough is not None:
            likely = self._bank.ratio(speeds[at - base], speeds[half])
            ratio = np.where(moving, np.minimum(likely, 1.0), 1.0)
            moving &= ratio > enough
        ask = np.flatnonzero(moving)
        if ask.size:
            ratio[ask] = self._bank.least_ratio(speeds[at[ask] - base], speeds[half[ask]])
        return ratio

    def settled(self, k0: int, k1: int) -> bool:
        """Has the throttle rested for so long that even the slowest fan stands still in some blocks?

        Parameters
        ----------
        k0, k1 : int
            First block of what is compared, and the block after the last.

        Returns
        -------
        bool
        """
        k0 = max(self._blocks.first, k0 - self._earlier)
        throttle = self._blocks.floats("throttle_us", k0, k1)
        if throttle.max() - throttle.min() > _REST_US:
            return False
        speeds = self._blocks.floats("speed_us", k0, k0 + 1)
        return bool(speeds.max() - speeds.min() <= _REST_US)

    def _at_rest(self, at: Ints, view: View, first: Ints) -> Bools:
        """Where the fan rests: the throttle does, and before it the slowest fan did, or the suction."""
        earlier = np.maximum(first - self._earlier, view.lo)
        base = int(earlier.min())
        throttle = self._blocks.floats("throttle_us", base, int(at[-1]) + 1)
        shared = throttle[int(earlier.max()) - base : int(at[0]) + 1 - base]
        if len(shared) and shared.max() - shared.min() > _REST_US:
            return np.zeros(len(at), bool)
        last = max(0, int(at[-1]) + 1 - self.reference - view.lo)  # none reaches beyond what is judged
        level, before = (view.reference[np.minimum(k - view.lo, last)] for k in (first, earlier))
        rest = np.abs(level / np.maximum(before, 1e-9) - 1) < _REST
        speeds = self._blocks.floats("speed_us", base, int(earlier[-1]) + 1)[earlier - base]
        rest |= speeds.max(axis=1) - speeds.min(axis=1) <= _REST_US
        if rest.any():
            window = throttle[
                np.maximum(at[:, None] - np.arange(int((at - earlier).max()) + 1), earlier[:, None]) - base
            ]
            rest &= window.max(axis=1) - window.min(axis=1) <= _REST_US
        return np.asarray(rest)

    def look(self, view: View, k0: int, k1: int, noise: Noise, floor_pa: float) -> tuple[Found, Found]:
        """Look at a few blocks.

        Parameters
        ----------
        view : View
            From :meth:`survey`.
        k0, k1 : int
            First block to judge, and the block after the last.
        noise : Noise
            Noise of the run so far.
        floor_pa : float
            Suction below which nothing is judged, Pa.

        Returns
        -------
        fell, cut : dict of int to int
            Blocks where an unexplained fall, and a fall that the throttle explains, shows; each with
            the first block of what it is compared with, the last such one if there are several.
        """
        fell: Found = {}
        cut: Found = {}
        at = np.array(view.worth_a_look(k0, k1), np.int64)
        if not at.size:
            return fell, cut
        scales = ((view.four, self.slow_back, noise.long_pa), (view.now, self.fast_back, noise.short_pa))
        for reading, back, sd in scales:
            fast = back == self.fast_back
            where = at[np.searchsorted(at, view.lo + back - 1) :]
            before, value = view.reference[where + (1 - back - view.lo)], reading[where - view.lo]
            limit = np.minimum((1 - self._p.screen_drop) * before, before - self._p.noise_factor * sd)
            down = (value < limit) & (before > floor_pa)
            gone = np.zeros(len(where), bool)
            if fast and view.gone:
                gone = self._tap_gone(k0, k1, view.weights, floor_pa)[where - k0]
            hit = np.flatnonzero(down | gone if fast else down)
            if not hit.size:
                continue
            where, before, value, down, gone = where[hit], before[hit], value[hit], down[hit], gone[hit]
            first = where + (1 - back)
            share = value / np.maximum((1 - self._p.screen_drop) * before, 1e-9)
            explained = self.least_ratio(where, view, first, np.where(gone, np.minimum(share, 0.5), share))
            lost = (down & (share < explained)) | (gone & (explained > 0.5))
            fell.update(zip(where[lost].tolist(), first[lost].tolist(), strict=True))
            shut = value < (1 - _SHUT * self._p.cut_drop) * before
            if fast and shut.any() and not self.settled(int(first[0]), int(where[-1]) + 1):
                shut &= self._likely(where, first) < 1 - self._p.screen_drop
                cut.update(zip(where[shut].tolist(), first[shut].tolist(), strict=True))
        return fell, cut

    def _tap_gone(self, k0: int, k1: int, weights: Array, floor_pa: float) -> Bools:
        """Blocks in which a tap reads next to nothing and did not before."""
        gone = np.zeros(k1 - k0, bool)
        skip = max(0, self._blocks.first + self.fast_back - 1 - k0)
        if skip < len(gone):
            back = self.fast_back - 1
            tap = self._blocks.floats("tap_pa", k0 + skip, k1)
            before = self._blocks.floats("tap_pa", k0 + skip - back, k1 - back)
            lost = tap < self._p.off_share * before
            if lost.any():
                lost &= (before > 2 * floor_pa) & (weights > 0)
                gone[skip:] = lost.any(axis=1)
        return gone

    def _likely(self, at: Ints, first: Ints) -> Array:
        """What the best law expects."""
        base, end = self._blocks.first, int(at[-1]) + 1
        speeds = self._blocks.floats("speed_us", base, end)
        ratio = self._bank.ratio(speeds[at - base], speeds[first + self.reference // 2 - base])
        if not self._blocks.known(int(at[0]), end):
            ratio = np.where(np.asarray(self._blocks.take("known", base, end), bool)[at - base], ratio, 1.0)
        return ratio
