"""The quick look at every block: has the suction fallen, and does the throttle explain it?"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from undertray.reduce.detect.blocks import Blocks
from undertray.reduce.detect.expectation import FanBank
from undertray.reduce.detect.noise import Noise
from undertray.reduce.detect.view import Frame, Shown, View
from undertray.reduce.loss import LossParameters

__all__ = ["FRAME", "Screen"]

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]

FRAME = 64
"""Blocks between two lessons for the fan bank."""
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
        lo = max(start, k0 - max(self.history, FRAME), self._blocks.first)
        mean = self.mean(lo, k1, weights)
        total = np.zeros(len(mean) + 1)
        np.cumsum(mean, out=total[1:])
        now, four = mean.copy(), mean.copy()
        now[1:] = (mean[1:] + mean[:-1]) / 2
        four[3:] = (total[4:] - total[:-4]) / 4
        reference = (total[self.reference :] - total[: -self.reference]) / self.reference
        found = []
        for reading, back in ((four, self.slow_back), (now, self.fast_back)):
            begin = max(k0, lo + back - 1)
            value, before = (
                reading[begin - lo :],
                reference[begin + 1 - back - lo : max(0, k1 + 1 - back - lo)],
            )
            limit = (1 - self._p.screen_drop) * before
            fallen = (value < limit) & (before > self._p.min_level_pa)
            tap_pa = np.zeros(len(value))
            if back == self.fast_back:
                tap_pa = self._gone_pa(begin, k1, weights, 2 * least_pa)
                fallen |= tap_pa > 0
            (at,) = fallen.nonzero()
            sudden = np.full(len(at), back == self.fast_back)
            found.append(
                (at + begin, at + begin + 1 - back, before[at], limit[at], value[at], sudden, tap_pa[at])
            )
        shown = Shown(*(np.concatenate(each) for each in zip(*found, strict=True)))
        shown = shown.pick(np.lexsort((shown.sudden, shown.block)))
        worth, showing = shown.block.tolist(), frozenset((shown.block // FRAME).tolist())
        frames = self._frames(lo, k0, mean)
        return View(start, lo, weights, mean, now, reference, shown, worth, showing, frames)

    def _frames(self, lo: int, k0: int, mean: Array) -> dict[int, Frame]:
        """Frames that end behind a block and lie in the blocks whole."""
        first = max(-(-lo // FRAME), k0 // FRAME) * FRAME
        count = (lo + len(mean) - first) // FRAME
        if count < 1:
            return {}
        end = first + count * FRAME
        fastest = self._blocks.floats("speed_us", first, end)[:, 0].reshape(count, FRAME)
        frames = Frame.each(mean[first - lo : end - lo].reshape(count, FRAME), fastest)
        return dict(zip(range(first + FRAME, end + 1, FRAME), frames, strict=True))

    def least_after(self, view: View, first: int, end: int, seen: int, k0: int, k1: int) -> list[float]:
        """Lowest suction that the throttle explains in some blocks, over that in a stretch before.

        Parameters
        ----------
        view : View
            Mean suction.
        first, end : int
            First block of the stretch before, and the block after its last.
        seen : int
            Block in which the fall was seen: the fans' speed before is read no later.
        k0, k1 : int
            First block, and the block after the last.

        Returns
        -------
        list of float
            1 where the throttle is unknown: it explains nothing.
        """
        if self.settled(first, k1):
            return [1.0] * (k1 - k0)
        at, one = np.arange(k0, k1), np.ones(k1 - k0, np.int64)
        # the stretch may lie before the view
        earlier = max(first - self._earlier, view.start, self._blocks.first)
        throttle = self._blocks.floats("throttle_us", earlier, k1)
        if throttle.max() - throttle.min() <= _REST_US:
            moving = np.zeros(len(at), bool)
        else:
            moving = ~self._throttle_rests(at, earlier * one)
        if not moving.all():
            level, before = (self.mean(k, k + end - first, view.weights).mean() for k in (first, earlier))
            calm = abs(level / max(before, 1e-9) - 1) < _REST
            if not (calm or self._fans_rest(one[:1] * earlier)[0]):
                moving[:] = True
        ratio: list[float] = self._least(at, min(first + self.reference // 2, seen) * one, moving).tolist()
        return ratio

    def _explained(self, shown: Shown, view: View, likely: Array, enough: Array) -> Array:
        """The same for falls that show, each over its own before; the other laws only where it matters."""
        earlier = np.maximum(shown.first - self._earlier, view.lo)
        moving = ~self._throttle_rests(shown.block, earlier)
        if not moving.all():
            calm = np.abs(shown.before / np.maximum(view.reference[earlier - view.lo], 1e-9) - 1) < _REST
            moving |= ~(calm | self._fans_rest(earlier))
        # where the most likely law alone explains no more than enough, those that explain more are not asked
        ask = moving & (likely > enough)
        ratio = np.where(moving, np.minimum(likely, 1.0), 1.0)
        if ask.any():
            ratio[ask] = self._least(shown.block[ask], shown.first[ask] + self.reference // 2, ask[ask])
        return ratio

    def _least(self, at: Ints, before: Ints, moving: Bools) -> Array:
        """By all laws that are in, from the fans' speeds in one block before; 1 where they do not move."""
        begin, end, ratio = int(before.min()), int(at[-1]) + 1, np.ones(len(at))
        if not self._blocks.known(int(at[0]), end):
            moving = moving & self._known(at)
        if moving.any():
            speeds = self._blocks.floats("speed_us", begin, end)
            ratio[moving] = self._bank.least_ratio(speeds[at[moving] - begin], speeds[before[moving] - begin])
        return ratio

    def _known(self, at: Ints) -> Bools:
        begin, end = int(at[0]), int(at[-1]) + 1
        return np.asarray(self._blocks.take("known", begin, end), bool)[at - begin]

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
        return self._bank.settled(max(self._blocks.first, k0 - self._earlier), k1)

    def _throttle_rests(self, at: Ints, earlier: Ints) -> Bools:
        """Where it does, from some earlier block on."""
        base, end = int(earlier.min()), int(at[-1]) + 1
        throttle = self._blocks.floats("throttle_us", base, end)
        bounds, held = np.empty(2 * len(at), np.int64), np.empty(len(throttle) + 1)
        bounds[::2], bounds[1::2] = earlier - base, at + 1 - base
        held[:-1], held[-1] = throttle, throttle[-1]  # as a window may end with the last
        return np.asarray(
            np.maximum.reduceat(held, bounds)[::2] - np.minimum.reduceat(held, bounds)[::2] <= _REST_US
        )

    def _fans_rest(self, at: Ints) -> Bools:
        """Where even the slowest fan has come to the throttle."""
        base = int(at.min())
        speeds = self._blocks.floats("speed_us", base, int(at.max()) + 1)[at - base]
        return np.asarray(speeds.max(axis=1) - speeds.min(axis=1) <= _REST_US)

    def look(
        self, view: View, k0: int, k1: int, noise: Noise, floor_pa: float
    ) -> tuple[dict[int, int], dict[int, int]]:
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
        shown, part = view.shown, view.worth_a_look(k0, k1)
        value, before = shown.value[part], shown.before[part]
        clear = self._p.noise_factor * np.where(shown.sudden[part], noise.short_pa, noise.long_pa)
        down = (value < shown.limit[part]) & (before - value > clear) & (before > floor_pa)
        gone = shown.tap_pa[part] > 2 * floor_pa
        (places,) = (down | gone).nonzero()
        if not places.size:
            return {}, {}
        down, gone, places = down[places], gone[places], places + part.start
        if self.settled(int(shown.first[places].min()), int(shown.block[places[-1]]) + 1):
            return shown.by_block(places), {}
        shown = shown.pick(places)
        left = enough = shown.value / np.maximum(shown.limit, 1e-9)
        if gone.any():
            enough = np.where(gone, np.minimum(left, 0.5), left)
        likely = self._likely(shown.block, shown.first)
        explained = self._explained(shown, view, likely, enough)
        lost = (down & (left < explained)) | (gone & (explained > 0.5))
        # while little was learned the best law may be any: that one of those that are in explains it will do
        shut = likely if self._bank.schooled else np.minimum(likely, explained)
        shut = shown.sudden & (shut < 1 - self._p.screen_drop)
        shut &= shown.value < (1 - _SHUT * self._p.cut_drop) * shown.before
        return shown.by_block(lost), shown.by_block(shut)

    def _gone_pa(self, k0: int, k1: int, weights: Array, least_pa: float) -> Array:
        """What a tap that reads next to nothing in a block read before; 0 where none does, or too little."""
        before_pa, back = np.zeros(max(0, k1 - k0)), self.fast_back - 1
        if len(before_pa):
            tap = self._blocks.floats("tap_pa", k0, k1)
            before = self._blocks.floats("tap_pa", k0 - back, k1 - back)
            lost = np.flatnonzero((tap < self._p.off_share * before) & (before > least_pa))
            lost = lost[weights[lost % len(weights)] > 0]
            np.maximum.at(before_pa, lost // len(weights), before.ravel()[lost])
        return before_pa

    def _likely(self, at: Ints, first: Ints) -> Array:
        """What the best law expects, over that before."""
        begin, end = int(first.min()), int(at[-1]) + 1
        drive = self._bank.drive(self._blocks.floats("speed_us", begin, end))
        ratio = drive[at - begin] / np.maximum(drive[first + (self.reference // 2 - begin)], 1e-9)
        return ratio if self._blocks.known(int(at[0]), end) else np.where(self._known(at), ratio, 1.0)
