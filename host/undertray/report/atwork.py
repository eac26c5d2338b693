"""When the fans were asked to hold: by the throttle at which the car did hold, whatever single pulses say."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from undertray.reduce.steady import BLOCK_S, REST_US, SETTLE_S, block_starts

if TYPE_CHECKING:
    from undertray.reduce.series import Series

__all__ = ["AtWork", "at_work", "stretches"]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

_LEAST_MOVE_US = 50.0
_LEAST_LEVEL_S = 1.0
_DIP_S = 1.0


@dataclass(frozen=True, slots=True, eq=False)
class AtWork:
    """When the fans were asked to hold. n rows.

    Attributes
    ----------
    asked : ndarray of bool, shape (n,)
        Rows in which they were; all where no throttle tells.
    up : ndarray of bool, shape (n,)
        Rows with the throttle above idle, or unknown.
    told : bool
        Whether a throttle tells.
    resting : bool
        Whether it says that the fans never ran.
    """

    asked: Mask
    up: Mask
    told: bool
    resting: bool


def at_work(series: Series, held: Mask) -> AtWork:
    """Find out when the fans were asked to hold.

    Parameters
    ----------
    series : Series
        The run over time.
    held : ndarray of bool, shape (n,)
        Rows in which the car had what it takes.

    Returns
    -------
    AtWork

    Notes
    -----
    They were while the throttle is above half way between idle and the least throttle, the most of 0.8 s, at
    which the car held for a second in all; its greatest throttle where there is none. Idle is its least
    throttle; 1100 µs where the car held for most of the time at that. All by the medians of tenths of a
    second: one row is no throttle. An unknown throttle is taken for the last one known, and one
    that is down for less than a second for one that stayed up.
    """
    n, pulse_us = len(series.t_s), series.throttle_us
    known = np.isfinite(pulse_us)
    if not known.any():
        return AtWork(np.ones(n, bool), np.ones(n, bool), told=False, resting=False)
    filled_us = _last_known(pulse_us)
    starts, _ = block_starts(series.t_s)
    usual_us = _medians(filled_us, starts)
    low_us, high_us = float(usual_us.min()), float(usual_us.max())
    if high_us - low_us < _LEAST_MOVE_US:
        resting = high_us <= REST_US
        return AtWork(np.ones(n, bool), np.full(n, not resting), told=False, resting=resting)
    at_low = filled_us < low_us + _LEAST_MOVE_US
    idle_us = REST_US if low_us > REST_US and 2 * np.count_nonzero(held & at_low) > at_low.sum() else low_us
    up = ~known | (filled_us >= idle_us + _LEAST_MOVE_US)
    held_us = _held_at_us(usual_us, np.logical_and.reduceat(held, starts), idle_us + _LEAST_MOVE_US)
    half_us = (idle_us + min(high_us, held_us)) / 2
    asked = _without_dips(filled_us > half_us, series.t_s)
    return AtWork(asked, up, told=True, resting=high_us <= REST_US)


def stretches(mask: Mask) -> Iterator[tuple[int, int]]:
    """Find the runs of rows in a mask.

    Parameters
    ----------
    mask : ndarray of bool, shape (n,)
        Rows.

    Yields
    ------
    tuple of (int, int)
        First row, and the row after the last one.
    """
    edges = np.flatnonzero(np.diff(np.concatenate(([False], mask, [False])).astype(np.int8)))
    yield from zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True)


def _medians(values: Array, starts: NDArray[np.int64]) -> Array:
    """Median of each block, the upper one of two."""
    counts = np.diff(starts, append=len(values))
    order = np.lexsort((values, np.repeat(np.arange(len(starts)), counts)))
    return np.asarray(values[order[starts + counts // 2]])


def _held_at_us(usual_us: Array, held: Mask, least_us: float) -> float:
    """The least throttle that the car held at for a second in all; infinite if there is none.

    What holds a car is the most of the last 0.8 s: fans that run down hold it for a while at any throttle.
    """
    window = round(SETTLE_S / BLOCK_S) + 1
    if len(held) < window:
        return np.inf
    held_us = np.lib.stride_tricks.sliding_window_view(usual_us, window).max(axis=1)
    found = np.sort(held_us[held[window - 1 :] & (held_us >= least_us)])
    blocks = round(_LEAST_LEVEL_S / BLOCK_S)
    return float(found[blocks - 1]) if len(found) >= blocks else np.inf


def _without_dips(asked: Mask, t_s: Array) -> Mask:
    whole = asked.copy()
    for start, stop in stretches(~asked):
        if start and stop < len(asked) and t_s[stop] - t_s[start] < _DIP_S:
            whole[start:stop] = True
    return whole


def _last_known(values: Array) -> Array:
    """What is unknown is the last value known; before the first one, that."""
    known = np.isfinite(values)
    at = np.maximum.accumulate(np.where(known, np.arange(len(values)), int(known.argmax())))
    return np.asarray(values[at])
