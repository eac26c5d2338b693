"""Taps judged by one another: missing, at a limit, stuck, off the hose, late."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from undertray.quantiles import middle, middles_seen
from undertray.reduce.detect.blocks import FRAME, Array, Blocks, Bools
from undertray.reduce.loss import LossParameters

__all__ = ["AHEAD", "Fault", "Taps"]

AHEAD = 48
"""Blocks after a frame that are looked at with it."""
_BACK, _NEAR = 512, 40
_LAGS_S = (0.1, 0.2, 0.4, 0.8, 1.6, 3.2, 8.0, 1e4)  # of a hose that clogs, or is pinched
_LEAKS_S = (3.0, 6.0, 10.0, 16.0, 25.0, 40.0)  # of a hose that is pinched and leaks
_RARER = 2.0  # such a one has to fit so much better
_LATE = 15  # wrong blocks of a frame that make it worth fitting a lag
_BETTER, _BAD = 0.35, 0.03  # share of the squares left by a lag; rms of a misfit, of the mean
_MOVED = 0.2  # of the mean: the others have to move before a tap can be seen to follow
_QUIET = 15  # blocks after which a fault is over
_LEARN = 0.3
_FORGET = 0.995  # of the highest suction, a frame
_FEW = 4  # wrong blocks of a frame from which on it is looked at closely
# Behind a sealed edge the air stands, and suction spreads over a floor: a tap beside an edge that leaks reads
# much less than the others, but not nothing at every throttle.
_NOTHING, _NOTHING_S = 0.05, 2.0  # of the highest tap, and for how long under load
_LOADED, _MOVED_BY = 0.5, 0.5  # of the highest: a tap that reads; of its level: one that came up


@dataclass(slots=True)
class Fault:
    """A tap that cannot be trusted."""

    tap: int
    why: str
    begin: int
    last: int
    over: bool = False
    from_pa: float | None = None
    to_pa: float | None = None


class Taps:
    """Health of the taps of a run, each by the others; ``bad`` is set in the blocks.

    A tap usually reads a share of the mean; the mean of others, times its share, is what it should read. A
    tap is *off* that falls to next to nothing while the others fall by less than ``alone_share`` beyond what
    the fan explains. It is *late* where a first-order lag of what it should read (without end: pinched)
    fits far better than a share of it that may change slowly, while the others move. A tap that is off or
    late stays so until it is seen to follow again. A tap that has read next to nothing ever since the others
    were loaded was off from the start: its share cannot tell, for it was learned from a hose that is not on.
    ``floors_pa`` is the suction below which there is nothing to lose, after each frame.
    """

    def __init__(self, blocks: Blocks, weights: Array, p: LossParameters) -> None:
        self._blocks, self._weights, self._p = blocks, weights, p
        self._share = np.ones(blocks.taps)
        self._top_pa = 0.0
        self.floors_pa: list[float] = []
        self._taught = False
        self._unseen = dict.fromkeys(range(blocks.taps if blocks.taps > 1 else 0), 0)
        self._least_pa = np.full(blocks.taps, np.nan)
        self._open: dict[int, Fault] = {}
        self.faults: list[Fault] = []

    def level(self, k0: int, k1: int, without: int | None = None) -> Array:
        """Mean suction as all taps would read it."""
        pa = self._blocks.pa[k0:k1]
        good = np.isfinite(pa) & ~self._blocks.bad[k0:k1]
        if without is not None:
            good[:, without] = False
        norm = (good * (self._weights * self._share)).sum(axis=1)
        total = np.where(good, pa * self._weights, 0.0).sum(axis=1)
        return np.asarray(np.divide(total, norm, out=np.full(len(pa), np.nan), where=norm > 0))

    def examine(self, f0: int, f1: int, first: int, fan: Callable[[int, int], Array]) -> tuple[int, int]:
        """Look at some frames, and set the mean suction of their blocks."""
        done = self._plain(f0, f1)
        if done:
            return done, f0 * FRAME
        blocks, k0, k1 = self._blocks, f0 * FRAME, min((f0 + 1) * FRAME, self._blocks.size)
        floor_pa = self.floors_pa[-1] if self.floors_pa else self._p.min_level_pa
        w0, w1 = max(first, k0 - _NEAR), min(k1 + AHEAD, blocks.size)
        for tap, fault in self._open.items():
            if fault.why in ("off", "late"):
                blocks.bad[fault.last : w1, tap] = True
        changed = self._flagged(k0, k1, w0, w1)
        if blocks.taps > 1 and self._taught:
            for tap in range(blocks.taps):
                changed = min(changed, self._off(tap, k0, k1, w0, w1, floor_pa, fan))
            changed = min(changed, self._late(k0, k1, w1, max(first, k0 - _BACK), floor_pa, fan))
        if self._unseen:
            changed = min(changed, self._never_on(k0, k1))
        for tap, fault in list(self._open.items()):
            if fault.last + (3 if fault.why == "missing" else 1) * _QUIET < k1:
                fault.over = True
                del self._open[tap]
        self._learn(k0, k1, floor_pa)
        changed = max(changed, first)
        blocks.mean_pa[changed:k1] = self.level(changed, k1)
        mean = blocks.mean_pa[k0:k1]
        mean = np.sort(mean[np.isfinite(mean)])
        self._top(float(mean[int(0.95 * len(mean))]) if len(mean) else 0.0)
        return 1, changed

    def _top(self, high_pa: float) -> None:
        self._top_pa = max(_FORGET * self._top_pa, high_pa)
        self.floors_pa.append(max(self._p.min_level_pa, self._p.level_share * self._top_pa))

    def _plain(self, f0: int, f1: int) -> int:
        """Frames at the begin of which every tap reads its share of the mean: there is nothing to find."""
        blocks, p = self._blocks, self._p
        f1 = min(f1, blocks.size // FRAME)
        if self._open or self._unseen or not self._taught or f1 <= f0 or not self.floors_pa:
            return 0
        here = slice(f0 * FRAME, f1 * FRAME)
        pa, frozen = blocks.pa[here], blocks.frozen[here]
        mean = pa[:, 0] * self._weights[0]
        for tap in range(1, blocks.taps):
            mean += pa[:, tap] * self._weights[tap]
        odd = ~np.isfinite(mean) | blocks.beyond[here].any(axis=1) | blocks.bad[here].any(axis=1)
        odd |= blocks.stretch[here] != blocks.stretch[f0 * FRAME]
        odd = odd.reshape(-1, FRAME).any(axis=1)
        if blocks.taps > 1 and frozen.any():
            lone = frozen & ~np.logical_and.reduce(frozen, axis=1)[:, None]
            odd |= lone.reshape(-1, FRAME, blocks.taps).sum(axis=1).max(axis=1) * blocks.block_s >= p.stuck_s
        count = int(odd.argmax()) if odd.any() else len(odd)
        if not count:
            return 0
        level = mean[: count * FRAME].reshape(count, FRAME)
        frames = pa[: count * FRAME].reshape(count, FRAME, blocks.taps)
        high = np.sort(level, axis=1)[:, int(0.95 * FRAME)].tolist()
        top, share = self._top_pa, self._share
        shares, loaded = np.empty((count, blocks.taps)), np.empty((count, 1))
        for f in range(count):
            loaded[f] = max(p.min_level_pa, p.level_share * top)
            top = max(_FORGET * top, high[f])
        on = level > loaded
        sums = np.maximum((level * on).sum(axis=1), 1e-9)
        ratio = (frames * on[:, :, None]).sum(axis=1) / sums[:, None]
        learns = (_LEARN * (on.sum(axis=1) >= _LATE)).tolist()
        for f in range(count):
            shares[f] = share
            share = share + learns[f] * (ratio[f] - share)
        if blocks.taps > 1:
            rest = 1 / np.maximum(1 - self._weights * shares, 1e-3)
            off = frames * rest[:, None]
            off -= level[:, :, None] * (shares * rest)[:, None]
            wrong = np.abs(off, out=off).max(axis=2) > np.maximum(p.screen * level, 2 * p.zero_pa)
            odd = wrong.sum(axis=1) >= _FEW
            count = int(odd.argmax()) if odd.any() else count
        if count:
            blocks.mean_pa[f0 * FRAME : (f0 + count) * FRAME] = level[:count].ravel()
            self._share = shares[count] if count < len(shares) else share
            for value in high[:count]:
                self._top(value)
        return count

    def _flagged(self, k0: int, k1: int, w0: int, w1: int) -> int:
        """What a tap shows by itself, while not all of them do."""
        blocks, p = self._blocks, self._p
        there = (blocks.rows[w0:w1] > 0)[:, None]
        least = max(2, int(np.ceil(p.gap_periods * blocks.period_s / blocks.block_s - 1e-9)))
        stuck = max(round(p.stuck_s / blocks.block_s), round(p.gap_periods))
        changed = k0
        for why, flags, length in (
            ("missing", ~np.isfinite(blocks.pa[w0:w1]) & there, least),
            ("limit", blocks.beyond[w0:w1], least),
            ("stuck", blocks.frozen[w0:w1], stuck),
        ):
            if not flags.any() or (blocks.taps == 1 and why == "stuck"):
                continue
            lone: Bools = flags
            if why == "stuck":  # some other has to move
                alive = ~flags & np.isfinite(blocks.pa[w0:w1])
                lone = flags & np.logical_or.reduce(alive, axis=1)[:, None]
            elif blocks.taps > 1:
                lone = flags & ~np.logical_and.reduce(flags, axis=1)[:, None]
            for tap in range(blocks.taps):
                for a, b in _runs(lone[:, tap]):
                    if b - a >= length and w0 + a < k1 and w0 + b > k0:
                        changed = min(changed, self._note(tap, why, w0 + a, w0 + b))
        return changed

    def _note(self, tap: int, why: str, begin: int, end: int) -> int:
        fault = self._open.get(tap)
        if fault is None:
            fault = self._open[tap] = Fault(tap, why, begin, end)
            self.faults.append(fault)
        fault.last = max(fault.last, end)
        self._blocks.bad[begin:end, tap] = True
        return begin

    def _hold(self, fault: Fault, until: int, end: int) -> None:
        """A fault that is looked at again lasts until a block at least."""
        fault.last = max(fault.last, until)
        self._blocks.bad[fault.last : end, fault.tap] = False
        self._blocks.bad[fault.begin : fault.last, fault.tap] = True

    def _off(
        self, tap: int, k0: int, k1: int, w0: int, w1: int, floor_pa: float, fan: Callable[[int, int], Array]
    ) -> int:
        """A tap that falls to nothing while the others do not fall."""
        p, changed = self._p, k0
        rest, y = self.level(w0, w1, tap), self._blocks.pa[w0:w1, tap]
        should = self._share[tap] * rest
        with np.errstate(invalid="ignore"):
            judged = (rest > floor_pa) & (should > floor_pa)
            gone = judged & (y < p.off_share * should)
            there = judged & (y > 0.5 * should)
        healed = round(p.brief_s / self._blocks.block_s)
        fault = self._open.get(tap)
        if fault is not None:
            if fault.why == "off":
                there[:-3] &= there[1:-2] & there[2:-1] & there[3:]
                there[: max(fault.begin - w0 + 4, 0)] = False
                again = int(there.argmax()) if there.any() else len(y)
                self._hold(fault, w0 + (len(y) if gone[again:].any() else again), w1)
            return changed
        for a, b in _runs(gone):
            before = slice(max(a - _LATE, 0), max(a - 1, 1))
            if b - a < 4 or not k0 - _NEAR / 2 <= w0 + a < k1 or there[before].mean() <= 0.5:
                continue
            if there[a : a + healed].any():  # a hose does not find back by itself; a corner of the skirt does
                continue
            law = fan(w0, w1)
            free = np.log(np.maximum(rest, 1.0)) - law
            # at once, or when a bump in which it came off is over
            later = [slice(a + 1, a + 6), slice(a + healed - 5, min(a + healed, b))]
            if not any(self._stay(free, law, before, after) for after in later):
                continue
            begin = a
            while begin > 0 and b - begin < 8 and y[begin - 1] < 0.85 * should[begin - 1]:
                begin -= 1
            changed = min(changed, self._note(tap, "off", w0 + begin, w0 + b))
            fault = self._open[tap]
            fault.from_pa, fault.to_pa = float(should[min(a + 1, b - 1)]), _middle(y[a:b])
            break
        return changed

    def _never_on(self, k0: int, k1: int) -> int:
        """Taps that have read next to nothing since the others were loaded: their hoses were never on."""
        blocks, p = self._blocks, self._p
        pa = np.where(blocks.bad[k0:k1], np.nan, blocks.pa[k0:k1])
        self._least_pa = np.fmin(self._least_pa, np.fmin.reduce(pa, axis=0))
        top_pa = np.fmax.reduce(pa, axis=1)
        with np.errstate(invalid="ignore"):
            loaded = top_pa > p.zero_pa / _NOTHING  # there the zeros of the sensors are no more than nothing
        count = int(np.count_nonzero(loaded))
        if count < _LATE:
            return k0
        level_pa = middles_seen(pa[loaded].T)
        share = np.nan_to_num(middles_seen((pa[loaded] / top_pa[loaded][:, None]).T))
        judged = [tap for tap in self._unseen if tap not in self._open and np.isfinite(level_pa[tap])]
        dead = [tap for tap in judged if abs(share[tap]) < _NOTHING]
        for tap in set(judged) - set(dead):
            del self._unseen[tap]
        (alive,) = (share > _LOADED).nonzero()
        # half of the taps may lie under a part of the floor that is open; one alone may be the one that is
        # wrong, unless it came up with the fans
        alone = len(alive) == 1 and not (self._least_pa < _MOVED_BY * level_pa)[alive[0]]
        if alone or len(dead) > max(len(alive) - 1, 1):
            return k0
        for tap in dead:
            self._unseen[tap] += count
            if self._unseen[tap] * blocks.block_s < _NOTHING_S:
                continue
            del self._unseen[tap]
            self._note(tap, "off", 0, k1)
            fault = self._open[tap]
            fault.from_pa, fault.to_pa = _middle(level_pa[alive]), float(level_pa[tap])
            self._share[tap] = self._share[alive].mean()
            self._share /= (self._weights * self._share).sum()
            k0 = 0
        return k0

    def _stay(self, free: Array, law: Array, before: slice, after: slice) -> bool:
        """Did the others fall no more than the fan explains? Given as logs, freed of the law, and the law."""
        if not (np.isfinite(free[before]).any() and np.isfinite(free[after]).any()):
            return False
        explained = abs(middle(law[after]) - middle(law[before]))
        # of a change by the throttle no law is surer than to a few parts of ten
        fell = _middle(free[before]) - _middle(free[after])
        return fell <= self._p.alone_share + 0.4 * explained

    def _late(
        self, k0: int, k1: int, w1: int, w0: int, floor_pa: float, fan: Callable[[int, int], Array]
    ) -> int:
        """The tap, if any, that follows the others with a lag, or not at all."""
        p, best, least_pa = self._p, None, 2 * self._p.zero_pa
        for tap in range(self._blocks.taps):
            fault = self._open.get(tap)
            if fault is not None and fault.why != "late":
                continue
            end = w1 if fault is not None else k1
            rest, y = self.level(w0, end, tap), self._blocks.pa[w0:end, tap]
            x = self._share[tap] * rest
            ok = np.isfinite(x) & np.isfinite(y)
            if not ok.any():
                continue
            with np.errstate(invalid="ignore"):
                wrong = ok & (np.abs(y - x) > np.maximum(p.screen * rest, least_pa))
            if fault is not None:
                most = float(x[ok].max())
                moved = most > floor_pa and np.ptp(x[ok]) > _MOVED * most
                self._hold(fault, w1 if wrong.any() or not moved else 0, w1)
                continue
            wrong[:-1] &= wrong[1:]
            if np.count_nonzero(wrong[k0 - w0 :]) < _LATE:
                continue
            # since it was first wrong, which may be a bump; or else since a later first
            half = max(k0 - _BACK // 2 - w0, 0)
            for a in dict.fromkeys((int(wrong.argmax()), half + int(wrong[half:].argmax()))):
                since = slice(max(0, a - 8), None)
                # it has to be the fan that moves the others: a skirt that opens beside some taps does too
                if np.ptp(fan(w0 + max(0, a - 8), k1)) < _MOVED:
                    continue
                how_much = self._lag(x[since][ok[since]], y[since][ok[since]])
                if how_much > 0:
                    if best is None or how_much > best[0]:
                        best = how_much, tap, w0 + a, float(x[a]), float(y[a])
                    break
        if best is None:
            return k0
        _, tap, begin, should, read = best
        self._note(tap, "late", begin, w1)
        self._open[tap].from_pa, self._open[tap].to_pa = should, read
        return min(begin, k0)

    def _lag(self, x: Array, y: Array) -> float:
        """By how much a lag fits better than a share that changes slowly; 0 where it does not."""
        if len(x) < 2 * _LATE:
            return 0.0
        level = float(x.mean())
        design = np.stack([x, x * np.linspace(-1, 1, len(x))])
        z = np.linalg.lstsq(design.T, y, rcond=None)[0]
        alike = float(((y - z @ design) ** 2).mean())
        if alike**0.5 < max(_BAD * level, self._p.zero_pa):
            return 0.0
        late = np.inf
        for lag_s in _LAGS_S:
            keep = float(np.exp(-self._blocks.block_s / lag_s))
            now, out = float(y[0]), []
            for value in x.tolist():
                now = keep * now + (1 - keep) * value
                out.append(now)
            late = min(late, float(((y - np.array(out)) ** 2).mean()))
        # a hose that is shut and leaks: what is left in it goes, whatever the others do
        gone = np.exp(-self._blocks.block_s / np.array(_LEAKS_S)[:, None] * np.arange(len(y)))
        z = (gone * y).sum(axis=1) / (gone * gone).sum(axis=1)
        late = min(late, _RARER * float(((y - z[:, None] * gone) ** 2).mean(axis=1).min()))
        return alike / max(late, 1e-9) if late < _BETTER * alike else 0.0

    def _learn(self, k0: int, k1: int, floor_pa: float) -> None:
        """Which share of the mean each tap reads."""
        mean = self.level(k0, k1)
        with np.errstate(invalid="ignore"):
            loaded = mean > floor_pa
        if np.count_nonzero(loaded) < _LATE:
            return
        pa = np.where(self._blocks.bad[k0:k1], np.nan, self._blocks.pa[k0:k1])[loaded] / mean[loaded][:, None]
        read = np.isfinite(pa).sum(axis=0) >= _LATE
        ratio = middles_seen(pa[:, read].T)
        self._share[read] += (_LEARN if self._taught else 1.0) * (ratio - self._share[read])
        self._share /= (self._weights * self._share).sum()
        self._taught = True


def _middle(values: Array) -> float:
    return middle(values[np.isfinite(values)])


def _runs(on: Bools) -> list[tuple[int, int]]:
    """Begin and end of each stretch that is true."""
    if not on.any():
        return []
    edges = np.diff(np.concatenate([[False], on, [False]]).astype(np.int8)).nonzero()[0]
    return [(int(a), int(b)) for a, b in edges.reshape(-1, 2)]
