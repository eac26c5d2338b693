"""Once a frame: what has ended, which taps are good, how loud it is, how the seal index stands."""

from __future__ import annotations

from collections import deque

import numpy as np
from numpy.typing import NDArray

from undertray.reduce.detect.blocks import Blocks
from undertray.reduce.detect.closeup import CloseUp
from undertray.reduce.detect.expectation import FanBank
from undertray.reduce.detect.falls import FallWatch
from undertray.reduce.detect.fanspeed import RESTING_US
from undertray.reduce.detect.health import Health
from undertray.reduce.detect.leak import Creep
from undertray.reduce.detect.ledger import Ledger
from undertray.reduce.detect.marks import Marks
from undertray.reduce.detect.noise import Noise
from undertray.reduce.detect.pending import BACK_S
from undertray.reduce.detect.screen import FRAME, Screen
from undertray.reduce.detect.view import Frame, View
from undertray.reduce.loss import LossParameters
from undertray.reduce.middle import middle

__all__ = ["SealWatch"]

Array = NDArray[np.float64]

_LOADED = 0.5  # share of the frame's largest expectation below which the lag says more than the seal
_IDLE = 0.1  # of the highest suction: noise over what is expected below that says nothing of the seal
_ALIKE = 0.02  # change of what is expected that leaves the fan law out of it
_NOISE_FRAMES = 6
_RESTING_FRAMES = 12  # while the throttle rests there is little to learn, once the school is over


