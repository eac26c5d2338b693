"""The second look: with a law fitted to what came before and after, losses that throttle work hid."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from undertray.reduce.detect.bestchance import explained
from undertray.reduce.detect.blocks import Blocks
from undertray.reduce.detect.closeup import CloseUp
from undertray.reduce.detect.expectation import FanBank
from undertray.reduce.detect.fanspeed import RESTING_US
from undertray.reduce.detect.health import Health
from undertray.reduce.detect.leak import Creep
from undertray.reduce.detect.ledger import Ledger
from undertray.reduce.detect.marks import Marks
from undertray.reduce.detect.onset import Fall
from undertray.reduce.detect.rotor import RotorLaw, fit_rotor, follow_rotor
from undertray.reduce.detect.slope import find_slope, looks_bent
from undertray.reduce.detect.steps import SURE, Step, doubt, find_steps, may_hold_steps, shift
from undertray.reduce.detect.stretch import LOADED, Stretch
from undertray.reduce.loss import Loss, LossParameters

__all__ = ["Review"]

Array = NDArray[np.float64]

_EVERY_S, _DELAY_S, _FIRST_S = 10.0, 12.0, 26.0
_WINDOW_S = 45.0
_GLANCE = 0.7  # of the least drop, for the first glance
_GROUP = 4  # blocks to a value of the first glance
_EVEN = np.full(_GROUP, 1 / _GROUP)
_CONFIRMED = 0.5  # a told loss shows at least this share of its drop
_POOR = 0.08  # a law that leaves more is fitted afresh, and takes nothing back
_ROUNDS = 4
_UNSEEN_S = 1.0  # a fan that was not seen has settled
_SAME_S = 0.4  # a loss told this near is the same
_LONGEST_S = 0.25  # fall of a loss that only the second look finds
_MOST_PATIENCE = 64  # reviews
_SLOPE_S = 1.0  # a leak told this near is the same


class Review:
    """Looks again, some seconds later.

    Parameters
    ----------
    parameters : LossParameters
        Thresholds.
    block_s : float
        Length of a block, s.
    marks : Marks
        How far back may be compared.
    blocks, bank, closeup, ledger, health
        The other parts of the detector.

    Notes
    -----
    The first look has to decide at once and with what little is known of the fans, so it lets a fall
    pass that any likely fan could have made. Every 10 s the stretch that is 12 to 22 s old is looked at
    again: one law of the rotor is fitted to the last 45 s, and what is left of the suction over that
    law is searched for steps. A step beside throttle work counts only if no fan explains it, not even
    one that is fitted to the step itself. Losses told at first that do not show are taken back.
    """

    def __init__(
        self,
        parameters: LossParameters,
        block_s: float,
        marks: Marks,
        blocks: Blocks,
        bank: FanBank,
        closeup: CloseUp,
        ledger: Ledger,
        health: Health,
    ) -> None:
        self._p, self._block_s, self._marks = parameters, block_s, marks
        self._blocks, self._bank, self._closeup = blocks, bank, closeup
        self._ledger, self._health = ledger, health
        self._done, self._next = 0, round(_FIRST_S / block_s)
        self._law: Array | None = None
        self._stirred = self._paused = 0
        self._patience = 1

    def frame(self, k1: int, last: bool = False) -> None:
        """Look again where it is time.

        Parameters
        ----------
        k1 : int
            Block after the last.
        last : bool
            Whether the run ends here.
        """
        if k1 < self._next and not last:
            return
        self._next = k1 + round(_EVERY_S / self._block_s)
        until = k1 - (0 if last else round(_DELAY_S / self._block_s))
        since, self._done = self._done, max(self._done, until)
        sank, self._marks.sank = self._marks.sank and not self._paused, False
        self._paused = max(0, self._paused - 1)
        if until - since < 8 * _GROUP or self._quiet(since, k1):
            return
        if not (sank or self._suspicious(since, min(k1, until + 8 * _GROUP))):
            return
        stretch = self._stretch(max(0, k1 - round(_WINDOW_S / self._block_s)), k1)
        if stretch is None:
            return
        first, end = since - stretch.lo, until - stretch.lo
        law = None if self._nothing_new(stretch, first, end) else self._fit(stretch)
        if sank and law is not None and self._marks.opening is None and looks_bent(law):
            law = self._tell_slope(stretch, law)
        if law is None or law.scatter > 2 * _POOR:
            return
        # first, so that a loss that was told at a wrong time is told again at the right one
        if law.scatter < _POOR:
            for event in self._unconfirmed(stretch, law.expected_pa, law, first, end):
                self._ledger.withdraw(event)
        for step in find_steps(stretch, law, first, end, self._p.min_drop):
            if not explained(step, stretch, law, self._p.min_drop):
                self._tell(step, stretch, law)

    def stir(self, k: int) -> None:
        """A fall shows, whatever explains it.

        Parameters
        ----------
        k : int
            Block up to which.
        """
        self._stirred = k

    def _quiet(self, k0: int, k1: int) -> bool:
        """Did the suction fall nowhere, and the throttle rest?"""
        if self._stirred > k0:
            return False
        throttle = self._blocks.floats("throttle_us", k0, k1)
        return bool(throttle.max() - throttle.min() <= RESTING_US)

    def _suspicious(self, k0: int, k1: int) -> bool:
        """By the best law of the bank: is there a fall that was not told, or one told that does not show?"""
        whole = (k1 - k0) // _GROUP
        k1 = k0 + whole * _GROUP
        mean = self._blocks.floats("tap_pa", k0, k1) @ self._health.weights
        drive = self._bank.expected(self._blocks.floats("speed_us", k0, k1))
        c, e = mean.reshape(whole, _GROUP) @ _EVEN, drive.reshape(whole, _GROUP) @ _EVEN
        loaded, judged = e > LOADED * self._marks.top_pa, self._blocks.judged(k0, k1, self._health.weights)
        if judged is not None:
            loaded &= judged.reshape(whole, _GROUP).all(axis=1)
        ratio = np.where(loaded, c / np.maximum(e, 1e-9), np.nan)
        three = ratio[:-2] + ratio[1:-1] + ratio[2:]
        before, after = three[:-4], three[4:]
        fallen = 1 - after / np.where(before > 0, before, np.nan)
        begin_s = self._blocks.time(k0)
        for e_told in self._ledger.losses(begin_s, self._blocks.time(k1 - 1)):
            i = int((e_told.onset_s - begin_s) / (_GROUP * self._block_s)) - 3
            near = fallen[max(0, i - 1) : max(0, i + 2)]
            if not (near > _CONFIRMED * (e_told.drop or 0.0)).any():
                return True
        (shown,) = (fallen > _GLANCE * self._p.min_drop).nonzero()
        if not shown.size:
            return False
        times = self._blocks.floats("t_s", k0, k1)[_GROUP * (shown + 3)]
        return any(not self._ledger.losses(t - _SAME_S, t + _SAME_S) for t in times)

    def _stretch(self, lo: int, k1: int) -> Stretch | None:
        """Blocks for the fit: over the taps that had no fault in all of it."""
        t = self._blocks.floats("t_s", lo, k1)
        weights = self._health.weights.copy()
        weights[list(self._ledger.faulty(float(t[0]), float(t[-1])))] = 0.0
        if not weights.any():
            return None
        weights /= weights.sum()
        longest = 1.5 + self._p.gap_periods / self._blocks.rows
        restart = np.ones(len(t), bool)
        np.greater(t[1:] - t[:-1], longest * self._block_s, out=restart[1:])
        use = np.ones(len(t), bool)
        judged = self._blocks.judged(lo, k1, weights)
        judged = use if judged is None else judged
        for k in np.flatnonzero(restart[1:] | ~judged[:-1]) + 1:
            use[k : k + round(_UNSEEN_S / self._block_s)] = False
        use &= judged
        mean = self._blocks.floats("tap_pa", lo, k1) @ weights
        throttle = self._blocks.floats("throttle_us", lo, k1)
        return Stretch(lo, self._block_s, t, mean, throttle, restart, use, weights)

    def _nothing_new(self, s: Stretch, first: int, end: int) -> bool:
        """Does the law fitted last still fit, and is there nothing to add or to take back by it?"""
        if self._law is None:
            return False
        found = follow_rotor(self._law, s.mean_pa, s.throttle_us, s.use, s.restart, self._block_s)
        if found is None or found[1] > _POOR or may_hold_steps(s, found[0], first, end, self._p.min_drop):
            return False
        return not self._unconfirmed(s, found[0], None, first, end)

    def _fit(self, s: Stretch) -> RotorLaw | None:
        law = None
        data = (s.mean_pa, s.throttle_us, s.use, s.restart, self._block_s)
        if self._law is not None:
            law = fit_rotor(*data, start=self._law, rounds=_ROUNDS)
        if law is None or law.scatter > _POOR:
            law = fit_rotor(*data)
        self._law = law.parameters if law is not None and law.scatter < _POOR else None
        return law

    def _unconfirmed(
        self, s: Stretch, expected_pa: Array, law: RotorLaw | None, first: int, end: int
    ) -> list[Loss]:
        """What was told and does not show by an expectation; within its doubt where the law is given."""
        found = []
        for e in self._ledger.losses(float(s.t_s[first]), float(s.t_s[end - 1])):
            shown = shift(s, expected_pa, int(np.searchsorted(s.t_s, e.onset_s)))
            if shown is None or not e.drop:
                continue
            lost, before, after = shown
            if lost + (SURE * doubt(law, before, after) if law else 0.0) < _CONFIRMED * e.drop:
                found.append(e)
        return found

    def _tell(self, step: Step, s: Stretch, law: RotorLaw) -> None:
        k = s.lo + step.begun
        fall, known = self._measure(step, s, law), self._ledger
        near = known.losses(float(s.t_s[step.begun]) - _SAME_S, float(s.t_s[step.begun]) + _SAME_S)
        if near or fall.fall_s > _LONGEST_S or known.belongs(fall, 2 * self._p.min_drop):
            return
        known.revise(fall)
        back_s = s.back_s(law.expected_pa, step.over, step.level, step.drop)
        speed = self._blocks.floats("speed_us", k, k + 1)[0]
        since = None if back_s else s.lo + len(s.t_s)
        confidence = 0.9 * min(1.0, fall.drop / (2 * self._p.min_drop))
        place = known.tell("seal-loss", fall, float(s.throttle_us[step.begun]), confidence, since, speed)
        if back_s:
            known.end(place, back_s)

    def _tell_slope(self, s: Stretch, law: RotorLaw) -> RotorLaw:
        """Look for a slow leak that throttle work hid; returns the law that fits with it."""
        slope = find_slope(s, law, self._p.leak_drop)
        # where no law fits there is little hope for the next time, and the search takes long
        self._patience = 1 if slope else min(2 * self._patience, _MOST_PATIENCE)
        self._paused = self._patience - 1
        if not slope:
            return law
        if self._ledger.leaks(s.t_s[slope.begun] - _SLOPE_S, s.t_s[slope.bottom] + _SLOPE_S):
            return law
        creep = Creep(s.lo + slope.begun, s.lo + slope.bottom, 1.0, slope.drop, still=True, sudden=False)
        fall = self._closeup.creeping(creep, s.weights)
        speed = self._blocks.floats("speed_us", creep.begun, creep.begun + 1)[0]
        back_s = s.back_s(slope.expected_pa, slope.bottom, 1.0, slope.drop)
        since = None if back_s else s.lo + len(s.t_s)
        sure = 0.9 * min(1.0, slope.drop / (2 * self._p.leak_drop))
        place = self._ledger.tell("slow-leak", fall, float(s.throttle_us[slope.begun]), sure, since, speed)
        if back_s:
            self._ledger.end(place, back_s)
        self._marks.after_leak = max(self._marks.after_leak, creep.bottom)
        return slope.law

    def _measure(self, step: Step, s: Stretch, law: RotorLaw) -> Fall:
        """On the raw rows, referred to the throttle before; by the blocks where those disagree."""
        first, last = max(0, step.before.start - 3), step.after.stop - 1
        e = law.expected_pa
        ratio = e[first : last + 1] / float(e[step.before].mean())
        fall = self._closeup.measure(s.lo + first, s.lo + last, s.lo + step.begun, s.weights, ratio=ratio)
        onset = float(s.t_s[step.begun])
        if abs(fall.onset_s - onset) > 0.1 or not fall.drop >= self._p.min_drop:
            bottom, to_pa = max(onset, float(s.t_s[step.over])), fall.from_pa * (1 - step.drop)
            fall = replace(fall, onset_s=onset, bottom_s=bottom, to_pa=to_pa)
        return fall
