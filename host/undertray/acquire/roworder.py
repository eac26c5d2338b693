"""Rows that stand where they do not belong: told a second time, or stamped out of order."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from undertray.acquire.rowtable import RowArrays
from undertray.acquire.slots import LONG_TURN, SEQ, held_from
from undertray.acquire.wire import TICK_LIMIT

__all__ = ["Repeated", "in_order", "repeated", "restarts"]

_TICK_BITS = TICK_LIMIT.bit_length() - 1
_CLOCK_STEP_US = 20_000  # as far as a buffered serial port delays by itself


@dataclass(frozen=True, slots=True, eq=False)
class Repeated:
    """Rows that tell a slot for the second time.

    Attributes
    ----------
    again : ndarray of bool, shape (n,)
        Which rows they are.
    contradicting : int
        How many of them say something else than the first.
    """

    again: NDArray[np.bool_]
    contradicting: int


def restarts(rows: RowArrays, tick_bits: int = _TICK_BITS) -> NDArray[np.int64]:
    """Find the rows before which slots or ticks go back: where the board may have been off.

    Parameters
    ----------
    rows : RowArrays
        The rows as they stand in the log.
    tick_bits : int
        Width of the board's clock.

    Returns
    -------
    ndarray of int64
    """
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
    held = held_from(boots, back)
    for number, (row, _) in enumerate(held[1:], 1):
        key[row:] += 1 << (16 + _TICK_BITS) if number < 1 << 16 else 0
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
