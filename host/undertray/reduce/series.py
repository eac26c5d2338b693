"""A reduced run over time."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from undertray.acquire.clock import BoardTime
from undertray.reduce.longtable import Column, Table, pieces

__all__ = ["Series", "last_known", "row_times"]

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Series:
    """The run over time, for pictures. n rows.

    Attributes
    ----------
    t_s : ndarray, shape (n,)
        Board time since the first good row, s.
    row_s : Column, shape (n,)
        How long each row stands for, s: to the next, but one sample period before a gap and at the end.
    tap_suction_pa : Table, shape (n, taps)
        Suction at each tap, in the order of the car's taps, Pa; NaN where missing.
    mean_suction_pa : Column, shape (n,)
        Mean over the floor, Pa.
    throttle_us : ndarray, shape (n,)
        NaN where unknown.
    downforce_n : Column, shape (n,)
        NaN in rows without a good tap.
    front_n, rear_n : ndarray, shape (n,)
        NaN in rows without a good tap.
    alarm : ndarray of bool, shape (n,)
        Alarm output of the board.
    pack_t_s, pack_mv : ndarray, shape (m,)
        Pack voltage, mV, as the board's status notes tell it about once a second; both empty where it is
        not measured.
    throttles_us : tuple of ndarray, shape (n,), or None
        Each throttle where two fans have their own; ``throttle_us`` is then the mean of both.
    pack2_mv : ndarray, shape (n,), or None
        Voltage of the second fan's own pack, mV; None where it has none.
    """

    t_s: Array
    row_s: Column
    tap_suction_pa: Table
    mean_suction_pa: Column
    throttle_us: Array
    downforce_n: Column
    front_n: Array
    rear_n: Array
    alarm: NDArray[np.bool_]
    pack_t_s: Array
    pack_mv: Array
    throttles_us: tuple[Array, Array] | None = None
    pack2_mv: Array | None = None


def last_known(values: Array, known: NDArray[np.bool_]) -> Array:
    """What is unknown is the last value known; before the first one, that. One at least is known."""
    if known.all():
        return values
    at = np.where(known, np.arange(len(values), dtype=np.int32), np.int32(known.argmax()))
    return np.asarray(values[np.maximum.accumulate(at, out=at)])


def row_times(time: BoardTime) -> Column:
    """Tell how long each row of a run stands for."""
    n = len(time.t_s)

    def make(rows: Any) -> Array:
        if isinstance(rows, slice):
            first, last, step = rows.indices(n)
            return time.row_s(first, max(first, last))[::step]
        if np.ndim(rows) == 0:
            return np.asarray(time.row_s(int(rows) % n, int(rows) % n + 1)[0])
        if rows.dtype != bool:
            first = int(np.min(rows, initial=n))
            return np.asarray(time.row_s(first, max(first, int(np.max(rows, initial=-1)) + 1))[rows - first])
        out, at = np.empty(np.count_nonzero(rows)), 0
        for a, b in pieces(0, n):
            part = time.row_s(a, b)[rows[a:b]]
            out[at : at + len(part)] = part
            at += len(part)
        return out

    return Column(n, make)
