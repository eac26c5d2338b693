"""Rows to short blocks on an even grid of time, and what is known of each block."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["FRAME", "Array", "Blocks", "Bools", "Gap"]

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]

FRAME = 128
"""Blocks that are looked at together."""
_JITTER_US = 3.0  # a pulse that changes by less has not moved


@dataclass(frozen=True, slots=True)
class Gap:
    """Time without rows: that of the last row before it and of the first after it, s."""

    begin_s: float
    end_s: float


class Blocks:
    """The blocks of a run, numbered from the first; the same however rows come in pieces.

    Attributes
    ----------
    size : int
        How many blocks are closed.
    t_s, throttle_us, mean_pa, expected : ndarray, shape (room,)
        Begin of each block; its pulse, held where it only jitters or is not known; mean suction over the good
        taps; log of the suction by the fan's law. The last two, and ``calm``, are for the detector to set.
    pa : ndarray, shape (room, taps)
        Suction of each tap; NaN where it was read in less than half of the rows.
    rows, first_row, stretch : ndarray of int, shape (room,)
        Rows in each block, number of the first, number of the stretch between outages. A stretch begins on a
        whole frame, so that no frame holds two.
    known, calm : ndarray of bool, shape (room,)
        Whether the pulse was read, and whether the fan had come to where it takes it.
    frozen, beyond, bad : ndarray of bool, shape (room, taps)
        Every reading repeats the one before; is at its limit; cannot be trusted.
    """

    def __init__(
        self, taps: int, period_s: float, block_s: float, gap_s: float, outage_s: float, room: int
    ) -> None:
        self.taps, self.period_s, self.block_s = taps, period_s, block_s
        self._gap_s, self._outage_s = gap_s, outage_s
        self.size = 0
        self.gaps: list[Gap] = []
        self.t_s, self.throttle_us, self.mean_pa, self.expected = (np.full(room, np.nan) for _ in range(4))
        self.pa = np.full((room, taps), np.nan)
        self.rows, self.first_row, self.stretch = (np.zeros(room, np.int32) for _ in range(3))
        self.known, self.calm = np.zeros(room, bool), np.zeros(room, bool)
        self.frozen, self.beyond, self.bad = (np.zeros((room, taps), bool) for _ in range(3))
        self._raw: list[tuple[int, Array, Array, Array]] = []
        self._waiting: tuple[Array, Array, Array, Bools] | None = None
        self._origin_s, self._origin_block, self._number = 0.0, 0, -1
        self._row, self.begin_s, self._last_s = 0, np.nan, np.nan
        self._last: Array | None = None
        self._held_us = np.nan

    def feed(self, t_s: Array, suction_pa: Array, throttle_us: Array, beyond: Bools) -> None:
        """Take in rows."""
        if not len(t_s):
            return
        row = self._row + (len(self._waiting[0]) if self._waiting else 0)
        self._raw.append((row, t_s, suction_pa, throttle_us))
        if np.isnan(self._last_s):
            self.begin_s = float(t_s[0])
        before = self.begin_s if np.isnan(self._last_s) else self._last_s
        (cuts,) = (np.diff(t_s, prepend=before) > self._gap_s).nonzero()
        start = 0
        for cut in [*cuts.tolist(), len(t_s)]:
            part = slice(start, cut)
            self._take(t_s[part], suction_pa[part], throttle_us[part], beyond[part])
            if cut < len(t_s):
                last, now = float(t_s[cut - 1]) if cut else before, float(t_s[cut])
                self.gaps.append(Gap(last, now))
                if now - last > self._outage_s:
                    self._break_off()
            start = cut
        self._last_s = float(t_s[-1])

    def flush(self) -> None:
        """Close the block that is open."""
        if self._waiting is not None:
            self._close(*self._waiting, self.size + 1)
            self._waiting = None

    def forget(self, k: int) -> None:
        """Keep no raw rows that lie before a block by a whole piece."""
        while len(self._raw) > 1 and k > 0 and self._raw[1][0] <= self.first_row[min(k, self.size - 1)]:
            del self._raw[0]

    def between(self, k0: int, k1: int) -> tuple[Array, Array, Array]:
        """Raw rows of some blocks."""
        k0, k1 = max(k0, 0), min(k1, self.size)
        a, b = (
            (int(self.first_row[k0]), int(self.first_row[k1 - 1] + self.rows[k1 - 1])) if k0 < k1 else (0, 0)
        )
        parts = [[np.zeros(0), np.zeros((0, self.taps)), np.zeros(0)]]
        for first, *columns in self._raw:
            lo, hi = max(a - first, 0), min(b - first, len(columns[0]))
            if lo < hi:
                parts.append([column[lo:hi] for column in columns])
        t_s, suction_pa, throttle_us = (np.concatenate(column) for column in zip(*parts, strict=True))
        return t_s, suction_pa, throttle_us

    def _break_off(self) -> None:
        """End a stretch: the frame is filled up with blocks in which nothing was seen."""
        self.flush()
        end = -(-self.size // FRAME) * FRAME
        self._room(end)
        if end > self.size:
            pad = slice(self.size, end)
            self.t_s[pad] = self.t_s[self.size - 1] + self.block_s * np.arange(1, end - self.size + 1)
            self.stretch[pad], self.first_row[pad], self.rows[pad] = self._number, self._row, 0
            self.throttle_us[pad] = self._held_us
        self.size, self._last, self._held_us = end, None, np.nan

    def _edge_s(self, k: int | Ints) -> Array:
        """When a block begins."""
        return np.asarray(self._origin_s + (k - self._origin_block) * self.block_s)

    def _take(self, t: Array, y: Array, u: Array, o: Bools) -> None:
        """Rows without a gap: whole blocks are closed, the rest waits."""
        if not len(t):
            return
        if self._waiting is not None:
            # those that still belong to the open block
            more = int(t.searchsorted(self._edge_s(self.size + 1)))
            old, new = self._waiting, (t[:more], y[:more], u[:more], o[:more])
            self._waiting = tuple(np.concatenate(pair) for pair in zip(old, new, strict=True))  # type: ignore[assignment]
            t, y, u, o = t[more:], y[more:], u[more:], o[more:]
            if not len(t):
                return
            self.flush()
        elif self._last is None:
            # half a period ahead: with one row a block, jitter must not empty it
            self._origin_s, self._origin_block = float(t[0]) - self.period_s / 2, self.size
            self._number += 1
        end = int((float(t[-1]) - self._origin_s) / self.block_s) + self._origin_block
        cut = int(t.searchsorted(self._edge_s(end)))
        if end > self.size:
            self._close(t[:cut], y[:cut], u[:cut], o[:cut], end)
        self._waiting = t[cut:].copy(), y[cut:].copy(), u[cut:].copy(), o[cut:].copy()

    def _close(self, t: Array, y: Array, u: Array, o: Bools, end: int) -> None:
        """Blocks up to an end, from the rows that belong to them."""
        begin = self.size
        self._room(end)
        here = slice(begin, end)
        edges_s = self._edge_s(np.arange(begin, end + 1))
        edges = t.searchsorted(edges_s)
        edges[0], edges[-1] = 0, len(t)
        count = np.diff(edges)
        self.t_s[here], self.stretch[here], self.rows[here] = edges_s[:-1], self._number, count
        self.first_row[here] = self._row + edges[:-1]
        pulse = np.full(end - begin, np.nan)
        if len(t):
            (full,) = (count > 0).nonzero()
            at, count, at_block = edges[:-1][full], count[full], begin + full
            there = np.isfinite(y)
            if there.all():
                self.pa[at_block] = _folded(np.add, y, at, count) / count[:, None]
            else:
                sums = _folded(np.add, np.where(there, y, 0.0), at, count)
                number = _folded(np.add, there.astype(float), at, count)
                enough = number >= 0.5 * count[:, None]
                self.pa[at_block] = np.where(enough, sums / np.maximum(number, 1.0), np.nan)
            read = np.isfinite(u)
            number = _folded(np.add, read.astype(float), at, count)
            sums = _folded(np.add, np.where(read, u, 0.0), at, count)
            pulse[full] = np.where(number > 0, sums / np.maximum(number, 1.0), np.nan)
            same = np.zeros(y.shape, bool)
            np.equal(y[1:], y[:-1], out=same[1:])
            if self._last is not None:
                same[0] = y[0] == self._last
            self.frozen[at_block] = _folded(np.logical_and, same, at, count)
            if o.any():
                self.beyond[at_block] = _folded(np.logical_and, o, at, count)
            self._last = y[-1].copy()
        self.known[here] = np.isfinite(pulse)
        self._hold(pulse, here)
        self._row += len(t)
        self.size = end

    def _hold(self, pulse: Array, here: slice) -> None:
        """Pulses as they are held: a change that only jitters is none, nor is one that was not read."""
        (changed,) = (np.diff(pulse, prepend=np.nan) != 0).nonzero()
        begins, held = [0], [self._held_us]
        for k, value in zip(changed.tolist(), pulse[changed].tolist(), strict=True):
            if not np.isnan(value) and not abs(value - held[-1]) <= _JITTER_US:
                begins.append(k)
                held.append(value)
        self._held_us = held[-1]
        self.throttle_us[here] = np.repeat(held, np.diff([*begins, len(pulse)]))

    def _room(self, least: int) -> None:
        """Room for blocks, twice as much at a time."""
        while least > len(self.t_s):
            room = len(self.t_s)
            for name, column in list(vars(self).items()):
                if isinstance(column, np.ndarray) and len(column) == room:
                    empty = np.full_like(column, np.nan if column.dtype == float else 0)
                    setattr(self, name, np.concatenate([column, empty]))


def _folded(op: np.ufunc, rows: NDArray[Any], at: Ints, count: Ints) -> NDArray[Any]:
    """An operation over the rows of each block, one after the other: the same for any size of pieces."""
    most = int(count.max())
    if len(rows) == most * len(at):  # all alike
        out = rows[::most].copy()
        for i in range(1, most):
            op(out, rows[i::most], out=out)
        return out
    out = rows[at]
    for i in range(1, most):
        more = count > i
        out[more] = op(out[more], rows[at[more] + i])
    return out
