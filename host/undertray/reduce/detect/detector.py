"""The one loss detector: fed live in pieces or with a whole run, it finds the same events."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from undertray.reduce.detect.averages import Averages
from undertray.reduce.detect.blocks import Blocks
from undertray.reduce.detect.closeup import CloseUp
from undertray.reduce.detect.expectation import FanBank
from undertray.reduce.detect.falls import FallWatch
from undertray.reduce.detect.health import Health
from undertray.reduce.detect.ledger import Ledger
from undertray.reduce.detect.marks import Marks
from undertray.reduce.detect.review import Review
from undertray.reduce.detect.rows import Rows
from undertray.reduce.detect.screen import FRAME, Screen
from undertray.reduce.detect.seal import SealWatch
from undertray.reduce.detect.view import View
from undertray.reduce.loss import Loss, LossParameters

__all__ = ["Detector"]

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]

_PIECE = 16384  # rows worked on at once: they stay in the processor's cache
_HISTORY_S = 64.0
_RAW_S = 30.0
_ROUNDED_S = 1e-6
_NONE = np.zeros(0, np.int64)


class Detector:
    """Finds events in rows as they come.

    Parameters
    ----------
    period_s : float
        Sample period, s.
    taps : int
        Number of taps.
    parameters : LossParameters or None
        Thresholds.
    tap_names : sequence of str or None
        Names for the events; p1, p2, ... if left out.
    weights : array, shape (taps,), or None
        Weight of each tap in the mean; equal if left out.

    Notes
    -----
    Readings are averaged over blocks of 20 ms; every block is screened, on two time scales, for a
    fall that the throttle does not explain; a fall found is followed block by block until it has
    stood long enough to be no bump; only then are the raw rows looked at, for the onset to the
    sample. Everything is causal and counted from the first row, so the size of the pieces does
    not matter. An alarm is raised ``alarm_s`` after the onset plus at most one block. A second look,
    12 to 22 s later, adds losses that throttle work hid and takes back what was told too soon: until then
    an event may still change.
    """

    def __init__(
        self,
        period_s: float,
        taps: int,
        parameters: LossParameters | None = None,
        *,
        tap_names: Sequence[str] | None = None,
        weights: ArrayLike | None = None,
    ) -> None:
        p = self._p = parameters or LossParameters()
        # times are told in whole microseconds, and so is the period that was read off them
        self._longest_s = p.gap_periods * (period_s + _ROUNDED_S / 2) + _ROUNDED_S
        self._blind = period_s > p.longest_period_s
        period_s = min(period_s, p.longest_period_s)
        rows = max(1, round(p.block_s / period_s))
        self._block_s = rows * period_s
        self._bank = FanBank(self._block_s)
        self._rows = Rows(taps, round(_RAW_S / period_s))
        self._averages = Averages(taps, rows)
        self._blocks = Blocks(taps, rows, round(_HISTORY_S / self._block_s), self._bank.lags)
        self._screen = Screen(p, self._blocks, self._bank, self._block_s)
        closeup = CloseUp(self._rows, self._blocks, self._bank, period_s, self._block_s)
        self._ledger = Ledger(tap_names or [f"p{i + 1}" for i in range(taps)])
        self._health = Health(
            taps, weights, self._blocks, closeup, self._ledger, p, self._block_s, self._screen.slow_back
        )
        self._marks = Marks()
        parts = (self._blocks, self._bank, self._screen, closeup, self._ledger, self._health)
        self._falls = FallWatch(p, self._block_s, self._marks, *parts)
        self._seal = SealWatch(p, self._block_s, self._marks, *parts, self._falls)
        self._review = Review(
            p, self._block_s, self._marks, self._blocks, self._bank, closeup, self._ledger, self._health
        )
        self._tail: tuple[Array, Array, Array, Bools] | None = None
        self._last_row: Array | None = None
        self._last_s: float | None = None
        self._flagged = False

    @property
    def events(self) -> tuple[Loss, ...]:
        """Events so far, in order of onset; an end still looked for is None."""
        return self._ledger.events

    def feed(
        self,
        t_s: ArrayLike,
        suction_pa: ArrayLike,
        throttle_us: ArrayLike | None = None,
        out_of_range: ArrayLike | None = None,
    ) -> tuple[Loss, ...]:
        """Take in the next rows.

        Parameters
        ----------
        t_s : array, shape (k,)
            Time, s, not before the rows fed earlier.
        suction_pa : array, shape (k, taps)
            Suction, Pa; NaN where missing.
        throttle_us : array, shape (k,), or None
            Throttle pulse, µs; NaN where unknown.
        out_of_range : array of bool, shape (k, taps), or None
            Readings beyond the sensor's range.

        Returns
        -------
        tuple of Loss
            Alarms raised by these rows: falls under way that no throttle explains. An alarm that
            turns out to be a bump is not among the events in the end.
        """
        t, suction = np.asarray(t_s, float), np.asarray(suction_pa, float)
        throttle = np.full(len(t), np.nan) if throttle_us is None else np.asarray(throttle_us, float)
        size = _PIECE // self._blocks.rows * self._blocks.rows or self._blocks.rows
        beyond = None if out_of_range is None else np.asarray(out_of_range, bool)
        none = np.zeros((min(size, len(t)), suction.shape[1]), bool)
        self._falls.alarms = []
        row = self._rows.end
        self._rows.lend(t, suction, throttle)
        for a in range(0, len(t), size):
            part = slice(a, a + size)
            mask = none[: len(t) - a] if beyond is None else beyond[part]
            self._piece(t[part], suction[part], throttle[part], mask, row + a)
        self._rows.take_back()
        return tuple(self._falls.alarms)

    def finish(self) -> tuple[Loss, ...]:
        """Say that no more rows will come.

        Returns
        -------
        tuple of Loss
            All events, in order of onset. A fall still under way that has raised the alarm counts.
        """
        self._falls.break_off()
        self._seal.frame(None, self._blocks.end, self._flagged, last=True)
        self._review.frame(self._blocks.end, last=True)
        return self.events

    # -- rows to blocks

    def _piece(self, t: Array, suction: Array, throttle: Array, beyond: Bools, row: int) -> None:
        before = float(t[0]) if self._last_s is None else self._last_s
        step = np.diff(t, prepend=before)
        start = 0
        for cut in [*np.flatnonzero(step > self._longest_s).tolist(), len(t)]:
            if cut > start:
                part = slice(start, cut)
                if not self._blind:
                    self._stretch(t[part], suction[part], throttle[part], beyond[part], row + start)
            if cut < len(t):
                self._gap(float(t[cut - 1]) if cut else before, float(t[cut]))
            start = cut
        self._last_s = float(t[-1])

    def _stretch(self, t: Array, suction: Array, throttle: Array, beyond: Bools, row: int) -> None:
        old = self._tail
        if old is not None and len(old[0]):
            row -= len(old[0])
            t, suction = np.concatenate([old[0], t]), np.concatenate([old[1], suction])
            throttle, beyond = np.concatenate([old[2], throttle]), np.concatenate([old[3], beyond])
        whole = len(t) // self._blocks.rows * self._blocks.rows
        self._tail = (
            t[whole:].copy(),
            suction[whole:].copy(),
            throttle[whole:].copy(),
            beyond[whole:].copy(),
        )
        if not whole:
            return
        columns = self._averages.average(
            t[:whole], suction[:whole], throttle[:whole], beyond[:whole], self._last_row, row
        )
        self._last_row = suction[whole - 1].copy()
        first = self._blocks.end
        self._bank.follow(np.asarray(columns["throttle_us"], float), self._blocks.append(columns))
        missing, frozen, beyond = (np.asarray(columns[n], bool) for n in ("missing", "frozen", "beyond"))
        bad = missing | frozen | beyond
        flagged = np.flatnonzero(bad.any(axis=1)) + first if bad.any() else _NONE
        self._walk(first, self._blocks.end, flagged)

    def _walk(self, k: int, k1: int, flagged: NDArray[np.int64]) -> None:
        view, bad = self._survey(k, k1), set((flagged // FRAME).tolist())
        while k < k1:
            frame = k // FRAME
            stop = min(k1, (frame + 1) * FRAME)
            if self._falls.busy or frame in view.showing:
                self._falls.walk(view, k, stop)
                self._review.stir(stop)
            self._flagged |= frame in bad
            if stop % FRAME == 0:
                self._seal.frame(view, stop, self._flagged)
                self._review.frame(stop)
                self._flagged = False
            k = stop
            if self._health.weights is not view.weights and k < k1:
                view = self._survey(k, k1)

    def _survey(self, k0: int, k1: int) -> View:
        # the highest suction is forgotten by far less than a third within a piece
        least = max(self._p.min_level_pa, 0.7 * self._p.level_share * self._marks.top_pa)
        return self._screen.survey(k0, k1, self._health.weights, self._marks.start, least)

    def _gap(self, last_s: float, next_s: float) -> None:
        self._falls.break_off()
        k = self._blocks.end
        level = None
        if k > self._marks.start:
            level = float(self._screen.mean(k - 1, k, self._health.weights)[0])
        self._ledger.add(Loss("data-gap", onset_s=last_s, bottom_s=last_s, end_s=next_s, from_pa=level))
        self._tail = self._last_row = None
        self._marks.start = self._marks.after_leak = k
