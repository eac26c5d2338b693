"""The one loss detector: fed live in pieces or with a whole run, it finds the same events."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from undertray.reduce.blocks import Blocks, Rows
from undertray.reduce.closeup import CloseUp
from undertray.reduce.expectation import FanBank
from undertray.reduce.health import Health
from undertray.reduce.leak import find_creep
from undertray.reduce.ledger import Ledger, Pending
from undertray.reduce.losses import Loss, LossParameters
from undertray.reduce.screen import Noise, Screen, View
from undertray.reduce.suspicion import Cut, Suspicion, Verdict, suspect, suspect_cut

__all__ = ["Detector"]

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]

_PIECE = 16384  # rows worked on at once: they stay in the processor's cache
_FRAME = 64  # blocks between two lessons for the fan bank
_HISTORY_S = 32.0
_CREEP_S = 15.0
_RAW_S = 4.0
_BACK_S = 0.15  # suction that is back for this long is back


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
    not matter. An alarm is raised ``alarm_s`` after the onset plus at most one block.
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
        rows = max(1, round(p.block_s / period_s))
        self._period_s, self._block_s = period_s, rows * period_s
        self._bank = FanBank(self._block_s)
        self._rows = Rows(taps, round(_RAW_S / period_s))
        self._blocks = Blocks(taps, rows, round(_HISTORY_S / self._block_s), self._bank.lags)
        self._screen = Screen(p, self._blocks, self._bank, self._block_s)
        self._closeup = CloseUp(self._rows, self._blocks, self._bank, period_s, self._block_s)
        self._ledger = Ledger(tap_names or [f"p{i + 1}" for i in range(taps)])
        self._health = Health(
            taps, weights, self._blocks, self._ledger, p, self._block_s, self._screen.slow_back
        )
        self._tail: tuple[Array, Array, Array, Bools] | None = None
        self._last_row: Array | None = None
        self._last_s: float | None = None
        self._next = self._taught = 0  # first block not yet judged; not yet learned from
        # first block that may be compared with: after a gap, a loss, a cut; for the slow leak watch
        self._start = self._after_fall = self._after_cut = self._after_leak = 0
        self._quiet = 0  # first block that may be suspected
        self._noise, self._top_pa = Noise(), 0.0
        self._suspect: Suspicion | None = None
        self._cut: Cut | None = None
        self._alarms: list[Loss] = []

    @property
    def fans(self) -> FanBank:
        """The fan laws as far as the run has narrowed them down."""
        return self._bank

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
        beyond = None if out_of_range is None else np.asarray(out_of_range, bool)
        self._alarms = []
        for a in range(0, len(t), _PIECE):
            part = slice(a, a + _PIECE)
            mask = np.zeros(suction[part].shape, bool) if beyond is None else beyond[part]
            self._piece(t[part], suction[part], throttle[part], mask)
        return tuple(self._alarms)

    def finish(self) -> tuple[Loss, ...]:
        """Say that no more rows will come.

        Returns
        -------
        tuple of Loss
            All events, in order of onset. A fall still under way that has raised the alarm counts.
        """
        self._break_off()
        self._lesson(self._blocks.end, last=True)
        return self.events

    # -- rows to blocks

    def _piece(self, t: Array, suction: Array, throttle: Array, beyond: Bools) -> None:
        before = float(t[0]) if self._last_s is None else self._last_s
        step = np.diff(t, prepend=before)
        start = 0
        for cut in [*np.flatnonzero(step > self._p.gap_periods * self._period_s).tolist(), len(t)]:
            if cut > start:
                part = slice(start, cut)
                self._stretch(t[part], suction[part], throttle[part], beyond[part])
            if cut < len(t):
                self._gap(float(t[cut - 1]) if cut else before, float(t[cut]))
            start = cut
        self._last_s = float(t[-1])

    def _stretch(self, t: Array, suction: Array, throttle: Array, beyond: Bools) -> None:
        row = self._rows.end
        self._rows.append(t, suction)
        if self._tail is not None:
            old = self._tail
            row -= len(old[0])
            t, suction = np.concatenate([old[0], t]), np.concatenate([old[1], suction])
            throttle, beyond = np.concatenate([old[2], throttle]), np.concatenate([old[3], beyond])
        whole = len(t) // self._blocks.rows * self._blocks.rows
        self._tail = (t[whole:], suction[whole:], throttle[whole:], beyond[whole:])
        if not whole:
            return
        columns = self._blocks.average(
            t[:whole], suction[:whole], throttle[:whole], beyond[:whole], self._last_row, row
        )
        self._last_row = suction[whole - 1]
        columns["speed_us"] = self._bank.follow(np.asarray(columns["throttle_us"], float))
        self._blocks.append(columns)
        while self._next < self._blocks.end:
            stop = min(self._blocks.end, (self._next // _FRAME + 1) * _FRAME)
            self._walk(self._next, stop)
            self._next = stop
            if stop % _FRAME == 0:
                self._lesson(stop)

    def _gap(self, last_s: float, next_s: float) -> None:
        self._break_off()
        k = self._blocks.end
        level = float(self._screen.mean(k - 1, k, self._health.weights)[0]) if k > self._start else None
        self._ledger.add(Loss("data-gap", onset_s=last_s, bottom_s=last_s, end_s=next_s, from_pa=level))
        self._tail = self._last_row = None
        self._start = self._after_leak = k

    # -- judging

    def _floor_pa(self) -> float:
        return max(self._p.min_level_pa, self._p.level_share * self._top_pa, 8 * self._noise.short_pa)

    def _walk(self, k: int, k1: int) -> None:
        while k < k1:
            since = (self._start, max(self._start, self._after_fall), max(self._start, self._after_cut))
            view = self._screen.look(k, k1, self._health.weights, self._noise, self._floor_pa(), since)
            k = self._judge(view, k, k1)

    def _judge(self, view: View, k: int, k1: int) -> int:
        """Go through the blocks of a view; stops early where the set of good taps changes."""
        explained, seen = np.empty(0), k
        fell, cut = set(view.fell.tolist()), set(view.cut.tolist())
        while k < k1:
            if self._suspect is None and k in fell and k >= self._quiet:
                since = max(self._start, self._after_fall)
                self._suspect = suspect(view, k, since, self._screen, self._blocks, self._p)
                self._suspect.noise_pa, self._suspect.block_s = self._noise.long_pa, self._block_s
                seen, explained = k, self._screen.least_ratio(k, k1, view, np.array([self._suspect.ref0]))
            elif self._suspect is not None and not explained.size:
                seen, explained = k, self._screen.least_ratio(k, k1, view, np.array([self._suspect.ref0]))
            if self._cut is None and k in cut and k >= self._after_cut:
                self._cut = suspect_cut(view, k, self._screen, self._block_s)
            if self._suspect is None and self._cut is None:
                k = min((i for i in fell | cut if i > k), default=k1)
                continue
            now = float(view.now[k - view.lo])
            if self._suspect is not None and self._try(k, now, float(explained[k - seen])):
                return k + 1
            if self._cut is not None and self._cut.over(now):
                self._end_cut(k)
            k += 1
        return k1

    def _try(self, k: int, now: float, explained: float) -> bool:
        """Judge the suspicion by one block; True when the good taps changed."""
        suspicion = self._suspect
        assert suspicion is not None
        if not suspicion.accepted:
            slack = 3 * self._noise.short_pa / max(suspicion.level_pa, 1e-9)
            lone = self._health.lone(k, suspicion, explained, slack, self._floor_pa())
            if lone and (k + 1 - suspicion.begun) * self._block_s >= self._p.bump_s - 1e-9:
                for tap in lone:
                    self._health.tell_off(tap, k, suspicion, self._closeup)
                self._suspect = None
                self._resized(k + 1)
            if lone:
                return self._suspect is None
        else:
            # how deep it gets is judged by what the fans most likely give, not by the least they promise
            speed = self._blocks.floats("speed_us", k, k + 1)
            known = bool(self._blocks.take("known", k, k + 1)[0])
            explained = float(self._bank.ratio(speed, suspicion.speed)[0]) if known else 1.0
        verdict = suspicion.judge(k, now, explained, self._p)
        if verdict == Verdict.ALARM:
            onset, drop = self._blocks.time(suspicion.begun), 1 - now / suspicion.level_pa
            reached = self._blocks.time(k) + self._block_s
            self._alarms.append(
                Loss("seal-loss", onset, reached, from_pa=suspicion.level_pa, to_pa=now, drop=drop)
            )
        elif verdict == Verdict.DROPPED:
            self._suspect = None
        elif verdict == Verdict.SETTLED:
            self._conclude(suspicion, k)
        return False

    def _conclude(self, suspicion: Suspicion, k: int) -> None:
        self._suspect, self._quiet = None, k + self._screen.fast_back
        weights, begun = self._health.weights, suspicion.begun
        known = bool(self._blocks.take("known", begun, begun + 1)[0])
        speed = suspicion.speed if known else None
        creep = suspicion.creep(self._p)
        if creep is None:
            fall = self._closeup.measure(suspicion.ref0, k, begun, weights, speed)
        else:
            fall = self._closeup.creeping(creep, weights)
        sudden = fall.fall_s <= (self._p.sudden_s if known else self._p.coast_s)
        if fall.drop < self._p.min_drop or not (sudden or known):
            return
        self._after_leak = self._after_fall = k
        confidence = min(1.0, fall.drop / (2 * self._p.min_drop))
        confidence *= (1.0 if known else 0.6) * (1.0 if np.count_nonzero(weights) > 1 else 0.85)
        throttle = float(self._blocks.floats("throttle_us", begun, begun + 1)[0])
        pending = Pending(0, k, fall.from_pa, fall.to_pa, speed)
        self._ledger.tell("seal-loss" if sudden else "slow-leak", fall, throttle, confidence, pending)

    def _end_cut(self, k: int) -> None:
        cut, self._cut, self._after_cut = self._cut, None, k
        assert cut is not None
        fall = self._closeup.measure(cut.ref0, k, cut.begun, self._health.weights)
        told = self._ledger.near(fall.onset_s, 0.2)
        if fall.drop < self._p.cut_drop or fall.fall_s > self._p.sudden_s or told:
            return
        throttle = float(self._blocks.floats("throttle_us", cut.begun, cut.begun + 1)[0])
        pending = Pending(0, k, fall.from_pa, fall.to_pa, None)
        self._ledger.tell("throttle-cut", fall, throttle, 1.0, pending)

    def _break_off(self) -> None:
        """The rows end, or a gap begins: decide on what is under way."""
        suspicion, k = self._suspect, self._blocks.end - 1
        if suspicion is not None and (suspicion.accepted or suspicion.alarmed):
            self._conclude(suspicion, k)
        if self._cut is not None and len(self._cut.lowest) > 1:
            self._end_cut(k)
        self._suspect, self._cut = None, None

    # -- once a frame: faults, ends, noise, slow leaks, the fan law

    def _lesson(self, k1: int, last: bool = False) -> None:
        k0, self._taught = self._taught, k1
        if k1 <= k0:
            return
        leaking = self._ledger.leaking
        floor = self._floor_pa()
        if self._health.scan(k0, k1, floor):
            self._resized(k1)
        weights = self._health.weights
        self._find_ends(max(k0, self._start), k1, weights, floor)
        held = max(self._start, self._blocks.first, k1 - self._screen.noise_blocks)
        mean = self._screen.mean(held, k1, weights)
        drive = self._bank.drive(self._blocks.floats("speed_us", held, k1))
        measured = Noise.of(mean, drive, self._screen.reference)
        self._noise = measured if np.isfinite(measured.long_pa) else self._noise
        frame = mean[max(max(k0, self._start) - held, 0) :]
        if len(frame) < _FRAME // 8:
            return
        self._top_pa = max(self._top_pa * 0.998, float(np.median(frame)))
        k0 = k1 - len(frame)
        if leaking or self._ledger.leaking or not self._blocks.take("known", k0, k1).all():
            self._after_leak = max(self._after_leak, k1 if self._ledger.leaking else 0)
            return
        creeping = self._creeping(k1, weights, last)
        if not creeping and self._suspect is None and frame.max() > 2 * self._floor_pa():
            self._bank.learn(frame, self._blocks.floats("speed_us", k0, k1))

    def _find_ends(self, k0: int, k1: int, weights: Array, floor_pa: float) -> None:
        need = max(2, round(_BACK_S / self._block_s))
        for pending in list(self._ledger.pending):
            first = max(k0, pending.since)
            if first >= k1:
                continue
            ratio = None
            if pending.speed is not None and self._blocks.take("known", first, k1).all():
                ratio = self._bank.ratio(self._blocks.floats("speed_us", first, k1), pending.speed)
            if pending.tap is None:
                reading = self._screen.mean(first, k1, weights)
            else:
                reading = self._blocks.floats("tap_pa", first, k1)[:, pending.tap]
            at = pending.back_for(reading, ratio, need, floor_pa)
            if at is not None:
                back = max(first + at, self._blocks.first)
                self._ledger.end(pending.event, self._blocks.time(back))
                self._ledger.pending.remove(pending)
                if pending.tap is not None:
                    self._health.restore(pending.tap, "off", back)

    def _creeping(self, k1: int, weights: Array, last: bool) -> bool:
        """Watch the seal index for a slow leak; True while there may be one."""
        k0 = max(self._start, self._after_leak, self._blocks.first, k1 - round(_CREEP_S / self._block_s))
        speeds = self._blocks.floats("speed_us", k0, k1)
        error = self._bank.calm_error
        if error > 0.2:
            return False
        mean = self._screen.mean(k0, k1, weights)
        creep = find_creep(k0, mean, self._bank.drive(speeds), error, self._p)
        if creep is None or not (creep.still or last):
            return creep is not None
        self._after_leak, self._suspect = k1, None
        speed = self._blocks.floats("speed_us", creep.begun, creep.begun + 1)[0]
        if creep.sudden:
            ref0 = max(k0, creep.begun - 2 * self._screen.reference)
            fall = self._closeup.measure(ref0, min(creep.bottom + 50, k1 - 1), creep.begun, weights, speed)
            if fall.drop < 2 * self._p.min_drop or fall.fall_s > self._p.sudden_s:
                return True
        else:
            fall = self._closeup.creeping(creep, weights)
        throttle = float(self._blocks.floats("throttle_us", creep.begun, creep.begun + 1)[0])
        pending = Pending(0, k1, fall.from_pa, fall.to_pa, speed)
        confidence = min(1.0, creep.drop / (2 * self._p.leak_drop))
        self._ledger.tell("seal-loss" if creep.sudden else "slow-leak", fall, throttle, confidence, pending)
        return True

    def _resized(self, k: int) -> None:
        """The mean is over other taps from block k on: nothing before it is comparable."""
        self._after_leak = max(self._after_leak, k)
        self._bank.rescale(self._health.change())
