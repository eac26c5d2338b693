"""Sudden falls, followed block by block until it is clear what they were."""

from __future__ import annotations

from bisect import bisect_right

import numpy as np
from numpy.typing import NDArray

from undertray.reduce.detect.blocks import Blocks
from undertray.reduce.detect.closeup import CloseUp
from undertray.reduce.detect.cut import Cut, suspect_cut
from undertray.reduce.detect.expectation import FanBank
from undertray.reduce.detect.health import Health
from undertray.reduce.detect.ledger import Ledger
from undertray.reduce.detect.marks import Marks
from undertray.reduce.detect.onset import Fall
from undertray.reduce.detect.screen import FRAME, Screen
from undertray.reduce.detect.suspicion import Outlook, Suspicion, Verdict, suspect
from undertray.reduce.detect.told import MOST_OF_IT
from undertray.reduce.detect.view import View
from undertray.reduce.loss import Loss, LossParameters

__all__ = ["FallWatch"]

Array = NDArray[np.float64]

_AHEAD = 16  # blocks that are made ready for judging at a time: most bumps take fewer
_NOTHING = 0.95
_ALL_OF_IT = 1.05
_HARDLY_SUDDEN = 0.5  # share of the longest sudden fall from which on it may be part of a slow one
_CLEAR = 0.4  # a drop beyond any doubt about the fan law


