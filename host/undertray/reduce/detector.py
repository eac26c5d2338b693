"""The one loss detector: fed live in pieces or with a whole run, it finds the same events."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from undertray.reduce.blocks import Blocks, Rows
from undertray.reduce.expectation import FanBank
from undertray.reduce.faults import TapFault, TapWatch
from undertray.reduce.losses import Loss, LossParameters
from undertray.reduce.onset import Fall, measure_fall
from undertray.reduce.screen import Noise, Screen, View
from undertray.reduce.suspicion import Suspicion, Verdict

__all__ = ["Detector"]

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]

_PIECE = 16384  # rows worked on at once: they stay in the processor's cache
_FRAME = 64  # blocks between two lessons for the fan bank
_HISTORY_S = 32.0
_RAW_S = 4.0
_BACK_S = 0.15  # suction that is back for this long is back
_MOST_OPEN = 16


@dataclass(slots=True)
class _Open:
    """A told event whose end is still looked for."""

    event: int
    since: int
    level_pa: float
    low_pa: float
    speed: Array
    by_throttle: bool
    tap: int | None = None
    streak: int = 0


@dataclass(slots=True)
class _Cut:
    """A fall that the throttle explains, until it has run out."""

    found: int
    ref0: int
    begun: int
    level_pa: float
    lowest: list[float]


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
        self._period_s, self._taps = period_s, taps
        self._names = tuple(tap_names or (f"p{i + 1}" for i in range(taps)))
        self._weights = np.ones(taps) if weights is None else np.asarray(weights, float)
        rows = max(1, round(p.block_s / period_s))
        self._block_s = rows * period_s
        self._bank = FanBank(self._block_s)
        self._rows = Rows(taps, round(_RAW_S / period_s))
        self._blocks = Blocks(taps, rows, round(_HISTORY_S / self._block_s), self._bank.lags)
        self._screen = Screen(p, self._blocks, self._bank, self._block_s)
        lost = max(2, int(p.gap_periods // rows) + 1)
        self._watch = TapWatch(taps, max(5, round(p.stuck_s / self._block_s)), lost)
        self._faulty: dict[int, set[str]] = {}
        self._tail: tuple[Array, Array, Array, Bools] | None = None
        self._last_row: Array | None = None
        self._last_t: float | None = None
        self._next = self._start = self._lessons = 0
        self._noise, self._top_pa = Noise(), 0.0
        self._suspect: Suspicion | None = None
        self._cut: _Cut | None = None
        self._after_fall = self._after_cut = 0
        self._open: list[_Open] = []
        self._events: list[Loss] = []
        self._alarms: list[Loss] = []
        self._told_faults: dict[tuple[int, str], int] = {}

    @property
    def fans(self) -> FanBank:
        """The fan laws as far as the run has narrowed them down."""
        return self._bank

    @property
    def events(self) -> tuple[Loss, ...]:
        """Events so far, in order of onset; an end still looked for is None."""
        return tuple(sorted(self._events, key=lambda e: (e.onset_s, e.kind)))

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
        self._lesson(self._blocks.end)
        return self.events

    # -- rows to blocks

    def _piece(self, t: Array, suction: Array, throttle: Array, beyond: Bools) -> None:
        before = t[0] if self._last_t is None else self._last_t
        step = np.diff(t, prepend=before)
        cuts = np.flatnonzero(step > self._p.gap_periods * self._period_s)
        start = 0
        for cut in [*cuts.tolist(), len(t)]:
            if cut > start:
                part = slice(start, cut)
                self._stretch(t[part], suction[part], throttle[part], beyond[part])
            if cut < len(t):
                self._gap(float(t[cut - 1] if cut else before), float(t[cut]))
            start = cut
        self._last_t = float(t[-1])

    def _stretch(self, t: Array, suction: Array, throttle: Array, beyond: Bools) -> None:
        row = self._rows.end
        self._rows.append(t, suction)
        if self._tail is not None:
            row -= len(self._tail[0])
            old = self._tail
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
        asked = columns["throttle_us"].astype(float)
        columns["speed_us"] = (
            np.zeros((len(asked), self._bank.lags)) if np.isnan(asked).any() else self._bank.follow(asked)
        )
        self._blocks.append(columns)
        while self._next < self._blocks.end:
            stop = min(self._blocks.end, (self._next // _FRAME + 1) * _FRAME)
            self._walk(self._next, stop)
            self._next = stop
            if stop % _FRAME == 0:
                self._lesson(stop)

    def _gap(self, last_s: float, next_s: float) -> None:
        self._break_off()
        level = self._level_at_end()
        self._events.append(Loss("data-gap", onset_s=last_s, bottom_s=last_s, end_s=next_s, from_pa=level))
        self._tail = self._last_row = None
        self._start = self._blocks.end

    def _level_at_end(self) -> float | None:
        k = self._blocks.end
        if k - self._start < 1:
            return None
        return float(self._screen.mean(k - 1, k, self._good())[0])

    # -- judging

    def _good(self) -> Array:
        weights = self._weights.copy()
        weights[[i for i, why in self._faulty.items() if why]] = 0.0
        total = float(weights.sum())
        return weights / total if total > 0 else self._weights / self._weights.sum()

    def _floor_pa(self) -> float:
        return max(self._p.min_level_pa, self._p.level_share * self._top_pa)

    def _walk(self, k: int, k1: int) -> None:
        while k < k1:
            since = (self._start, max(self._start, self._after_fall), max(self._start, self._after_cut))
            view = self._screen.look(k, k1, self._good(), self._noise, self._floor_pa(), since)
            k = self._judge(view, k, k1)

    def _judge(self, view: View, k: int, k1: int) -> int:
        """Go through the blocks of a view; stops early where the set of good taps changes."""
        explained: Array | None = None
        seen = k
        while k < k1:
            if self._suspect is None:
                self._suspect = self._suspicion(view, k)
                explained = None
            if self._cut is None:
                self._cut = self._new_cut(view, k)
            if self._suspect is None and self._cut is None:
                ahead = [int(a[a > k][0]) for a in (view.fell, view.cut) if (a > k).any()]
                k = min([*ahead, k1])
                continue
            now = float(view.now[k - view.lo])
            if self._suspect is not None:
                if explained is None:
                    seen = k
                    explained = self._screen.least_ratio(k, k1, self._suspect.speed)
                if self._try(k, now, float(explained[k - seen])):
                    return k + 1
            if self._cut is not None:
                self._follow_cut(k, now)
            k += 1
        return k1

    def _suspicion(self, view: View, k: int) -> Suspicion | None:
        if k < self._after_fall or not np.any(view.fell == k):
            return None
        # back from here to where the unexplained part began, then read "before" just ahead of that
        early = max(view.lo, self._start, self._after_fall, k + 1 - self._screen.slow_back)
        count = self._screen.reference
        near = max(early, k + 1 - self._screen.fast_back)
        begun = k
        for first in (near, early):
            level = float(np.median(view.mean[first - view.lo : first - view.lo + count]))
            speed = self._blocks.floats("speed_us", first, first + count).mean(axis=0)
            asked = level * self._screen.least_ratio(first, k + 1, speed)
            missing = 1 - view.mean[first - view.lo : k + 1 - view.lo] / np.maximum(asked, 1e-9)
            if missing[-1] < self._p.screen_drop / 2:
                continue
            held = np.flatnonzero(missing < 0.25 * missing[-1])
            begun = first + int(held[-1]) + 1 if held.size else first + 1
            break
        ref1 = max(view.lo + 1, begun - 1)
        ref0 = max(view.lo, self._start, ref1 - count)
        level = float(np.median(view.mean[ref0 - view.lo : ref1 - view.lo]))
        speed = self._blocks.floats("speed_us", ref0, ref1).mean(axis=0)
        return Suspicion(ref0, ref1, min(begun, k), level, self._noise.long_pa, self._block_s, speed)

    def _try(self, k: int, now: float, explained: float) -> bool:
        """Judge the suspicion by one block; True when the good taps changed."""
        suspect = self._suspect
        assert suspect is not None
        lone = self._lone(k, suspect, explained) if not suspect.accepted else ()
        if lone:
            if (k + 1 - suspect.begun) * self._block_s >= self._p.bump_s - 1e-9:
                for tap in lone:
                    self._tell_off(tap, k, suspect)
                self._suspect = None
                return True
            return False
        verdict = suspect.judge(k, now, explained, self._p)
        if verdict == Verdict.ALARM:
            self._alarms.append(
                Loss(
                    "seal-loss",
                    onset_s=self._blocks.time(suspect.begun),
                    bottom_s=self._blocks.time(k) + self._block_s,
                    from_pa=suspect.level_pa,
                    to_pa=now,
                    drop=1 - now / suspect.level_pa,
                )
            )
        elif verdict == Verdict.DROPPED:
            self._suspect = None
        elif verdict == Verdict.SETTLED:
            self._conclude(suspect, k)
        return False

    def _lone(self, k: int, suspect: Suspicion, explained: float) -> tuple[int, ...]:
        """Taps that alone read next to nothing while the others hold."""
        good = self._good()
        if (good > 0).sum() < 2:
            return ()
        last = self._blocks.floats("tap_pa", max(min(k, suspect.begun), k - 1), k + 1).mean(axis=0)
        before = np.median(self._blocks.floats("tap_pa", suspect.ref0, suspect.ref1), axis=0)
        share = np.divide(last, before, out=np.ones_like(last), where=before > self._p.min_level_pa)
        gone = (share < self._p.off_share * explained) & (good > 0)
        rest = np.where(gone, 0.0, good)
        if not gone.any() or rest.sum() <= 0:
            return ()
        held = (rest @ last) / max(rest @ before, 1e-9)
        slack = 3 * self._noise.short_pa / max(suspect.level_pa, 1e-9)
        touched = 1 - held / explained if explained > 0 else 1.0
        return tuple(np.flatnonzero(gone).tolist()) if touched < self._p.alone_share + slack else ()

    # -- telling

    def _measured(self, ref0: int, k: int, begun: int, good: Array) -> Fall:
        row0 = int(self._blocks.take("row", max(ref0, self._blocks.first), k)[0])
        row1 = int(self._blocks.take("row", k, k + 1)[0]) + self._blocks.rows
        taps = good > 0
        t, suction = self._rows.between(row0, row1)
        period = self._period_s
        if row0 < self._rows.first or not np.isfinite(suction[:, taps]).all():
            ok = np.isfinite(suction[:, taps]).all(axis=1)
            if row0 >= self._rows.first and ok.mean() > 0.7:
                t, suction = t[ok], suction[ok]
            else:
                ref0, period = max(ref0, self._blocks.first), self._block_s
                t = self._blocks.floats("t_s", ref0, k + 1) + self._block_s / 2
                suction = np.nan_to_num(self._blocks.floats("tap_pa", ref0, k + 1))
        index = np.flatnonzero(taps)
        fall = measure_fall(t, suction[:, taps], good[taps], self._blocks.time(begun), period)
        return replace(fall, order=tuple(int(index[i]) for i in fall.order))

    def _conclude(self, suspect: Suspicion, k: int) -> None:
        self._suspect = None
        self._after_fall = k
        good = self._good()
        fall = self._measured(suspect.ref0, k, suspect.begun, good)
        known = bool(self._blocks.take("known", suspect.begun, suspect.begun + 1)[0])
        drop = 1 - fall.to_pa / fall.from_pa if fall.from_pa > 0 else 0.0
        sudden = fall.fall_s <= (self._p.sudden_s if known else self._p.coast_s)
        if drop < self._p.min_drop or not (sudden or known):
            return
        kind = "seal-loss" if sudden else "slow-leak"
        clear = min(1.0, drop / (2 * self._p.min_drop))
        clear *= (1.0 if known else 0.6) * (1.0 if (good > 0).sum() > 1 else 0.85)
        self._tell(kind, fall, suspect.begun, drop, clear)
        self._watch_end(_Open(len(self._events) - 1, k, fall.from_pa, fall.to_pa, suspect.speed, known))

    def _tell(self, kind: str, fall: Fall, begun: int, drop: float, confidence: float) -> None:
        throttle = float(self._blocks.floats("throttle_us", begun, begun + 1)[0])
        names = tuple(self._names[i] for i in fall.order)
        self._events.append(
            Loss(
                kind,
                onset_s=fall.onset_s,
                bottom_s=fall.bottom_s,
                first_tap=names[0] if names else None,
                order=names,
                from_pa=fall.from_pa,
                to_pa=fall.to_pa,
                drop=drop,
                fall_s=fall.fall_s,
                throttle_us=throttle if np.isfinite(throttle) else None,
                confidence=round(confidence, 3),
            )
        )

    def _tell_off(self, tap: int, k: int, suspect: Suspicion) -> None:
        alone = np.zeros(self._taps)
        alone[tap] = 1.0
        fall = self._measured(suspect.ref0, k, suspect.begun, alone)
        fall = replace(fall, order=(tap,))
        drop = 1 - fall.to_pa / fall.from_pa if fall.from_pa > 0 else 0.0
        self._tell("sensor-fault", fall, suspect.begun, drop, 0.9)
        self._faulty.setdefault(tap, set()).add("off")
        event = len(self._events) - 1
        self._watch_end(_Open(event, k, fall.from_pa, fall.to_pa, suspect.speed, True, tap=tap))

    # -- falls that the throttle explains

    def _new_cut(self, view: View, k: int) -> _Cut | None:
        if k < self._after_cut or not np.any(view.cut == k):
            return None
        begun = k
        level = float(view.mean[max(0, k + 1 - self._screen.fast_back - view.lo)])
        early = max(view.lo, self._after_cut, k + 1 - self._screen.slow_back)
        top = view.mean[early - view.lo : k + 1 - view.lo]
        level = max(level, float(np.median(top[: max(1, len(top) // 2)])))
        above = np.flatnonzero(view.mean[: k + 1 - view.lo] >= 0.9 * level)
        begun = view.lo + int(above[-1]) + 1 if above.size else k
        ref0 = max(view.lo, self._start, self._after_cut, begun - 1 - self._screen.reference)
        return _Cut(k, ref0, min(begun, k), level, [])

    def _follow_cut(self, k: int, now: float) -> None:
        cut = self._cut
        assert cut is not None
        cut.lowest.append(now)
        look = max(2, round(0.2 / self._block_s))
        waited = len(cut.lowest) * self._block_s
        if waited < 2.0 and (
            len(cut.lowest) <= look or min(cut.lowest[-look:]) < min(cut.lowest[:-look]) - 0.02 * cut.level_pa
        ):
            return
        self._end_cut(k)

    def _end_cut(self, k: int) -> None:
        cut, self._cut = self._cut, None
        assert cut is not None
        self._after_cut = k
        fall = self._measured(cut.ref0, k, cut.begun, self._good())
        drop = 1 - fall.to_pa / fall.from_pa if fall.from_pa > 0 else 0.0
        near = any(
            e.kind in ("seal-loss", "slow-leak") and abs(e.onset_s - fall.onset_s) < 0.2
            for e in self._events[-4:]
        )
        if drop < self._p.cut_drop or fall.fall_s > self._p.sudden_s or near:
            return
        self._tell("throttle-cut", fall, cut.begun, drop, 1.0)
        none = np.zeros(self._bank.lags)
        self._watch_end(_Open(len(self._events) - 1, k, fall.from_pa, fall.to_pa, none, False))

    # -- once a frame: ends, faults, noise, the fan law

    def _watch_end(self, event: _Open) -> None:
        self._open = [*self._open, event][-_MOST_OPEN:]

    def _lesson(self, k1: int) -> None:
        k0, self._lessons = self._lessons, k1
        if k1 <= k0:
            return
        self._find_faults(k0, k1)
        good = self._good()
        self._open = [o for o in self._open if not self._ended(o, max(k0, self._start, o.since), k1, good)]
        held = max(self._start, self._blocks.first, k1 - self._screen.noise_blocks)
        mean = self._screen.mean(held, k1, good)
        measured = Noise.of(mean, self._screen.reference)
        if np.isfinite(measured.long_pa):
            self._noise = measured
        k0 = max(k0, self._start)
        frame = mean[max(k0 - held, 0) :]
        if not frame.size:
            return
        self._top_pa = max(self._top_pa * 0.998, float(np.median(frame)))
        leaking = any(o.tap is None and o.by_throttle for o in self._open)
        if not leaking and self._suspect is None and self._blocks.take("known", k0, k1).all():
            self._bank.learn(frame, self._blocks.floats("speed_us", k0, k1))

    def _ended(self, o: _Open, k0: int, k1: int, good: Array) -> bool:
        """Look for the end of an event in a frame."""
        if k1 <= k0:
            return False
        mean = self._screen.mean(k0, k1, good)
        level = np.full(k1 - k0, o.level_pa)
        if o.tap is not None:
            mean = self._blocks.floats("tap_pa", k0, k1)[:, o.tap]
        if o.by_throttle and self._blocks.take("known", k0, k1).all():
            level = level * self._bank.ratio(self._blocks.floats("speed_us", k0, k1), o.speed)
        left = (o.level_pa - o.low_pa) / o.level_pa
        back = (mean >= level * (1 - 0.3 * left)) & (level > max(0.25 * o.level_pa, self._floor_pa()))
        need = max(2, round(_BACK_S / self._block_s))
        for i, is_back in enumerate(back.tolist()):
            o.streak = o.streak + 1 if is_back else 0
            if o.streak >= need:
                end = self._blocks.time(max(k0 + i + 1 - need, self._blocks.first))
                event = self._events[o.event]
                self._events[o.event] = replace(event, end_s=max(end, event.bottom_s))
                if o.tap is not None:
                    self._faulty.get(o.tap, set()).discard("off")
                return True
        return False

    def _find_faults(self, k0: int, k1: int) -> None:
        flags = {
            name: self._blocks.take(name, k0, k1).astype(bool) for name in ("missing", "beyond", "frozen")
        }
        alive = self._screen.mean(k0, k1, self._good()) > self._floor_pa()
        together: dict[tuple[str, int], int] = {}
        for fault in self._watch.scan(k0, flags, alive):
            key = (fault.tap, fault.why)
            why = self._faulty.setdefault(fault.tap, set())
            if fault.end is not None:
                why.discard(fault.why)
                event = self._told_faults.pop(key, None)
                if event is not None:
                    end = self._blocks.time(fault.end)
                    self._events[event] = replace(self._events[event], end_s=end)
                continue
            if not why:
                index = together.get((fault.why, fault.start))
                self._told_faults[key] = self._tell_fault(fault, index)
                together[fault.why, fault.start] = self._told_faults[key]
            why.add(fault.why)

    def _tell_fault(self, fault: TapFault, index: int | None) -> int:
        name = self._names[fault.tap]
        if index is not None:
            event = self._events[index]
            self._events[index] = replace(event, order=(*event.order, name))
            return index
        k = max(fault.start, self._blocks.first)
        at = self._blocks.time(k)
        before = self._blocks.floats("tap_pa", max(k - 10, self._blocks.first, self._start), k)[:, fault.tap]
        level = float(np.mean(before)) if before.size and np.isfinite(before).all() else None
        to = None if fault.why == "missing" else float(self._blocks.floats("tap_pa", k, k + 1)[0, fault.tap])
        throttle = float(self._blocks.floats("throttle_us", k, k + 1)[0])
        self._events.append(
            Loss(
                "sensor-fault",
                onset_s=at,
                bottom_s=at,
                first_tap=name,
                order=(name,),
                from_pa=level,
                to_pa=to,
                throttle_us=throttle if np.isfinite(throttle) else None,
                confidence=0.9,
            )
        )
        return len(self._events) - 1

    def _break_off(self) -> None:
        """The rows end, or a gap begins: decide on what is under way."""
        suspect, k = self._suspect, self._blocks.end - 1
        if self._cut is not None and len(self._cut.lowest) > 1:
            self._end_cut(k)
        if suspect is not None and (suspect.accepted or suspect.alarmed):
            self._conclude(suspect, k)
        self._suspect, self._cut = None, None