class SealWatch:
    """Learns the fans' law and watches the suction against it.

    Parameters
    ----------
    parameters : LossParameters
        Thresholds.
    block_s : float
        Length of a block, s.
    marks : Marks
        How far back may be compared.
    blocks, bank, screen, closeup, ledger, health, falls
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
        falls: FallWatch,
    ) -> None:
        self._p, self._block_s, self._marks = parameters, block_s, marks
        self._blocks, self._bank, self._screen, self._closeup = blocks, bank, screen, closeup
        self._ledger, self._health, self._falls = ledger, health, falls
        self._held = 1 - 0.5 * parameters.leak_drop  # share of the index that is no sign of a leak
        self._need = max(2, round(BACK_S / block_s))
        self._taught = self._frame = 0
        # of the last frames: first block, suction over expected, expected
        self._index: deque[tuple[int, float, float]] = deque(maxlen=16)
        # of loaded frames: no index is higher; the lower of the last two, and the last
        self._highest, self._last_two, self._last_one = 0.0, 0.0, np.inf

    def frame(self, view: View | None, k1: int, flagged: bool, last: bool = False) -> None:
        """Take in the blocks since the last frame.

        Parameters
        ----------
        view : View or None
            The blocks as surveyed, where they were.
        k1 : int
            Block after the last.
        flagged : bool
            Whether any tap was missing, frozen or out of range in them.
        last : bool
            Whether the run ends here.
        """
        k0, self._taught = self._taught, k1
        self._frame += 1
        if k1 <= k0:
            return
        m, pending = self._marks, self._ledger.pending
        leaking = bool(pending) and self._ledger.leaking
        if self._health.scan(k0, k1, m, flagged):
            m.after_leak = max(m.after_leak, k1)
            self._bank.rescale(self._health.change())
        weights = self._health.weights
        if view is not None and view.weights is not weights:
            view = None  # surveyed with other taps
        k0 = max(k0, m.start)
        if pending:
            self._find_ends(k0, k1, weights, view)
        if k1 - k0 < 8:
            return
        if view is not None and k1 - k0 == FRAME:
            frame, mean = view.frames[k1], view.of(k0, k1)
        else:
            mean = self._screen.mean(k0, k1, weights)
            (frame,) = Frame.each(mean[None], self._blocks.floats("speed_us", k0, k1)[None, :, 0])
        m.top_pa = max(m.top_pa * 0.998, frame.middle_pa)
        if self._frame % _NOISE_FRAMES == 0 or m.noise.long_pa == np.inf:
            self._listen(k1, weights)
        if leaking:
            m.after_leak = max(m.after_leak, k1) if self._ledger.leaking else m.after_leak
        else:
            self._watch(frame, mean, k0, k1, last)

    def _watch(self, frame: Frame, mean: Array, k0: int, k1: int, last: bool) -> None:
        """Look for a slow leak in a frame, and learn from it where there is none."""
        weights = self._health.weights
        judged = self._blocks.judged(k0, k1, weights)
        # moments in which nothing is known hide no leak; but nothing is learned from them
        if judged is not None and not (judged[-1] and 2 * np.count_nonzero(judged) > len(judged)):
            return
        creeping = self._creeping(frame, k0, k1, weights, last)
        if judged is None and not (
            creeping or self._bored(frame) or self._falls.suspecting or self._sinking()
        ):
            self._bank.learn(mean, self._blocks.floats("speed_us", k0, k1))

    def _bored(self, frame: Frame) -> bool:
        """Is there little to learn? So it is while the throttle rests, or there is hardly any suction."""
        if frame.range_us < RESTING_US and self._frame % _RESTING_FRAMES and self._bank.schooled:
            return True
        return frame.highest_pa <= 2 * self._marks.floor_pa(self._p)

    def _listen(self, k1: int, weights: Array) -> None:
        held = max(self._marks.start, self._blocks.first, k1 - self._screen.noise_blocks)
        drive = None
        if not self._bank.settled(held, k1):
            drive = self._bank.drive(self._blocks.floats("speed_us", held, k1))
        mean = self._screen.mean(held, k1, weights)
        measured = Noise.of(mean, drive, self._screen.reference)
        if measured.long_pa < np.inf:
            self._marks.noise = measured

    def _find_ends(self, k0: int, k1: int, weights: Array, view: View | None) -> None:
        floor_pa, highest_pa = self._marks.floor_pa(self._p), np.inf
        if view is not None and k1 in view.frames:
            highest_pa = view.frames[k1].highest_pa
        for pending in list(self._ledger.pending):
            first = max(k0, pending.since)
            if first >= k1:
                continue
            if pending.tap is None and pending.speed is None and highest_pa < pending.back_pa(1.0, floor_pa):
                pending.streak = 0
                continue
            ratio = None
            if pending.speed is not None and self._blocks.known(first, k1):
                ratio = self._bank.ratio(self._blocks.floats("speed_us", first, k1), pending.speed)
            if pending.tap is None:
                seen = view is not None and view.lo <= first
                reading = view.of(first, k1) if view and seen else self._screen.mean(first, k1, weights)
            else:
                reading = self._blocks.floats("tap_pa", first, k1)[:, pending.tap]
            if pending.opens and ratio is not None:
                lower = pending.lower(reading, ratio)
                if lower is not None:
                    self._ledger.deepen(pending, lower[0], self._blocks.time(first + lower[1]))
            at = pending.back_for(reading, ratio, self._need, floor_pa)
            if at is not None:
                back = max(first + at, self._blocks.first)
                self._ledger.end(pending.event, self._blocks.time(back))
                self._ledger.pending.remove(pending)
                if pending.tap is not None:
                    self._health.restore(pending.tap, "off", back)

    def _fallen(self) -> bool:
        """A first look at the seal index, by whole frames: is it worth a closer one?"""
        since, least = self._marks.after_leak, _IDLE * self._marks.top_pa
        loaded = [(k, left) for k, left, expected in self._index if expected > least]
        self._highest = max([left for _, left in loaded], default=0.0)
        index = [left for k, left in loaded if k >= since]
        return len(index) > 1 and min(index[-2:]) < self._held * max(index)

    def _expected_pa(self, frame: Frame, k0: int, k1: int) -> float | None:
        """What the best law expects in a frame; None where it says more of the fan's lag than of the seal."""
        if frame.range_us < RESTING_US:
            return self._bank.expected_at(self._blocks.speed(k1 - 1, self._bank.lag))
        expected = self._bank.expected(self._blocks.floats("speed_us", k0, k1))
        return middle(expected) if expected.min() > _LOADED * expected.max() else None

    def _sinking(self) -> bool:
        """Did the suction fall at one and the same throttle? A leak is no lesson in what the fans give."""
        index = [(left, expected) for k, left, expected in self._index if k >= self._marks.after_leak]
        if not index:
            return False
        now, at = index[-1]
        alike = (left for left, expected in index if abs(expected - at) < _ALIKE * at)
        return now < self._held * max(alike)

    def _creeping(self, frame: Frame, k0: int, k1: int, weights: Array, last: bool) -> bool:
        """Watch the seal index for a slow leak; True while there may be one."""
        expected = self._expected_pa(frame, k0, k1)
        if expected is not None and expected > 0:
            left = frame.middle_pa / expected
            self._index.append((k0, left, expected))
            if expected > _IDLE * self._marks.top_pa:
                self._highest = max(self._highest, left)
                self._last_two, self._last_one = min(left, self._last_one), left
        k0 = max(self._marks.start, self._marks.after_leak, self._blocks.first)
        creep = None
        if self._last_two < self._held * self._highest and self._fallen():
            self._marks.sank = True
            creep = self._closeup.seek_creep(k0, k1, weights, self._p)
        opening = self._marks.opening
        if opening is not None and opening.begun < k0:
            opening = None  # told by another part, or too long ago
        if creep is not None and opening is not None:
            creep = creep.following(opening)
        self._marks.opening = creep
        if creep is None:
            if opening is not None:
                self._closed(opening, k0, k1, weights)
            return False
        if creep.still or last:
            self._marks.opening = None
            self._marks.after_leak = k1
            self._falls.drop_suspicion()
            self._tell(creep, k0, k1, weights)
        return True

    def _closed(self, creep: Creep, k0: int, k1: int, weights: Array) -> None:
        """Tell of a leak that closed, or was lost sight of, before it came to rest."""
        if creep.sudden:
            return
        self._marks.after_leak = creep.bottom
        self._tell(creep, k0, creep.bottom, weights)
        self._find_ends(creep.bottom, k1, weights, None)

    def _tell(self, creep: Creep, k0: int, k1: int, weights: Array) -> None:
        speed = self._blocks.floats("speed_us", creep.begun, creep.begun + 1)[0]
        if creep.sudden:
            # a loss that moving throttle hid: it has to be twice as clear
            ref0 = max(k0, creep.begun - 2 * self._screen.reference)
            fall = self._closeup.measure(ref0, min(creep.bottom + 50, k1 - 1), creep.begun, weights, speed)
            if not fall.drop >= 2 * self._p.min_drop or fall.fall_s > self._p.sudden_s:
                return
        else:
            fall = self._closeup.creeping(creep, weights)
        if self._ledger.went_on(fall, self._p):
            return
        kind, throttle = "seal-loss" if creep.sudden else "slow-leak", self._blocks.throttle(creep.begun)
        confidence = min(1.0, creep.drop / (2 * self._p.leak_drop))
        self._ledger.tell(kind, fall, throttle, confidence, k1, speed)
