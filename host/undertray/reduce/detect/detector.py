"""The detector: rows in, alarms and events out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike

from undertray.quantiles import middle
from undertray.reduce.detect.alarm import LOUD, REACH, REF, find_fall
from undertray.reduce.detect.blocks import FRAME, Array, Blocks
from undertray.reduce.detect.eventlist import LEAD, Entry, Told, came_back, find_cuts, measure
from undertray.reduce.detect.explain import AFTER, BEFORE, SIZE, Explanation, Window, explain
from undertray.reduce.detect.fanmodel import RUN_IN, Fan, FanRun
from undertray.reduce.detect.leak import TOGETHER, Leak, Sections
from undertray.reduce.detect.taps import AHEAD, Fault, Taps
from undertray.reduce.loss import LOSS_KINDS, Loss, LossParameters

__all__ = ["Detector"]

_LAG = 4  # frames between a frame and its judgement: 10 s
_KEEP = 2  # frames that were judged whose rows are kept
_LEVEL = 12  # blocks before a fall that its level is read from
_LATELY = 100  # blocks within which the throttle asked for the most
_FEW, _TOGETHER = 8, 128  # frames that are prepared at once after a lesson, and later where they are there
_EACH = TOGETHER // FRAME
_MOVED_US = 25.0  # by which a throttle is lower behind a hole of the rows
_SAME_S = 0.12  # two falls that begin closer are one
_AGAIN_S = 1.0  # after an alarm
_CUTS_S = 0.25  # two cuts that begin closer are one
_LEAKS_S = 5.0  # two leaks that begin closer are one
_FOLLOWED = 16  # losses whose end is looked for


class Detector:
    """Finds events in rows as they come.

    Parameters
    ----------
    period_s : float
        Sample period, s.
    taps : int
        Number of taps.
    parameters : LossParameters or None
        What to go by.
    tap_names : sequence of str or None
        Names for the events; p1, p2, ... if left out.
    weights : array, shape (taps,), or None
        Weight of each tap in the mean; equal if left out.
    alarms : bool
        Whether :meth:`feed` looks for alarms; the events are the same either way.
    span_s : float
        Length of the run as far as it is known, s: to make room for it once.

    Notes
    -----
    One test, live and afterwards. Rows go into blocks, blocks into frames of 128. A frame is prepared as soon
    as 48 more blocks are there: taps are judged by one another, the fan learns from throttle work, and what
    the fan does not explain is marked. It is judged four frames later (at the end of the run at once), when
    it is known what came after: a window round it is explained by competing pieces (:mod:`explain`). So an
    event stands some 13 s after its onset at the latest; alarms come within 0.1 s, and are no events yet.
    Everything is counted from the first row: the size of the pieces does not matter. What is told goes into a
    list that only grows, where an end that is seen later is a revision.
    """

    def __init__(
        self,
        period_s: float,
        taps: int,
        parameters: LossParameters | None = None,
        *,
        tap_names: Sequence[str] | None = None,
        weights: ArrayLike | None = None,
        alarms: bool = True,
        span_s: float = 80.0,
    ) -> None:
        p = self._p = parameters or LossParameters()
        # times are told in whole microseconds, and so is the period that was read off them
        gap_s = p.gap_periods * (period_s + 5e-7) + 1e-6
        self._blind = period_s > p.longest_period_s
        block_s = max(p.block_s, period_s)
        outage_s = max(p.outage_s, 2 * gap_s)
        room = int(span_s / block_s) + 2 * FRAME
        self._blocks = Blocks(taps, period_s, block_s, gap_s, outage_s, room)
        self._names = list(tap_names or [f"p{i + 1}" for i in range(taps)])
        share = np.ones(taps) if weights is None else np.asarray(weights, float)
        self._weights: Array = share / share.sum() if share.sum() > 0 else np.full(taps, 1 / taps)
        self._fans = FanRun(self._blocks, p)
        self._taps = Taps(self._blocks, self._weights, p)
        self._sections = Sections(self._blocks)
        self._told = Told()
        self._prepared = self._judged = 0
        self._marked: set[int] = set()
        self._closing: set[int] = set()
        self._stride = _FEW
        self._faults: dict[int, int] = {}
        self._gaps = 0
        self._refs: dict[int, float] = {}
        self._watched, self._quiet_until, self._young, self._alarms_on = 0, 0, -2, alarms

    @property
    def fan(self) -> Fan:
        """The fan as it is learned from the run."""
        return self._fans.fan

    @property
    def events(self) -> tuple[Loss, ...]:
        """Events so far, in order of onset; an end still looked for is None."""
        return self._told.events

    @property
    def entries(self) -> tuple[Entry, ...]:
        """The list of what was told and revised, and of alarms, in the order that happened."""
        return self._told.entries

    @property
    def rings(self) -> tuple[int, int]:
        """Alarms so far, and those of them that no loss confirmed."""
        return self._told.rung, self._told.withdrawn

    def feed(
        self,
        t_s: ArrayLike,
        suction_pa: ArrayLike,
        throttle_us: ArrayLike | None = None,
        out_of_range: ArrayLike | None = None,
    ) -> tuple[Loss, ...]:
        """Take in the next rows."""
        t, suction = np.asarray(t_s, float), np.asarray(suction_pa, float)
        throttle = np.full(len(t), np.nan) if throttle_us is None else np.asarray(throttle_us, float)
        beyond = np.zeros(suction.shape, bool) if out_of_range is None else np.asarray(out_of_range, bool)
        self._blocks.feed(t, suction, throttle, beyond)
        return self._advance(last=False)

    def finish(self) -> tuple[Loss, ...]:
        """Say that no more rows will come."""
        self._blocks.flush()
        self._advance(last=True)
        return self.events

    # -- frame by frame

    def _advance(self, last: bool) -> tuple[Loss, ...]:
        blocks = self._blocks
        for gap in blocks.gaps[self._gaps :]:
            self._told.add(Loss("data-gap", gap.begin_s, gap.begin_s, gap.end_s))
        self._gaps = len(blocks.gaps)
        if self._blind:
            blocks.forget(blocks.size)
            return ()
        raised: list[Loss] = []
        while self._prepared < (ready := (blocks.size - AHEAD) // FRAME) or (
            last and self._prepared * FRAME < blocks.size
        ):
            f = self._prepared
            # an alarm goes by what was known when its frame came: then one after the other
            most = 1 if self._alarms_on else min(max(ready - f, 1), _TOGETHER)
            self._watch((f + 1) * FRAME + AHEAD, raised)
            count, changed = self._taps.examine(f, f + most, self._first(f * FRAME), self._fans.law)
            self._marked.update(range(changed // FRAME, f))
            while self._prepared < f + count:
                # a lesson changes what the fan should give in all that follows
                now, until = self._prepared, min(f + count, self._prepared + self._stride)
                some, closing, marked = self._fans.prepare(now, until, self._taps.floors_pa[now:until])
                self._closing.update(closing)
                self._marked.update(marked)
                self._stride = _FEW if self._fans.teaches >= 0 else min(2 * self._stride, _TOGETHER)
                self._prepared += some
                self._judge_up_to(self._prepared - _LAG, False)
        self._watch(blocks.size, raised)
        blocks.forget((self._judged - _KEEP) * FRAME)
        if last:
            self._judge_up_to(self._prepared, True)
        return tuple(raised)

    def _floor_pa(self, f: int | None = None) -> float:
        """Suction below which there is nothing to lose, when a frame is judged."""
        floors = self._taps.floors_pa
        f = self._judged + _LAG if f is None else f
        return floors[min(f, len(floors) - 1)] if floors else self._p.min_level_pa

    def _first(self, k: int) -> int:
        """First block of the stretch of a block."""
        return int(self._blocks.stretch[: self._blocks.size].searchsorted(self._blocks.stretch[k]))

    # -- a frame is judged

    def _judge_up_to(self, end: int, last: bool) -> None:
        """Judge the frames before one; the fan is known as well for all of them."""
        first = self._judged // _EACH
        floors = [
            self._floor_pa(min(g * _EACH + _EACH, end) - 1 + _LAG) for g in range(first, -(-end // _EACH))
        ]
        whole = end if last else end // _EACH * _EACH
        if whole > first * _EACH:
            self._sections.extend(min(whole * FRAME, self._blocks.size), self._fans.fan, np.array(floors))
        while self._judged < end:
            self._judge(self._judged, last and self._judged + 1 == end)
            self._judged += 1

    def _judge(self, f: int, final: bool) -> None:
        blocks, p = self._blocks, self._p
        k0, k1 = f * FRAME, min((f + 1) * FRAME, blocks.size)
        if f in self._closing:
            self._closing.discard(f)
            for cut in find_cuts(self._fans, k0, k1, max(p.min_level_pa, self._floor_pa() / 2)):
                # a frame may end in the middle of one
                if all(cut.onset_s - e.onset_s > _CUTS_S for _, e in self._told.of_kind(cut.kind)):
                    self._told.add(cut)
        if f in self._marked:
            self._marked.discard(f)
            self._explain(f)
        self._tell_faults(k1, final)
        self._follow(k0, k1)
        self._told.answer(np.inf if final else float(blocks.t_s[k0]))
        if f % _EACH == _EACH - 1 or final:
            leak = self._sections.seek(k1, self._fans.fan, [e for _, e in self._told.of_kind("seal-loss")], p)
            if leak is not None and (leak.ended or final):
                self._tell_leak(leak)

    def _explain(self, f: int) -> None:
        blocks = self._blocks
        a, b = f * FRAME - BEFORE, (f + 1) * FRAME + AFTER
        at = np.arange(a, b)
        inside = (at >= 0) & (at < blocks.size)
        at = np.clip(at, 0, blocks.size - 1)
        inside &= blocks.stretch[at] == blocks.stretch[f * FRAME]
        pa = np.where(inside, blocks.mean_pa[at], np.nan)
        seen = np.isfinite(pa)
        if not seen.any():
            return
        known = blocks.known[at] & inside
        # in a hole of the rows a fan whose throttle is no lower behind it has not given less
        behind = np.minimum.accumulate(np.where(known, np.arange(SIZE), SIZE)[::-1])[::-1]
        lower = blocks.throttle_us[at[np.minimum(behind, SIZE - 1)]] < blocks.throttle_us[at] - _MOVED_US
        unknown = ~known & (seen | (behind == SIZE) | lower)
        pulse = self._fans.pulses(a - RUN_IN, b, f * FRAME)
        if not blocks.known[at][inside].any():
            pulse, unknown = None, np.ones(SIZE, bool)
        begin_s = float(blocks.t_s[at[0]])
        opened = any(
            e.onset_s < begin_s and (e.end_s is None or e.end_s > begin_s)
            for _, e in self._told.of_kind(*LOSS_KINDS)
        )
        window = Window(
            pulse, unknown, np.nan_to_num(pa), seen, float(self._fans.begun([a - RUN_IN])[0]), opened
        )
        found = explain(window, self._fans.fan, (f - 1, f, f + 1), self._p)
        apart = round(_SAME_S / blocks.block_s)
        for piece in found.falls(self._p):
            first, length = piece.at, 4.0
            if piece.kind == "step":
                # what fell while nothing was seen may have fallen as soon as that began
                since, until = np.flatnonzero(seen[:first]), np.flatnonzero(seen[first:])
                first = int(since[-1]) + 1 if since.size else first
                length = max(piece.length, float(piece.at - first + until[0]) if until.size else 0.0)
            later = [other.at for other in found.deep(self._p) if other.at > piece.at + length + apart]
            self._weigh(a, first, length, min(later, default=SIZE), found)

    def _weigh(self, a: int, at: int, length: float, end: int, found: Explanation) -> None:
        """Tell a fall that stands up to a closer look, by what is seen before the next."""
        blocks, p, k = self._blocks, self._p, a + at
        before = blocks.mean_pa[max(k - _LEVEL, 0) : max(k - 1, 1)]
        before = before[np.isfinite(before)]
        log = found.fan_log_pa
        if not before.size:
            return
        # nothing is lost at idle: neither where the fan has come down, nor where it was told to
        coming = log[at : at + 10] - log[max(at - 2, 0)]
        if middle(before) * float(np.exp(coming.min())) < self._floor_pa() / 2:
            return
        lead = np.concatenate([np.full(max(LEAD - at, 0), log[0]), log[max(at - LEAD, 0) : end]])
        loss = measure(blocks, k, int(length), lead, self._weights, self._names, p)
        if loss is None:
            return
        if loss.onset_between_s and self._fan_fell_in(loss.onset_between_s, middle(before)):
            return
        begun = int(np.searchsorted(blocks.t_s[: blocks.size], loss.onset_s)) - 1
        if blocks.known[max(k - 5, 0) : begun + 4].all():
            lately = float(np.nanmax(blocks.throttle_us[max(k - _LATELY, 0) : k + 1]))
            asked = self._fans.fan.settled(
                np.array([lately, blocks.throttle_us[min(begun + 3, blocks.size - 1)]])
            )
            if asked[1] - asked[0] < np.log(p.level_share):
                return
        if any(abs(e.onset_s - loss.onset_s) < _SAME_S for _, e in self._told.of_kind("seal-loss")):
            return
        law = blocks.expected[max(k - _LEVEL, 0) : max(k - 1, 1)]
        usual = middle(law[np.isfinite(law)]) if np.isfinite(law).any() else 0.0
        self._refs[self._told.add(loss)] = float(np.log(middle(before))) - usual

    def _fan_fell_in(self, hole_s: tuple[float, float], before_pa: float) -> bool:
        """Does a throttle that is lower behind a hole of the rows explain what fell in it?"""
        blocks = self._blocks
        last, first = (blocks.t_s[: blocks.size].searchsorted(hole_s, "right") - 1).tolist()
        ahead = slice(first, min(first + FRAME, blocks.size))
        (behind,) = (blocks.known[ahead] & np.isfinite(blocks.mean_pa[ahead])).nonzero()
        if not (behind.size and blocks.known[last]):
            return False
        j = first + int(behind[0])
        asked = self._fans.fan.settled(blocks.throttle_us[[last, j]])
        fell = float(np.log(max(float(blocks.mean_pa[j]), 1.0) / before_pa))
        return fell > min(float(asked[1] - asked[0]), 0.0) + float(np.log(1 - self._p.min_drop))

    def _follow(self, k0: int, k1: int) -> None:
        """Look for the ends of losses that are open."""
        blocks = self._blocks
        for number in list(self._refs)[-_FOLLOWED:]:
            event = self._told[number]
            assert event.drop is not None
            after = event.bottom_s + (0.0 if event.kind == "seal-loss" else blocks.block_s)
            first = max(k0, int(np.searchsorted(blocks.t_s[:k1], after)))
            end = came_back(blocks, first, k1, self._refs[number], event.drop, self._floor_pa())
            if end is not None:
                self._told.revise(number, replace(event, end_s=end))
                del self._refs[number]

    def _tell_leak(self, leak: Leak) -> None:
        for _, e in self._told.of_kind("slow-leak"):
            if abs(e.onset_s - leak.onset_s) < _LEAKS_S or (
                e.onset_s < leak.bottom_s and leak.onset_s < e.bottom_s + 3
            ):
                return
        blocks = self._blocks
        t = blocks.t_s[: blocks.size]
        a, b = (int(np.searchsorted(t, s)) for s in (leak.onset_s, leak.bottom_s))
        before = slice(max(a - 25, 0), max(a, 1))
        mean, law = blocks.mean_pa[before], blocks.expected[before]
        seen = np.isfinite(mean) & np.isfinite(law)
        if not seen.any():
            return
        level = middle(mean[seen])
        if level <= 0:  # no suction that could leak away
            return
        taps = np.nanmean(blocks.pa[before], axis=0), np.nanmean(blocks.pa[b : b + 25], axis=0)
        with np.errstate(invalid="ignore", divide="ignore"):
            lost = np.where(blocks.bad[a] | ~(taps[0] > 0), -np.inf, 1 - taps[1] / taps[0])
        order = tuple(self._names[i] for i in np.argsort(-lost, kind="stable") if np.isfinite(lost[i]))
        pulse = float(blocks.throttle_us[min(a, blocks.size - 1)])
        number = self._told.add(
            Loss(
                "slow-leak",
                onset_s=leak.onset_s,
                bottom_s=leak.bottom_s,
                order=order,
                from_pa=level,
                to_pa=level * (1 - leak.drop),
                drop=leak.drop,
                fall_s=0.8 * (leak.bottom_s - leak.onset_s),
                throttle_us=pulse if np.isfinite(pulse) else None,
                confidence=0.8,
            )
        )
        self._refs[number] = float(np.log(level)) - middle(law[seen])
        self._follow(b, self._judged * FRAME + FRAME)

    # -- taps

    def _tell_faults(self, k1: int, final: bool) -> None:
        blocks = self._blocks
        for i, fault in enumerate(self._taps.faults):
            if fault.begin >= k1 and not final:
                continue
            end = float(blocks.t_s[fault.last]) if fault.over and fault.last < blocks.size else None
            if i in self._faults:
                number = self._faults[i]
                self._told.revise(number, replace(self._told[number], end_s=end))
                continue
            name, onset = self._names[fault.tap], self._fault_began(fault)
            same = [
                (n, e)
                for n, e in self._told.of_kind("sensor-fault")
                if fault.why == "missing" and e.onset_s == onset and name not in e.order
            ]
            if same:
                number, event = same[0]
                self._told.revise(number, replace(event, order=(*event.order, name)))
            else:
                pulse = float(blocks.throttle_us[fault.begin])
                number = self._told.add(
                    Loss(
                        "sensor-fault",
                        onset_s=onset,
                        bottom_s=onset,
                        end_s=end,
                        first_tap=name,
                        order=(name,),
                        from_pa=fault.from_pa,
                        to_pa=fault.to_pa,
                        throttle_us=pulse if np.isfinite(pulse) else None,
                        confidence=0.9,
                    )
                )
            self._faults[i] = number

    def _fault_began(self, fault: Fault) -> float:
        """When a tap went wrong, to the sample where its rows show it."""
        blocks, k = self._blocks, fault.begin
        if fault.why == "off" and k == 0:
            return blocks.begin_s
        t, suction, _ = blocks.between(max(k - 2, 0), min(k + 3, blocks.size))
        if not len(t):
            return float(blocks.t_s[k])
        y = suction[:, fault.tap]
        if fault.why == "missing":
            well = np.isfinite(y)
        elif fault.why == "stuck":
            well = np.append(y[:-1] != y[1:], False)
        elif fault.why == "off" and fault.from_pa is not None:
            well = np.append((y >= 0.7 * fault.from_pa)[1:], False)
        else:
            return float(blocks.t_s[k])
        (at,) = well.nonzero()
        return float(t[min(at[-1] + 1, len(t) - 1)]) if at.size else float(t[0])

    # -- live

    def _watch(self, end: int, raised: list[Loss]) -> None:
        """Look for falls under way in blocks not yet looked at."""
        blocks, end = self._blocks, min(end, self._blocks.size)
        first, self._watched = self._watched, max(end, self._watched)
        if not self._alarms_on or end <= first:
            return
        lo = max(first - REACH, 0)
        good = np.isfinite(blocks.pa[lo:end])
        if self._prepared:
            good &= ~blocks.bad[self._prepared * FRAME - 1]
        weight = good * self._weights
        total = np.maximum(weight.sum(axis=1), 1e-12)
        mean = np.where(good, blocks.pa[lo:end] * self._weights, 0.0).sum(axis=1) / total
        seen = good.any(axis=1)
        held = mean[np.maximum.accumulate(np.where(seen, np.arange(len(mean)), 0))]
        stands = max(2, round(self._p.alarm_s / blocks.block_s) - 1)
        for k in range(max(first, REF[0] + stands), end):
            i = k - lo
            quiet = i < REF[0] or not seen[i] or k < self._quiet_until
            if quiet or not mean[i] < LOUD * held[i - stands - 2]:
                continue
            # a fall that is young yet is looked at once more: a dip of the road is on its way back by then
            again = k == self._young + 1
            taps = np.flatnonzero(good[i])
            found = find_fall(self._fans, self._weights, self._floor_pa(), k, stands + again, taps)
            if found is None:
                continue
            fall, perhaps_a_dip = found
            if perhaps_a_dip and not again:
                self._young = k
            else:
                self._quiet_until = k + round(_AGAIN_S / blocks.block_s)
                raised.append(fall)
                self._told.ring(fall)
