"""Steady dwells of a run, and how the fans follow a step of the throttle."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from undertray.quantiles import quantiles
from undertray.reduce.loss import Loss
from undertray.reduce.products import pieces
from undertray.reduce.series import Series
from undertray.reduce.steady import BLOCK_S, Blocks

__all__ = ["Dwell", "FanLag", "fan_lag", "steady_dwells"]

Array = NDArray[np.float64]

_APART_US = 12.0
_LEAST_S = 1.0
_STEP_US, _STEP_S = 100.0, 0.05
_BEFORE_S, _AFTER_S, _MOST_S = 0.3, 1.2, 3.0
_SETTLED = 1 - np.exp(-1)


@dataclass(frozen=True, slots=True)
class Dwell:
    """A stretch of steady throttle in which nothing happened.

    Attributes
    ----------
    start_s, seconds : float
        Where it begins once the fans have settled, and how long it lasts, s.
    throttle_us, suction_pa : float
        Mean pulse width, µs, and mean suction, Pa.
    pack_mv : float or None
        Mean pack voltage, mV; None where it was not measured.
    """

    start_s: float
    seconds: float
    throttle_us: float
    suction_pa: float
    pack_mv: float | None


@dataclass(frozen=True, slots=True)
class FanLag:
    """Time the fans need for 63 % of a step of throttle.

    Attributes
    ----------
    up_s, down_s : float or None
        Median over the steps up and down, s; None where there was none to see it by.
    steps : int
        How many steps that rests on.
    """

    up_s: float | None
    down_s: float | None
    steps: int


def steady_dwells(blocks: Blocks) -> tuple[Dwell, ...]:
    """Join the steady blocks of a run to dwells.

    Parameters
    ----------
    blocks : Blocks
        The run.

    Returns
    -------
    tuple of Dwell
        Of a second and more each, in order of time; none where no throttle was logged.
    """
    rows = np.flatnonzero(blocks.steady & np.isfinite(blocks.throttle_us))
    if not len(rows):
        return ()
    new = np.diff(rows) > 1
    new |= np.abs(np.diff(blocks.throttle_us[rows])) > _APART_US
    dwells = []
    for part in np.split(rows, np.flatnonzero(new) + 1):
        if len(part) * BLOCK_S >= _LEAST_S:
            pack = blocks.pack_mv[part]
            dwells.append(
                Dwell(
                    float(blocks.t_s[part[0]]),
                    len(part) * BLOCK_S,
                    float(blocks.throttle_us[part].mean()),
                    float(blocks.suction_pa[part].mean()),
                    float(pack.mean()) if np.isfinite(pack).all() else None,
                )
            )
    return tuple(dwells)


def fan_lag(series: Series, events: Sequence[Loss]) -> FanLag:
    """Estimate how the fans follow the throttle.

    Parameters
    ----------
    series : Series
        The run over time.
    events : sequence of Loss
        What happened in it; steps near an event that the throttle does not explain are left out.

    Returns
    -------
    FanLag

    Notes
    -----
    A step is a change by 100 µs and more within 50 ms, with a throttle that stood still (within 12 µs)
    for 0.3 s before it and for 1.2 s after it. By the fan laws the root of the suction goes with the
    speed, so the lag is the time until that root has done 1 - 1/e of its way, from the change of the
    pulse on: for a fan of first order its time constant.
    """
    u, t_s = series.throttle_us, series.t_s
    if len(t_s) < 3 or not np.isfinite(u).any():
        return FanLag(None, None, 0)
    with np.errstate(invalid="ignore"):
        moves = np.concatenate(
            [np.flatnonzero(np.abs(np.diff(u[a : b + 1])) > _APART_US) + a + 1 for a, b in pieces(0, len(u))]
        )
    busy = [(e.onset_s, np.inf if e.end_s is None else e.end_s) for e in events if e.kind != "throttle-cut"]
    busy_s = np.array(busy).reshape(-1, 2)
    lags: dict[bool, list[float]] = {True: [], False: []}
    ends = np.append(t_s[moves[1:]], t_s[-1])
    since = np.diff(t_s[moves], prepend=-np.inf)
    for first, quiet_s, k in zip(moves.tolist(), since.tolist(), range(len(moves)), strict=True):
        if quiet_s < _BEFORE_S:
            continue
        last = k
        while last + 1 < len(moves) and t_s[moves[last + 1]] - t_s[first] <= _STEP_S:
            last += 1
        rows = slice(first, int(np.searchsorted(t_s, min(ends[last], t_s[first] + _MOST_S))))
        lag = _lag(series, busy_s, first, int(moves[last]), rows)
        if lag is not None:
            lags[lag[1]].append(lag[0])
    up_s, down_s = (float(np.median(v)) if v else None for v in (lags[True], lags[False]))
    return FanLag(up_s, down_s, len(lags[True]) + len(lags[False]))


def _lag(series: Series, busy_s: Array, first: int, settled: int, rows: slice) -> tuple[float, bool] | None:
    """Lag after one step, and whether it went up; None where that cannot be told.

    ``busy_s`` is from when to when something happened that the throttle does not explain.
    """
    t_s, u = series.t_s, series.throttle_us
    begin = int(np.searchsorted(t_s, t_s[first] - _BEFORE_S))
    if rows.stop - rows.start < 4 or first - begin < 2 or t_s[rows.stop - 1] - t_s[settled] < _AFTER_S:
        return None
    change_us = float(u[settled] - u[first - 1])
    if not abs(change_us) >= _STEP_US:  # NaN too
        return None
    if np.any((busy_s[:, 0] < t_s[rows.stop - 1]) & (busy_s[:, 1] > t_s[begin])):
        return None
    root = np.sqrt(np.maximum(series.mean_suction_pa[begin : rows.stop], 0.0))
    if not np.isfinite(root).all():
        return None
    before = quantiles(root[: first - begin], (0.5,))[0]
    tail = int(np.searchsorted(t_s[begin : rows.stop], t_s[rows.stop - 1] - _BEFORE_S))
    way = quantiles(root[tail:], (0.5,))[0] - before
    up = change_us > 0
    if (way > 0) != up or abs(way) <= 0.2 * max(before, before + way):
        return None
    done = (root[first - begin :] - before) / way >= _SETTLED
    at = int(done.argmax())
    return (float(t_s[first + at] - t_s[first]), up) if done.any() else None
