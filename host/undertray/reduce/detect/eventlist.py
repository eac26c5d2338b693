"""The events: measured on the raw rows, told in one list that only grows, and revised openly."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from undertray.quantiles import middle
from undertray.reduce.detect.blocks import Array, Blocks, Bools
from undertray.reduce.detect.fanmodel import FanRun
from undertray.reduce.detect.onset import Fall, measure_fall, transition
from undertray.reduce.loss import Loss, LossParameters

__all__ = ["LEAD", "Entry", "Told", "came_back", "find_cuts", "measure"]

LEAD = 50
"""Blocks before a fall whose law is wanted."""
_LATELY = 16  # events of a kind that may still matter
_AHEAD, _BEHIND = 15, 20  # blocks round a fall that are measured
# a fall over longer is the rest of a leak where it went on at such a share of its pace before
_LONG_S, _ALREADY = 0.4, 0.4
_LEAST_ROWS, _READ = 4, 0.7  # rows, and share of them that a tap has to be read in
_TREND = 7  # blocks before a fall that tell where the suction was going anyhow
_HALF, _SHOWS = 0.5, 0.25
_MOVED_US = 25.0
_DEEPER = 2.5  # standard deviations of a sag: a fall that takes more is none, however slow
_LEAST_SHARE = 0.05  # of what was before: where the fan may leave less, nothing is judged
_BACK = 0.3  # of the fall left: the suction is back
_STANDS = 3  # blocks that it has to be
_SWINGS = 10  # ... within which a car that bounced is at its lowest
_SUDDEN = 10  # blocks that it may take
_AGAIN = 15  # blocks behind a dip of the road within which a loss may follow
_SWING_S = 0.16  # no car that bounces stays up for longer: half a swing of 3 Hz
_SWINGS_BACK = 0.15  # of its depth: a seal that healed by itself stayed below 0.07, bumps rose by 0.29
_ROAD, _ALIKE = (
    384,
    1.0,
)  # blocks beside a brief fall that show the road, at a drive alike within so many logs
_DIPS, _AS_DEEP = 2, 0.7  # dips that show what the road does, and how deep beside a fall
_CALM = 125  # blocks within which the fan should be calm
_LEAD = 2  # samples
_SURE = 2.0  # standard deviations by which it leads
_SAME_S = 0.25  # between an alarm and the loss that it rang for

_CLOSING_S = 0.5  # within which most of it has to happen: what is closed gently is no event
_MOST_OF_IT = 0.6
_LEAST_US = 60.0
_WAIT_S = 5.0  # for the suction to fall while the throttle stays down
_OPENED = 0.4  # of the way up: it is open again
_PAUSE, _AT_END = 3, 0.05  # blocks without a move; share of the way left where it has come down
_PACE = 0.5  # of its later pace, at which it begins
_BOTTOM = 3  # blocks at its lowest


@dataclass(frozen=True, slots=True)
class Entry:
    """One line of the list: an event is told or revised; an alarm, of a number below 0, is rung, and later
    confirmed by the event that was told or withdrawn.
    """

    number: int
    what: str
    event: Loss


class Told:
    """The list of what was told."""

    def __init__(self) -> None:
        self._entries: list[Entry] = []
        self._standing: dict[int, Loss] = {}
        self._kinds: dict[str, list[int]] = {}
        self._next = 0
        self._ringing: dict[int, Loss] = {}
        self.rung = self.withdrawn = 0

    @property
    def entries(self) -> tuple[Entry, ...]:
        """All lines, in the order they were written."""
        return tuple(self._entries)

    @property
    def events(self) -> tuple[Loss, ...]:
        """Events as they stand, in order of onset."""
        return tuple(sorted(self._standing.values(), key=lambda e: (e.onset_s, e.kind, e.order)))

    def __getitem__(self, number: int) -> Loss:
        return self._standing[number]

    def of_kind(self, *kinds: str) -> list[tuple[int, Loss]]:
        """Standing events of some kinds."""
        numbers = sorted(number for kind in kinds for number in self._kinds.get(kind, [])[-_LATELY:])
        return [(number, self._standing[number]) for number in numbers]

    def add(self, event: Loss) -> int:
        """Tell an event."""
        number, self._next = self._next, self._next + 1
        self._kinds.setdefault(event.kind, []).append(number)
        self._write(number, "told", event)
        return number

    def revise(self, number: int, event: Loss) -> None:
        """Tell an event anew."""
        if self._standing.get(number) != event:
            self._write(number, "revised", event)

    def ring(self, alarm: Loss) -> None:
        """Write down an alarm."""
        self.rung += 1
        self._ringing[-self.rung] = alarm
        self._entries.append(Entry(-self.rung, "rung", alarm))

    def answer(self, until_s: float) -> None:
        """Say of each alarm up to a time what became of it."""
        for number, alarm in list(self._ringing.items()):
            if alarm.onset_s < until_s:
                near = [e for _, e in self.of_kind("seal-loss") if abs(e.onset_s - alarm.onset_s) < _SAME_S]
                self.withdrawn += not near
                what, event = ("confirmed", near[0]) if near else ("withdrawn", alarm)
                self._entries.append(Entry(number, what, event))
                del self._ringing[number]

    def _write(self, number: int, what: str, event: Loss) -> None:
        self._entries.append(Entry(number, what, event))
        self._standing[number] = event


def measure(
    blocks: Blocks,
    k: int,
    length: int,
    fan_log: Array,
    weights: Array,
    names: Sequence[str],
    p: LossParameters,
) -> Loss | None:
    """Measure a fall that an explanation holds on its raw rows: from block k on, over some blocks.

    ``fan_log`` is the log of the suction by the fan, from ``LEAD`` blocks before to where it is looked at.
    None where it is a dip of the road, or what the fan, a pack or an unknown throttle does as well.
    """
    first, last = max(k - _AHEAD, 0), min(k + length + 3 * _BEHIND, blocks.size, k - LEAD + len(fan_log))
    law = fan_log[first - k + LEAD : last - k + LEAD] - fan_log[LEAD - 1]
    share = np.maximum(np.exp(law), _LEAST_SHARE)
    level = blocks.mean_pa[first:last] / share
    lasts, until, again = _lasting(level, k - first, length)
    lasts_s = lasts * blocks.block_s
    if lasts_s < p.dip_s and again and length <= _SUDDEN:
        # a dip of the road, and what came right behind it
        return measure(blocks, k + again, length, fan_log[again:], weights, names, p)
    brief = lasts_s <= p.brief_s
    if lasts_s < p.dip_s or (lasts_s < _SWING_S and _bounced(level, k - first, until)):
        return None
    # what the throttle does later belongs to it
    (shut,) = (share[k - first :] < _HALF).nonzero()
    shut_at = k + max(int(shut[0]), _STANDS + 1) if shut.size else last
    last = min(first + until, k + length + _BEHIND, shut_at, last)
    t, suction, _ = blocks.between(first, last)
    good = ~blocks.bad[max(k - 2, 0) : last].any(axis=0)
    taps = np.flatnonzero(good & (np.isfinite(suction).sum(axis=0) > _READ * len(t)))
    there = np.isfinite(suction[:, taps]).all(axis=1)
    t, suction = t[there], suction[there][:, taps]
    if len(t) < _LEAST_ROWS or not weights[taps].sum() > 0:
        return None
    at = blocks.t_s[first : first + len(share)] + blocks.block_s / 2
    suction = suction / np.interp(t, at, share)[:, None]
    share_of = weights[taps] / weights[taps].sum()
    fall = measure_fall(t, suction, share_of, float(blocks.t_s[k]), blocks.period_s)
    least = p.min_drop
    if brief:  # what does not stay is as deep as its deepest block
        deepest = float(np.nanmin(level[k - first : max(until, k - first + 1)]))
        fall, least = replace(fall, to_pa=min(fall.to_pa, deepest)), max(p.min_drop, p.brief_drop)
    between = _between(t, suction @ share_of, fall, blocks.period_s)
    known = bool(blocks.known[max(k - _STANDS, 0) : k + length + _STANDS].all())
    if (
        not fall.drop >= least
        or not _seen(blocks, k, last, fall.drop)
        or _excused(blocks, k, fall, between, p)
        or (fall.fall_s > _LONG_S and _went_on(blocks, k, fall, fan_log))
        or (brief and _of_the_road(blocks, k, first + until, fall.drop, p))
        or not (known or between or not _explained_since(blocks, k, p))
    ):
        return None
    onset_s = fall.onset_s if between is None else sum(between) / 2
    leads = sorted(fall.leads_s)
    # what fell while rows were missing has no order finer than the hole
    row_s = _longest_step_s(t, fall.onset_s, fall.onset_s + leads[-1], blocks.period_s)
    ahead = len(leads) == 1 or leads[1] - leads[0] > max((_LEAD - 0.5) * row_s, _SURE * fall.lead_sd_s)
    order = tuple(names[taps[i]] for i in fall.order)
    pulse = float(blocks.throttle_us[k]) if blocks.known[k] else None
    sure = 1 - float(np.exp(-fall.drop / p.noise / 4))
    return Loss(
        "seal-loss",
        onset_s=onset_s,
        bottom_s=max(fall.bottom_s, onset_s),
        first_tap=order[0] if ahead else None,
        order=order,
        order_ms=tuple(round(1e3 * lead, 3) for lead in fall.leads_s) if row_s <= blocks.period_s else (),
        from_pa=fall.from_pa,
        to_pa=max(fall.to_pa, 0.0),
        drop=min(fall.drop, 1.0),
        fall_s=fall.fall_s,
        throttle_us=pulse,
        confidence=sure * (0.7 if pulse is None else 1.0) * (1.0 if blocks.taps > 1 else 0.8),
        brief=brief,
        onset_between_s=between,
    )


def find_cuts(fans: FanRun, k0: int, k1: int, least_pa: float) -> list[Loss]:
    """Find the falls that the throttle explains, as the driver closed it, and that begin in some blocks."""
    blocks, p = fans.blocks, fans.p
    pulse, mean = blocks.throttle_us[: blocks.size], blocks.mean_pa[: blocks.size]
    (steps,) = (np.diff(pulse[k0 : k1 + 1]) < 0).nonzero()
    closing, found, done = max(1, round(_CLOSING_S / blocks.block_s)), [], -1
    for k in (steps + k0).tolist():
        if k < done or not np.isfinite(mean[max(k - 3, 0) : k + 1]).any():
            continue
        soon = pulse[k : k + closing + 1]
        later = ~(np.diff(pulse[k + 1 : k + 6 * closing]) <= 0)
        end = k + 1 + int(later.argmax() if later.any() else len(later))
        high, low = float(pulse[k]), float(np.nanmin(soon))
        fall, law = high - low, fans.fan.settled(np.array([high, low]))
        ago = float(np.nanmax(pulse[max(k - closing, 0) : k + 1]))
        gentle = fall < _MOST_OF_IT * (ago - float(np.nanmin(pulse[k : end + 1])))
        if gentle or fall < _LEAST_US or law[1] - law[0] > np.log(1 - p.cut_drop):
            continue
        # what moved before a pause, or far more slowly, is no part of it
        down = k + int((soon <= low + _AT_END * fall).argmax())
        (moves,) = (np.diff(pulse[k : down + 1]) < 0).nonzero()
        soon_us = float(pulse[min(k + _PAUSE, down)])
        slow = high - soon_us < _PACE * _PAUSE * (soon_us - low) / max(down - k - _PAUSE, 1)
        if slow or int(np.diff(moves).max(initial=0)) > _PAUSE:
            continue
        limit = min(blocks.size, k + round(_WAIT_S / blocks.block_s))
        again = pulse[down:limit] >= low + _OPENED * fall
        stop = down + int(again.argmax()) if again.any() else limit
        done = max(k + 1, min(stop, k + closing))
        before, after = mean[max(k - 3, 0) : k + 1], mean[k:stop]
        before = before[np.isfinite(before)]
        level = middle(before)
        lowest = np.sort(after[np.isfinite(after)])
        # what stays closed is read over some time, what is opened again at its lowest
        to_pa = max(middle(lowest[: max(_BOTTOM, len(lowest) // 3)]), 0.0) if lowest.size else level
        if level < least_pa or to_pa > (1 - p.cut_drop) * level:
            continue
        t, _, rows = blocks.between(max(k - 1, 0), min(k + 5, blocks.size))
        (short,) = (rows < high - max(6.0, 0.05 * fall)).nonzero()
        onset = float(t[short[0]]) if short.size else float(blocks.t_s[min(k + 1, blocks.size - 1)])
        at_s, seen = blocks.t_s[k:stop] + blocks.block_s / 2, np.isfinite(after)
        t90, t10 = transition(at_s[seen], after[seen], level, to_pa, float(at_s[0]))
        found.append(
            Loss(
                "throttle-cut",
                onset_s=onset,
                bottom_s=max(t10 + (t10 - t90) / 8, onset),
                from_pa=level,
                to_pa=to_pa,
                drop=min(1 - to_pa / level, 1.0),
                fall_s=max(t10 - t90, blocks.period_s),
                throttle_us=high,
            )
        )
    return found


def _longest_step_s(t_s: Array, from_s: float, until_s: float, period_s: float) -> float:
    """Longest time between two rows from one moment to another; the sample period where none is missing."""
    a, b = t_s.searchsorted([from_s - period_s, until_s + period_s]).tolist()
    longest_s = float(np.diff(t_s[max(a - 1, 0) : b + 1]).max(initial=0.0))
    return longest_s if longest_s > 1.5 * period_s else period_s


def _bounced(level: Array, k: int, until: int) -> bool:
    """Does the suction come back higher than it was? A car that swings closes its gap; a seal does not."""
    before, after = _seen_last(level[: max(k - 1, 1)]), level[until : until + _SWINGS]
    after = after[np.isfinite(after)]
    if not before.size or len(after) < _STANDS or until <= k:
        return False
    usual, highest = middle(before), float(np.convolve(after, np.ones(_STANDS) / _STANDS, "valid").max())
    return highest - usual > _SWINGS_BACK * (usual - float(np.nanmin(level[k:until])))


def _of_the_road(blocks: Blocks, k: int, end: int, drop: float, p: LossParameters) -> bool:
    """Are dips of the road nearly as deep beside a brief fall? Then it is two of them in a row."""
    begin, limit = max(k - _ROAD, 0), min(k + _ROAD, blocks.size)
    here = slice(begin, limit)
    left = np.log(np.maximum(blocks.mean_pa[here], 1.0)) - blocks.expected[here]
    judged = blocks.calm[here] & np.isfinite(left) & (blocks.stretch[here] == blocks.stretch[k])
    judged &= np.abs(blocks.expected[here] - blocks.expected[k]) < _ALIKE
    judged[max(k - _STANDS - begin, 0) : end + _STANDS - begin] = False
    if not judged.any():
        return False
    left -= middle(left[judged])
    low = judged & (left < np.log(1 - _HALF * min(drop, 0.99)))
    edges = np.diff(np.concatenate([[False], low, [False]]).astype(np.int8)).nonzero()[0].reshape(-1, 2)
    short = [left[a:b].min() for a, b in edges.tolist() if (b - a) * blocks.block_s < p.dip_s]
    return sum(bool(dip < np.log(1 - _AS_DEEP * min(drop, 0.99))) for dip in short) >= _DIPS


def _seen_last(level: Array) -> Array:
    """The last few blocks that were seen: a gap may lie between."""
    return level[np.isfinite(level)][1 - _TREND :]


def _excused(
    blocks: Blocks, k: int, fall: Fall, between: tuple[float, float] | None, p: LossParameters
) -> bool:
    """Is a fall one that a pack, or a throttle that is not known, makes as well?"""
    near = slice(max(k - 25, 0), k + 5)
    if not blocks.known[near].any() and fall.to_pa < _LEAST_SHARE * fall.from_pa:
        return True  # fans that are shut off leave nothing
    if between is not None:
        return False
    if fall.fall_s > p.sudden_s or (fall.drop < _DEEPER * p.sag and fall.fall_s > p.sag_s):
        return True
    if blocks.known[near].all():
        return False
    # a pulse that was not read, and is another now: when it changed nobody knows
    known = blocks.known[near]
    jumps = np.abs(np.diff(blocks.throttle_us[near]))[known[1:] & ~known[:-1]]
    return fall.fall_s > p.coast_s or bool((jumps > _MOVED_US).any())


def _went_on(blocks: Blocks, k: int, fall: Fall, fan_log: Array) -> bool:
    """Was it under way before, at a good part of its pace: the rest of a leak?"""
    ago = max(k - LEAD, 0)
    earlier = blocks.mean_pa[ago:k] * np.exp(fan_log[LEAD - 1] - fan_log[ago - k + LEAD : LEAD])
    earlier = earlier[np.isfinite(earlier)]
    if len(earlier) <= 2 * _TREND:
        return False
    lost = middle(earlier[:_TREND]) - middle(earlier[-_TREND:])
    pace = lost / (len(earlier) - _TREND) / blocks.block_s
    return pace > _ALREADY * 0.8 * (fall.from_pa - fall.to_pa) / fall.fall_s


def _explained_since(blocks: Blocks, k: int, p: LossParameters) -> bool:
    """Is nothing lost any more once the fan is calm at a pulse that is known again? Then it was the throttle
    while nobody saw it.
    """
    begin, end = max(k - _CALM, 0), min(k + _CALM, blocks.size)
    left = np.log(np.maximum(blocks.mean_pa[begin:end], 1.0)) - blocks.expected[begin:end]
    good = blocks.known[begin:end] & blocks.calm[begin:end] & np.isfinite(left)
    before = left[: k - begin][good[: k - begin]][-_TREND:]
    after = left[k - begin + 1 :][good[k - begin + 1 :]][:_TREND]
    if len(before) < _STANDS or len(after) < _STANDS:
        return False
    return 1 - float(np.exp(middle(after) - middle(before))) < p.min_drop


def _lasting(level: Array, k: int, length: int) -> tuple[float, int, int]:
    """Blocks for which more than half of a fall was gone, the block from which on it was not, and after how
    many from k on it was gone again, if soon; or 0.
    """
    before = _seen_last(level[: max(k - 1, 1)])
    bottom = level[k : k + length + _STANDS + 2]
    if not (before.size and np.isfinite(bottom).any()):
        return np.inf, len(level), 0
    half = (middle(before) + float(np.nanmin(bottom))) / 2
    seen = np.flatnonzero(np.isfinite(level[max(k - 2, 0) :])) + max(k - 2, 0)
    under = level[seen] < half
    if not under.any():
        return 0.0, len(level), 0
    a = int(under.argmax())
    back = np.flatnonzero(~under[a:])
    if not back.size:
        return np.inf, len(level), 0
    b = a + int(back[0])

    def crossed(i: int) -> float:
        if i == 0:
            return float(seen[0])
        one, two = level[seen[i - 1]], level[seen[i]]
        return float(seen[i - 1] + (half - one) / (two - one) * (seen[i] - seen[i - 1]))

    stands = _stands_from(under[b : b + _AGAIN])
    again = 0 if stands is None else max(int(seen[b + stands]) - k, 0)
    return crossed(b) - crossed(a), int(seen[b]), again


def _stands_from(on: Bools) -> int | None:
    """The first of so many blocks in a row in which something is so that it stands."""
    if len(on) < _STANDS:
        return None
    stands = sliding_window_view(on, _STANDS).all(axis=1)
    return int(stands.argmax()) if stands.any() else None


def _seen(blocks: Blocks, k: int, last: int, drop: float) -> bool:
    """Does a fall show in the suction itself, beyond where that was going anyhow?"""
    log_pa = np.log(np.maximum(blocks.mean_pa[max(k - _TREND, 0) : last], 1.0))
    before, after = log_pa[:_TREND], log_pa[_TREND:]
    if not (np.isfinite(before).all() and np.isfinite(after).any()):
        return True
    trend = min(middle(np.diff(before)), 0.0)
    beyond = after - before[-1] - trend * np.arange(1, len(after) + 1)
    return bool(np.nanmin(beyond) <= _SHOWS * np.log(1 - min(drop, 0.99)))


def _between(t: Array, mean: Array, fall: Fall, period_s: float) -> tuple[float, float] | None:
    """The gap, if any, in which a fall began: high before it, and half of it gone after it."""
    steps = np.diff(t)
    g = int(steps.argmax())
    if steps[g] <= 2.5 * period_s:
        return None
    depth = fall.from_pa - fall.to_pa
    high, low = mean[g] > fall.from_pa - 0.3 * depth, mean[g + 1] < fall.from_pa - 0.5 * depth
    return (float(t[g]), float(t[g + 1])) if high and low else None


def came_back(blocks: Blocks, k0: int, k1: int, ref_log: float, drop: float, floor_pa: float) -> float | None:
    """When the suction was back at what the fan gives on a good seal."""
    with np.errstate(invalid="ignore"):
        left = np.log(np.maximum(blocks.mean_pa[k0:k1], 1.0)) - blocks.expected[k0:k1] - ref_log
        asked = blocks.expected[k0:k1] + ref_log > np.log(floor_pa)
        back = (left > np.log(1 - _BACK * drop)) & asked & (blocks.mean_pa[k0:k1] > floor_pa)
    stands = _stands_from(back)
    return None if stands is None else float(blocks.t_s[k0 + stands])