class FallWatch:
    """Raises suspicions, judges them and tells what they were.

    Parameters
    ----------
    parameters : LossParameters
        Thresholds.
    block_s : float
        Length of a block, s.
    marks : Marks
        How far back may be compared.
    blocks, bank, screen, closeup, ledger, health
        The other parts of the detector.
    """

    def __init__(
        self,
        parameters: LossParameters,
        block_s: float,
        marks: Marks,
        blocks: Blocks,
        bank: FanBank,
        screen: Screen,
        closeup: CloseUp,
        ledger: Ledger,
        health: Health,
    ) -> None:
        self._p, self._block_s, self._marks = parameters, block_s, marks
        self._blocks, self._bank, self._screen = blocks, bank, screen
        self._closeup, self._ledger, self._health = closeup, ledger, health
        self._suspect: Suspicion | None = None
        self._cut: Cut | None = None
        self._last_cut = -np.inf, -np.inf
        self._dropped = -1
        self._low_at = -1
        self.alarms: list[Loss] = []

    @property
    def busy(self) -> bool:
        """Is a fall being followed?"""
        return self._suspect is not None or self._cut is not None

    @property
    def suspecting(self) -> bool:
        """Is a loss suspected?"""
        return self._suspect is not None

    def drop_suspicion(self) -> None:
        """What was suspected has been told by another part."""
        self._suspect = None

    def walk(self, view: View, k: int, k1: int) -> None:
        """Judge blocks one after the other.

        Parameters
        ----------
        view : View
            The blocks as surveyed.
        k, k1 : int
            First block, and the block after the last.
        """
        while k < k1:
            m = self._marks
            if self._health.weights is not view.weights:
                view = self._screen.survey(k, k1, self._health.weights, m.start, self._p.min_level_pa)
            fell, cut = self._screen.look(view, k, k1, m.noise, m.floor_pa(self._p))
            k = self._judge(view, k, k1, fell, cut)

    def break_off(self) -> None:
        """The rows end, or a gap begins: decide on what is under way."""
        suspicion, k = self._suspect, self._blocks.end - 1
        if suspicion is not None and (suspicion.accepted or suspicion.alarmed):
            self._conclude(suspicion, k)
        if self._cut is not None and len(self._cut.lowest) > 1:
            self._end_cut(k)
        self._suspect, self._cut = None, None

    def _judge(self, view: View, k: int, k1: int, fell: dict[int, int], cut: dict[int, int]) -> int:
        """Go through the blocks of a view; stops where the good taps change."""
        ahead: Outlook | None = None
        m, shown = self._marks, sorted({*fell, *cut})
        while k < k1:
            lost = fell.get(k, -1) >= m.after_fall
            if self._suspect is None and lost and k >= m.quiet and not self._faint(view, k):
                self._suspect, ahead = self._suspicion(view, k), None
            if self._cut is None and not lost and k >= m.after_cut and cut.get(k, -1) >= m.after_cut:
                self._cut = suspect_cut(view, k, self._screen, self._block_s)
            if not self.busy:
                later = bisect_right(shown, k)
                k = shown[later] if later < len(shown) else k1
                continue
            if self._suspect is None:
                k = self._follow_cut(view, k, next((i for i in fell if i > k), k1))
                continue
            now = float(view.now[k - view.lo])
            if ahead is None or k >= ahead.end:
                ahead = self._look_ahead(view, self._suspect, k, k1)
            if self._try(self._suspect, k, now, ahead):
                return k + 1
            if self._cut is not None and self._cut.over_in([now]) is not None:
                self._end_cut(k)
            k += 1
        return k1

    def _follow_cut(self, view: View, k: int, until: int) -> int:
        """Follow a fall that the throttle explains up to a block; returns the block to go on from."""
        assert self._cut is not None
        over = self._cut.over_in(view.now[k - view.lo : until - view.lo].tolist())
        if over is None:
            return until
        self._end_cut(k + over)
        return k + over + 1

    def _look_ahead(self, view: View, suspicion: Suspicion, k: int, k1: int) -> Outlook:
        """What some blocks to come have to be judged by."""
        k1 = min(k1, k + _AHEAD)
        least = self._screen.least_after(view, suspicion.ref0, suspicion.ref1, suspicion.found, k, k1)
        likely = self._bank.ratio(self._blocks.floats("speed_us", k, k1), suspicion.speed)
        if not self._blocks.known(k, k1):
            likely = np.where(np.asarray(self._blocks.take("known", k, k1), bool), likely, 1.0)
        lowest = self._blocks.floats("tap_pa", max(k - 1, self._blocks.first), k1).min()
        lone = bool(lowest < 1.5 * self._p.off_share * suspicion.level_pa)
        return Outlook(k, k1, least, likely.tolist(), lone)

    def _suspicion(self, view: View, k: int) -> Suspicion | None:
        since = max(self._marks.start, self._marks.after_fall)
        found = suspect(view, k, since, self._screen, self._blocks, self._p)
        # the tail of a bump is no new fall of longer standing
        found.begun = max(found.begun, min(self._dropped + 1, k))
        found.noise_pa, found.block_s = self._marks.noise.long_pa, self._block_s
        found.law_error = self._bank.error
        loaded = found.level_pa > self._marks.floor_pa(self._p)
        self._low_at = -1 if loaded else k
        return found if loaded else None

    def _faint(self, view: View, k: int) -> bool:
        """Is the suction still as low as when a fall began too low to be judged?"""
        if self._low_at < max(view.lo, k - self._screen.history):
            return False
        since = view.now[self._low_at - view.lo : k + 1 - view.lo]
        low = bool(since.max() <= self._marks.floor_pa(self._p))
        self._low_at = k if low else -1
        return low

    def _try(self, suspicion: Suspicion, k: int, now: float, ahead: Outlook) -> bool:
        """Judge the suspicion by one block; True when the good taps changed."""
        least, likely = ahead.least[k - ahead.begin], ahead.likely[k - ahead.begin]
        if ahead.lone and not suspicion.accepted and self._lone(suspicion, k, least):
            return self._suspect is None
        verdict = suspicion.judge(k, now, least, likely, self._p)
        if verdict == Verdict.ALARM:
            onset, drop = self._blocks.time(suspicion.begun), 1 - now / suspicion.level_pa
            reached = self._blocks.time(k) + self._block_s
            self.alarms.append(
                Loss("seal-loss", onset, reached, from_pa=suspicion.level_pa, to_pa=now, drop=drop)
            )
        elif verdict == Verdict.DROPPED:
            self._suspect, self._dropped = None, k
        elif verdict == Verdict.SETTLED:
            self._conclude(suspicion, k)
        return False

    def _lone(self, suspicion: Suspicion, k: int, explained: float) -> bool:
        """Is it one tap's trouble? Once that has stood long enough it is told."""
        slack = 3 * self._marks.noise.short_pa / max(suspicion.level_pa, 1e-9)
        lone = self._health.lone(k, suspicion, explained, slack, self._marks.floor_pa(self._p))
        if lone and (k + 1 - suspicion.begun) * self._block_s >= self._p.bump_s - 1e-9:
            for tap in lone:
                self._health.tell_off(tap, k, suspicion)
            self._suspect = None
            self._marks.after_leak = max(self._marks.after_leak, k + 1)
            self._bank.rescale(self._health.change())
        return bool(lone)

    def _conclude(self, suspicion: Suspicion, k: int) -> None:
        self._suspect, self._marks.quiet = None, k + self._screen.fast_back
        weights, begun = self._health.weights, suspicion.begun
        known = self._blocks.known(begun, begun + 1)
        speed = suspicion.speed if known else None
        seen = suspicion.unmoved if suspicion.hidden else k
        fall = self._measured(suspicion, seen, speed)
        sudden = fall.fall_s <= (self._p.sudden_s if known else self._p.coast_s)
        least, most = self._p.min_drop if sudden else self._p.leak_drop, np.inf
        if known:
            least = min(least + (1.0 if sudden else 3.0) * self._doubt(suspicion, seen), max(least, _CLEAR))
        loaded = fall.from_pa > 0.5 * self._marks.floor_pa(self._p)
        # without the throttle a fall to nothing may as well be fans that were shut off
        named = known or (sudden and fall.drop < _NOTHING)
        if self._beside_a_cut(fall):  # a fan that brakes harder than its law does as much
            least, most = max(least, 2 * self._p.min_drop), _ALL_OF_IT
        if not (loaded and least <= fall.drop <= most and named) or self._is_part_of_a_leak(begun, fall):
            return
        self._marks.after_leak = self._marks.after_fall = k
        if self._ledger.went_on(fall, self._p):
            return
        confidence = min(1.0, fall.drop / (2 * self._p.min_drop))
        confidence *= (1.0 if known else 0.6) * (1.0 if np.count_nonzero(weights) > 1 else 0.85)
        kind = "seal-loss" if sudden else "slow-leak"
        self._ledger.tell(kind, fall, self._blocks.throttle(begun), confidence, k, speed)

    def _beside_a_cut(self, fall: Fall) -> bool:
        begun_s, bottom_s = self._last_cut
        return begun_s < fall.onset_s < bottom_s + self._block_s

    def _is_part_of_a_leak(self, begun: int, fall: Fall) -> bool:
        """Is it a step of a leak that is opening? That one is told as a whole."""
        leak = self._marks.opening
        return (
            leak is not None
            and leak.begun < begun < leak.bottom + 2 * FRAME
            and fall.drop < MOST_OF_IT * leak.drop
        )

    def _measured(self, suspicion: Suspicion, k: int, speed: Array | None) -> Fall:
        """Measure a fall that has settled; the seal index may show that it began before it was noticed."""
        weights, begun = self._health.weights, suspicion.begun
        creep = suspicion.creep(self._p)
        if creep is None:
            fall = self._closeup.measure(suspicion.ref0, k, begun, weights, speed)
            if fall.fall_s <= _HARDLY_SUDDEN * self._p.sudden_s:
                return fall
            before = begun - self._screen.reference
        else:
            fall, before = self._closeup.creeping(creep, weights), creep.begun
        since = max(self._marks.start, self._marks.after_leak)
        whole, opening = (
            self._closeup.seek_creep(since, k + 1, weights, self._p, sure=False),
            self._marks.opening,
        )
        if whole is not None and opening is not None and opening.begun >= since:
            whole = whole.following(opening)
        if whole is None or whole.sudden or whole.begun >= before:
            return fall
        return self._closeup.creeping(whole, weights)

    def _doubt(self, suspicion: Suspicion, k: int) -> float:
        """Share of the fall that a wrong fan law may have made: nothing while the throttle rests."""
        first = max(suspicion.ref0, self._blocks.first)
        ratio = self._bank.ratio(self._blocks.floats("speed_us", first, k + 1), suspicion.speed)
        return min(self._bank.error, float(np.abs(ratio - 1.0).max()))

    def _end_cut(self, k: int) -> None:
        cut, self._cut, self._marks.after_cut = self._cut, None, k
        assert cut is not None
        fall = self._closeup.measure(cut.ref0, k, cut.begun, self._health.weights)
        fall = self._closeup.dated_by_throttle(fall, cut.ref0, k)
        told = self._ledger.near(fall.onset_s, 0.2)
        # a heavy fan coasts for seconds after a pulse that fell at once
        sudden = min(fall.fall_s, self._closeup.pulse_fall_s(cut.ref0, k)) <= self._p.sudden_s
        if not fall.drop >= self._p.cut_drop or not sudden or told:
            return
        self._last_cut = fall.onset_s, fall.bottom_s
        self._ledger.tell("throttle-cut", fall, self._blocks.throttle(cut.begun), 1.0, k)
