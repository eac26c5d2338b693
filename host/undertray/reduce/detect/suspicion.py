"""One suspected fall from the first sign to the verdict."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from undertray.reduce.detect.blocks import Blocks
from undertray.reduce.detect.leak import Creep
from undertray.reduce.detect.screen import Screen
from undertray.reduce.detect.view import View
from undertray.reduce.loss import LossParameters
from undertray.reduce.middle import middle

__all__ = ["Outlook", "Suspicion", "Verdict", "suspect"]

Array = NDArray[np.float64]

_BACK = 0.5  # a fall that has come back by more than this share is over
_STANDS = 0.6  # ... and stands while it is still this deep
_LOST_SIGHT = 0.35  # throttle closed this far: what the leak does can no longer be told apart
_LONGEST_S = 12.0
_UNEXPLAINED_SD = 3.0  # the fall has to stand out of the noise; its unexplained part by this much
_TWICE = 2.0
_UNMOVED = 0.9
_MOVED_US = 15.0


@dataclass(frozen=True, slots=True)
class Outlook:
    """What blocks are judged by while a loss is suspected.

    Attributes
    ----------
    begin, end : int
        First block, and the block after the last.
    least, likely : list of float
        For each, the lowest share of the suction before that the throttle explains, and what it most
        likely asks for.
    lone : bool
        Whether any tap reads so little that it may be off its hose.
    """

    begin: int
    end: int
    least: list[float]
    likely: list[float]
    lone: bool


class Verdict:
    """What a block says of a suspicion."""

    WAIT = 0
    DROPPED = 1
    ALARM = 2
    ACCEPTED = 3
    SETTLED = 4


@dataclass(slots=True)
class Suspicion:
    """A fall under suspicion, judged block by block.

    Attributes
    ----------
    ref0, ref1 : int
        Blocks that "before" is read from: first, and after the last.
    begun : int
        Block in which the fall shows first.
    level_pa : float
        Mean suction before.
    noise_pa : float
        Standard deviation of a mean over the reference's length.
    block_s : float
        Length of a block, s.
    speed : ndarray, shape (lags,)
        Fan speeds before.
    found : int
        Block in which the screen saw it.
    law_error : float
        Relative error of the most likely fan law.
    unmoved : int
        Last block in which the throttle asked for about as much as before.
    hidden : bool
        The throttle was closed on it: what it does now cannot be told.
    """

    ref0: int
    ref1: int
    begun: int
    level_pa: float
    noise_pa: float
    block_s: float
    speed: Array
    found: int
    law_error: float = 1.0
    deepest: float = 0.0
    alarmed: bool = False
    accepted: bool = False
    faulty: tuple[int, ...] = ()
    depth: list[float] = field(default_factory=list)
    accepted_at: int = 0
    unmoved: int = 0
    hidden: bool = False

    def judge(self, k: int, now_pa: float, least: float, likely: float, p: LossParameters) -> int:
        """Take in one block.

        Parameters
        ----------
        k : int
            Its number.
        now_pa : float
            Mean suction of it and the one before, Pa.
        least, likely : float
            Lowest share of the level that the throttle explains, and what it most likely asks for.
        p : LossParameters
            Thresholds.

        Returns
        -------
        int
            One of the :class:`Verdict` values.

        Notes
        -----
        Only what falls below the least counts as lost. Whether it still stands is judged by the
        likely one too: throttle that is opened lifts the suction, and mends no seal. Twice the
        least drop missing by the likely one counts as lost too, once the law is known to 10 %.
        """
        missing = 1.0 - now_pa / max(self.level_pa * least, 1e-9)
        lack = 1.0 - now_pa / max(self.level_pa * likely, 1e-9)
        if likely > _UNMOVED:
            self.unmoved = k
        if self.accepted:
            self.depth.append(lack)
            self.deepest = max(self.deepest, lack)
            return self._settled(k, lack, likely)
        stands = max(missing, lack) if self.law_error < 0.1 else missing
        self.depth.append(missing)
        self.deepest = max(self.deepest, missing)
        elapsed = (k + 1 - self.begun) * self.block_s
        over = stands < _BACK * self.deepest or stands < p.screen_drop / 2
        if over and likely <= _UNMOVED and self._closed_on(now_pa, p):
            self.hidden = True
            return Verdict.SETTLED
        if over or elapsed > 2.0 or (missing < 0 and self.deepest < p.min_drop):
            return Verdict.DROPPED
        fallen_pa = self.level_pa - now_pa
        clear = missing >= p.min_drop and fallen_pa > p.noise_factor * self.noise_pa
        clear &= missing * self.level_pa * least > _UNEXPLAINED_SD * self.noise_pa
        firm = stands >= _STANDS * self.deepest or elapsed >= 2 * p.bump_s
        opened = lack >= _TWICE * p.min_drop and self.deepest >= p.min_drop and self.law_error < 0.1
        opened &= elapsed >= 2 * p.bump_s
        if elapsed >= p.bump_s - 1e-9 and firm and ((clear and self._lately() >= p.min_drop) or opened):
            self.accepted, self.accepted_at = True, k
            return Verdict.ACCEPTED
        if not self.alarmed and elapsed >= p.alarm_s - 1e-9 and clear and firm:
            self.alarmed = True
            return Verdict.ALARM
        return Verdict.WAIT

    def _closed_on(self, now_pa: float, p: LossParameters) -> bool:
        """Is it over only because the throttle was closed on it, after it had stood for the alarm?"""
        stood = (self.unmoved + 1 - self.begun) * self.block_s >= p.alarm_s - 1e-9
        return self.alarmed and stood and 1.0 - now_pa / self.level_pa >= _STANDS * self.deepest

    def _lately(self) -> float:
        recent = self.depth[-max(1, round(0.1 / self.block_s)) :]
        return sum(recent) / len(recent)

    def creep(self, p: LossParameters) -> Creep | None:
        """The course of a settled fall, where it was a slow one.

        Parameters
        ----------
        p : LossParameters
            Thresholds.

        Returns
        -------
        Creep or None
            None for a sudden fall: half of it came at once, or all of it within the time that
            makes a fall sudden.
        """
        width = max(1, round(0.3 / self.block_s))
        if len(self.depth) < 2 * width:
            return None
        course = np.median(np.lib.stride_tricks.sliding_window_view(self.depth, width), axis=1)
        final = float(course[-1])
        bottom = self.found + int(np.argmax(course >= 0.9 * final)) + width // 2
        at_once = self.begun + width - self.found
        early = float(course[at_once]) if 0 <= at_once < len(course) else 0.0
        if early >= max(0.5 * final, p.min_drop) or (bottom - self.begun) * self.block_s <= p.sudden_s / 0.8:
            return None
        return Creep(self.begun, bottom, 1.0, final, still=True, sudden=False)

    def _settled(self, k: int, missing: float, explained: float) -> int:
        deep = next(i for i, d in enumerate(self.depth) if d >= 0.9 * self.deepest)
        slow = (self.found + deep - self.begun) * self.block_s > 0.3
        look = max(1, round((1.0 if slow else 0.3) / self.block_s))
        waited = (k - self.accepted_at) * self.block_s
        self.hidden = explained < _LOST_SIGHT and self.unmoved > self.begun
        if explained < _LOST_SIGHT or missing < _BACK * self.deepest or waited > _LONGEST_S:
            return Verdict.SETTLED
        if waited < 0.15 or len(self.depth) <= look:
            return Verdict.WAIT
        half = max(1, look // 2)
        deeper = middle(self.depth[-half:]) - middle(self.depth[-look:-half] or self.depth[-look:])
        return Verdict.WAIT if deeper > 0.02 else Verdict.SETTLED


def suspect(view: View, k: int, since: int, screen: Screen, blocks: Blocks, p: LossParameters) -> Suspicion:
    """Trace a fall back to where its unexplained part began, and read "before" just ahead of that.

    Parameters
    ----------
    view : View
        What the screen saw.
    k : int
        Block in which it saw the fall.
    since : int
        First block that may be compared with.
    screen : Screen
        The screen.
    blocks : Blocks
        The blocks.
    p : LossParameters
        Thresholds.

    Returns
    -------
    Suspicion
        Its noise is still to be filled in.
    """
    count = screen.reference
    early = max(view.lo, since, k + 1 - screen.slow_back)
    begun = k
    for first in (max(early, k + 1 - screen.fast_back), early):
        until = min(first + count, k + 1)
        level, course = middle(view.of(first, until)), view.of(first, k + 1).tolist()
        least = screen.least_after(view, first, until, k, first, k + 1)
        missing = [1 - now / max(level * share, 1e-9) for now, share in zip(course, least, strict=True)]
        if missing[-1] >= p.screen_drop / 2:
            held = [i for i, share in enumerate(missing) if share < 0.25 * missing[-1]]
            begun = first + (held[-1] if held else 0) + 1
            break
    begun = min(begun, k)
    ref1 = max(view.lo + 1, begun - 1)
    throttle = blocks.floats("throttle_us", max(view.lo, ref1 - count), ref1)
    if throttle.max() - throttle.min() > _MOVED_US:
        count = max(2, count // 4)  # "before" moves: read it close by
    ref0 = max(view.lo, since, ref1 - count)
    if ref0 >= ref1:
        ref0 = ref1 - 1
    speed = np.full(ref1 - ref0, 1 / (ref1 - ref0)) @ blocks.floats("speed_us", ref0, ref1)
    return Suspicion(ref0, ref1, begun, middle(view.of(ref0, ref1)), np.inf, 1.0, speed, k)
