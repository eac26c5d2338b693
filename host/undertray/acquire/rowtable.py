"""The rows of a run as arrays, filled block by block, each in as few bytes as its numbers need."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil
from typing import Any

import numpy as np
from numpy.typing import NDArray

from undertray.acquire.rows import MISSING
from undertray.acquire.slots import LONG_TURN, SEQ, held_from
from undertray.acquire.wire import TICK_LIMIT

__all__ = ["Counts", "Repeated", "RowArrays", "RowTable", "in_order", "repeated", "restarts", "settle_memory"]

Ints = NDArray[np.integer[Any]]

_LEAST_GROWTH = 1.25
_FREED, _LONG = 31 << 20, 100 << 20
_M_MMAP_THRESHOLD, _KEPT = -3, 4 << 20  # the first from malloc.h
_WIDTHS = (np.int16, np.int32, np.int64)  # the least number of each stands for a missing one


class Counts(np.lib.mixins.NDArrayOperatorsMixin):
    """Raw counts of a run: n rows, N pressure columns, each column in as few bytes as its counts need.

    Parameters
    ----------
    columns : sequence of ndarray of int16, int32 or int64, shape (n,), length N
        The counts; the least number of the type where a field is empty.
    gappy : sequence of bool, length N
        Which columns may have empty fields: only there one is looked for.

    Notes
    -----
    It is sliced as an array is, ``counts[rows]`` or ``counts[rows, columns]``, and gives an array of float64,
    exact below 2**53, with NaN where a field is empty. Whatever else an array of float64 can do, sums and
    functions of numpy among it, it does by ``np.asarray``, which is all of it at eight bytes a count.
    """

    ndim = 2
    dtype = np.dtype(np.float64)

    def __init__(self, columns: Sequence[Ints], gappy: Sequence[bool]) -> None:
        self._columns, self._gappy = tuple(columns), tuple(gappy)

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return len(self), len(self._columns)

    def __len__(self) -> int:
        return len(self._columns[0]) if self._columns else 0

    def __getitem__(self, key: Any) -> NDArray[np.float64]:
        rows, wanted = key if isinstance(key, tuple) else (key, slice(None))
        chosen = np.arange(len(self._columns))[wanted]
        places = np.atleast_1d(chosen).tolist()
        parts = [np.asarray(self._columns[i][rows]) for i in places]
        out = np.empty((len(parts), *(np.shape(parts[0]) if parts else (0,))))
        for i, values in enumerate(parts):
            place = out[i, ...]
            place[...] = values
            if self._gappy[places[i]]:
                np.copyto(place, np.nan, where=values == np.iinfo(values.dtype).min)
        return out[0] if chosen.ndim == 0 else np.moveaxis(out, 0, -1)

    def __array__(self, dtype: Any = None, copy: bool | None = None) -> NDArray[Any]:
        return np.asarray(self[:], dtype)

    def __array_ufunc__(self, ufunc: np.ufunc, method: str, *inputs: Any, **options: Any) -> Any:
        plain = [np.asarray(one) if isinstance(one, Counts) else one for one in inputs]
        return getattr(ufunc, method)(*plain, **options)

    def __getattr__(self, name: str) -> Any:
        if name.startswith("_"):  # numpy asks for its protocols before it asks for the array
            raise AttributeError(name)
        return getattr(np.asarray(self), name)

    def part(self, first: int, last: int, columns: Sequence[int]) -> Counts:
        """Take some rows of some columns; nothing is copied.

        Parameters
        ----------
        first, last : int
            First row, and the row after the last.
        columns : sequence of int
            Which columns.

        Returns
        -------
        Counts
        """
        return Counts([self._columns[i][first:last] for i in columns], [self._gappy[i] for i in columns])

    def picked(self, rows: slice | NDArray[np.bool_]) -> Counts:
        """Take some of the rows.

        Parameters
        ----------
        rows : slice or ndarray of bool, shape (n,)
            Which.

        Returns
        -------
        Counts
        """
        return Counts([column[rows] for column in self._columns], self._gappy)


@dataclass(frozen=True, slots=True, eq=False)
class RowArrays:
    """The rows of a run: n of them, N pressure columns, as :class:`undertray.acquire.runlog.Run` has them."""

    host_us: NDArray[np.int64]
    seq: NDArray[np.uint16]
    t_us: NDArray[np.int32]
    throttle_us: NDArray[np.float64]
    flags: NDArray[np.uint32]
    counts: Counts

    def picked(self, rows: slice | NDArray[np.bool_]) -> RowArrays:
        """Take some of the rows."""
        return RowArrays(
            self.host_us[rows],
            self.seq[rows],
            self.t_us[rows],
            self.throttle_us[rows],
            self.flags[rows],
            self.counts.picked(rows),
        )


class RowTable:
    """Room for rows: what a block was parsed into can be used again for the next."""

    def __init__(self, columns: int) -> None:
        self.rows = 0
        kinds: list[Any] = [np.int64, np.uint16, np.int32, np.float64, np.uint32]
        self._gappy = [False] * columns
        self._whole: list[NDArray[Any]] = [np.empty(0, kind) for kind in kinds + [_WIDTHS[0]] * columns]

    def add(self, fields: NDArray[np.int64], share: float = 1.0) -> None:
        """Put the next rows in."""
        rows, room = self.rows + len(fields), len(self._whole[0])
        if rows > room:
            room = ceil(max(rows * share, room * _LEAST_GROWTH))
            for place, old in enumerate(self._whole):
                self._whole[place] = np.empty(room, old.dtype)
                self._whole[place][: self.rows] = old[: self.rows]
                del old
        here = slice(self.rows, rows)
        for place, values in enumerate(fields.T):
            if place == 3:
                missing = values == MISSING
                self._whole[place][here] = values
                self._whole[place][here][missing] = np.nan
            elif place < 5:
                self._whole[place][here] = values
            elif len(values):
                self._put_counts(place, here, values)
        self.rows = rows

    def _put_counts(self, place: int, here: slice, values: NDArray[np.int64]) -> None:
        """Put counts in, and widen their column where they do not fit."""
        lowest, highest = int(values.min()), int(values.max())
        missing = None
        if lowest == MISSING:
            missing = values == MISSING
            self._gappy[place - 5] = True
            known = values[~missing]
            lowest, highest = (int(known.min()), int(known.max())) if len(known) else (0, 0)
        column = self._whole[place]
        width = next(w for w in _WIDTHS if np.iinfo(w).min < lowest and highest <= np.iinfo(w).max)
        if np.dtype(width).itemsize > column.dtype.itemsize:
            wide = np.empty(len(column), width)
            wide[: self.rows] = column[: self.rows]
            wide[: self.rows][column[: self.rows] == np.iinfo(column.dtype).min] = np.iinfo(width).min
            self._whole[place] = column = wide
        column[here] = values
        if missing is not None:
            column[here][missing] = np.iinfo(column.dtype).min

    def arrays(self) -> RowArrays:
        """Give what was put in."""
        host_us, seq, t_us, throttle_us, flags, *counts = (column[: self.rows] for column in self._whole)
        return RowArrays(host_us, seq, t_us, throttle_us, flags, Counts(counts, self._gappy))


def settle_memory(size: int) -> None:
    """Say what becomes of the arrays that are freed, by the size of a log; only glibc heeds it.

    Parameters
    ----------
    size : int
        Bytes of the log.

    Notes
    -----
    It takes arrays above 128 kB from the system page by page and gives them back, until it has seen a larger
    one freed, below 32 MB: then it keeps them, which saves time. Of a long log that would be too much: there
    arrays above 4 MB are always given back (mallopt(3), M_MMAP_THRESHOLD).
    """
    if size < _LONG or sys.platform != "linux":
        np.empty(min(size, _FREED), dtype=np.uint8)
        return
    import ctypes

    settle = getattr(ctypes.CDLL(None), "mallopt", None)
    if settle is not None:
        settle(_M_MMAP_THRESHOLD, _KEPT)


# Rows that stand where they do not belong: told a second time, or stamped out of order.

_TICK_BITS = TICK_LIMIT.bit_length() - 1
_MOST_POWER_UPS = 1 << 16  # told apart: a key has 64 bits
_CLOCK_STEP_US = 20_000  # as far as a buffered serial port delays by itself


@dataclass(frozen=True, slots=True, eq=False)
class Repeated:
    """Rows that tell a slot for the second time."""

    again: NDArray[np.bool_]
    contradicting: int


def restarts(rows: RowArrays, tick_bits: int = _TICK_BITS) -> NDArray[np.int64]:
    """Find the rows before which slots or ticks go back: where the board may have been off."""
    seq = rows.seq.astype(np.uint16)
    slots = seq[1:] - seq[:-1]
    ticks = np.diff(rows.t_us).astype(np.int64) & ((1 << tick_bits) - 1)
    return np.flatnonzero((slots == 0) | (slots >= SEQ // 2) | (ticks > 1 << (tick_bits - 1))) + 1


def repeated(rows: RowArrays, boots: Sequence[tuple[int, object]], tick_bits: int = _TICK_BITS) -> Repeated:
    """Find rows that tell a slot for the second time.

    Parameters
    ----------
    rows : RowArrays
        The rows as they stand in the log.
    boots : sequence of (int, object)
        How many rows stood before each device note, and which power-up it tells of.
    tick_bits : int
        Width of the board's clock.

    Returns
    -------
    Repeated

    Notes
    -----
    A row comes again when it has the slot number and the ticks of an earlier row of the same power-up,
    or the slot number of the row before it and less time between them than a turn of ``seq`` takes. No row is
    looked at in a log whose slots and ticks only ever go forward.
    """
    none = Repeated(np.zeros(len(rows.seq), bool), 0)
    if len(rows.seq) < 2:
        return none
    back = restarts(rows, tick_bits)
    if not len(back):
        return none
    key = rows.seq.astype(np.int64) << _TICK_BITS | rows.t_us
    begun = [row for row, _ in held_from(boots, back)[1:_MOST_POWER_UPS] if row < len(key)]
    power_up = np.zeros(len(key), np.int64)
    np.add.at(power_up, begun, 1 << (16 + _TICK_BITS))
    key += np.cumsum(power_up, out=power_up)
    order = np.argsort(key, kind="stable")
    first = np.concatenate([[True], np.diff(key[order]) != 0])
    first = order[np.maximum.accumulate(np.where(first, np.arange(len(key)), 0))]
    earlier = np.empty_like(first)
    earlier[order] = first
    seq = rows.seq.astype(np.uint16)
    slots, ticks = seq[1:] - seq[:-1], np.diff(rows.t_us).astype(np.int64) & ((1 << tick_bits) - 1)
    near = ticks[slots == 1]
    turn = LONG_TURN * (float(np.median(near)) if len(near) else np.inf)
    stands = np.flatnonzero((slots == 0) & (ticks < turn)) + 1
    own = stands[earlier[stands] == stands]
    earlier[own] = own - 1
    again = earlier != np.arange(len(key))
    if not again.any():
        return none
    there = np.flatnonzero(again)
    said, first_said = (
        np.column_stack([rows.throttle_us[at], rows.flags[at], rows.counts[at]])
        for at in (there, earlier[there])
    )
    other = ((said != first_said) & ~(np.isnan(said) & np.isnan(first_said))).any(axis=1)
    return Repeated(again, int(np.count_nonzero(other)))


def in_order(host_us: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Find rows whose host time lies between those of the rows beside them.

    Parameters
    ----------
    host_us : ndarray of int64, shape (n,)
        Host time as logged, µs.

    Returns
    -------
    ndarray of bool, shape (n,)

    Notes
    -----
    The host's clock never goes back and its text has no check, so a row far out of order
    between two that are in order has a damaged host time. Of two rows side by side that could
    each be the damaged one, the first is taken. A step back that another logger's clock may
    have made by itself is left: the row's own check holds, and its time misleads nobody.
    """
    kept = np.ones(len(host_us), dtype=bool)
    if len(host_us) < 3:
        return kept
    before, here, after = host_us[:-2], host_us[1:-1], host_us[2:]
    off = (here < before - _CLOCK_STEP_US) | (here > after + _CLOCK_STEP_US)
    for i in (np.flatnonzero((before <= after) & off) + 1).tolist():
        kept[i] = not kept[i - 1]
    kept[0] = not host_us[1] <= host_us[2] < host_us[0] - _CLOCK_STEP_US
    kept[-1] = not host_us[-1] + _CLOCK_STEP_US < host_us[-3] <= host_us[-2]
    return kept
