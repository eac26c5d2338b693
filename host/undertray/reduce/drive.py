"""When the driver asked the fans to hold: from the throttle going up until it begins to go down for good."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from undertray.reduce.descent import Passage, Throttle, goes_down
from undertray.reduce.loss import LOSS_KINDS
from undertray.reduce.products import pieces
from undertray.reduce.steady import BLOCK_S, REST_US, SETTLE_S, block_starts

if TYPE_CHECKING:
    from undertray.reduce.loss import Loss
    from undertray.reduce.series import Series

__all__ = ["Drive", "Spell", "drive", "stretches"]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

_LEAST_MOVE_US = 50.0
_BLOCKS = 1024  # looked at together
_LEAST_LEVEL_S = 1.0
_REST_S = 1.0
_REST_SHARE = 0.25  # of the throttle above idle: by the fan laws a sixteenth of the suction
_COASTED_S = 3.0  # longer than fans that coast hold a car (our choice, no source)
_BEFORE_S = 0.2
_LOST_S = 0.5  # how much of a loss on the way down counts: later the throttle has gone as well


@dataclass(frozen=True, slots=True)
class Spell:
    """One time that the throttle was up, as rows of the run.

    Attributes
    ----------
    start, end, stop : int
        First row with the throttle up; that from which it went down for good; and that from which it was
        down. The car is judged from the first to the second; all after it is the driver's doing.
    losses : tuple of (int, int)
        Rows after ``end`` in which a sudden loss of the seal that the throttle does not explain took the hold
        from the car: first, and the one after the last.
    passages : tuple of Passage
        Where the throttle rested on its way down.
    """

    start: int
    end: int
    stop: int
    losses: tuple[tuple[int, int], ...] = ()
    passages: tuple[Passage, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class Drive:
    """When the fans were asked to hold. n rows.

    Attributes
    ----------
    spells : tuple of Spell
        In order of time; the whole run where no throttle tells.
    up : ndarray of bool, shape (n,)
        Rows with the throttle above idle, or unknown.
    told : bool
        Whether a throttle tells.
    resting : bool
        Whether it says that the fans never ran.
    """

    spells: tuple[Spell, ...]
    up: Mask
    told: bool
    resting: bool


def drive(series: Series, held: Mask, events: Sequence[Loss]) -> Drive:
    """Find out when the fans were asked to hold.

    Parameters
    ----------
    series : Series
        The run over time.
    held : ndarray of bool, shape (n,)
        Rows in which the car had what it takes.
    events : sequence of Loss
        What happened in it.

    Returns
    -------
    Drive

    Notes
    -----
    The throttle is up above half way between idle and the least throttle, the most of 0.8 s, at which the car
    held for a second in all; its greatest throttle where there is none. Idle is its least throttle; 1100 µs
    where the car held for most of the time at that. It is at rest below a quarter of that way; one that goes
    down and comes up again without a second of rest has stayed up. An unknown throttle is taken for the last
    one known. All by the medians of tenths of a second: one row is no throttle.

    A spell ends where the throttle begins to go down for good (:func:`~undertray.reduce.descent.goes_down`).
    A sudden loss on the way down that takes the hold from a car that had it is none of the driver's doing.
    """
    n, pulse_us = len(series.t_s), series.throttle_us
    known = np.isfinite(pulse_us)
    whole = (Spell(0, n, n),)
    if not known.any():
        return Drive(whole, np.ones(n, bool), told=False, resting=False)
    filled_us = _last_known(pulse_us)
    starts, _ = block_starts(series.t_s)
    usual_us = _medians(filled_us, starts)
    low_us, high_us = float(usual_us.min()), float(usual_us.max())
    if high_us - low_us < _LEAST_MOVE_US:
        resting = high_us <= REST_US
        return Drive(whole, np.full(n, not resting), told=False, resting=resting)
    at_low = filled_us < low_us + _LEAST_MOVE_US
    idle_us = REST_US if low_us > REST_US and 2 * np.count_nonzero(held & at_low) > at_low.sum() else low_us
    least_us = idle_us + _LEAST_MOVE_US
    held_blocks = np.logical_and.reduceat(held, starts)
    work_us = min(high_us, _held_at_us(usual_us, held_blocks, least_us, SETTLE_S))
    losses = [e for e in events if e.kind in LOSS_KINDS and _unexplained(e, series, held)]
    lost = np.zeros(len(starts), bool)
    lost[[int(np.searchsorted(starts, _row(series, e.onset_s), "right")) - 1 for e in losses]] = True
    throttle = Throttle(
        starts=starts,
        usual_us=usual_us,
        held=held_blocks,
        lost=lost,
        known=np.logical_or.reduceat(known, starts),
        work_us=work_us,
        kept_us=min(high_us, _held_at_us(usual_us, held_blocks, least_us, _COASTED_S)),
        half_us=(idle_us + work_us) / 2,
        rest_us=idle_us + _REST_SHARE * (work_us - idle_us),
    )
    spells = []
    for start, stop in _times_up(throttle, filled_us, series.t_s):
        end, passages = goes_down(throttle, filled_us, start, stop)
        sudden = (e for e in losses if e.kind == "seal-loss")
        spells.append(Spell(start, end, stop, tuple(_taken(sudden, series, end, stop)), passages))
    return Drive(tuple(spells), ~known | (filled_us >= least_us), told=True, resting=high_us <= REST_US)


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


def _times_up(throttle: Throttle, filled_us: Array, t_s: Array) -> list[tuple[int, int]]:
    """Rows from going up to being down, one pair for each time that there was a rest between."""
    starts, up = throttle.starts, throttle.usual_us > throttle.half_us
    resting = throttle.usual_us <= throttle.rest_us
    for a, b in stretches(~up):
        rests_s = [t_s[starts[min(d, len(starts) - 1)]] - t_s[starts[c]] for c, d in _within(resting, a, b)]
        if a and b < len(up) and max(rests_s, default=0.0) < _REST_S - BLOCK_S / 2:
            up[a:b] = True
    found = []
    for a, b in stretches(up):
        # to the row: where it goes up or down lies in the block or in that next to it
        first, last = int(starts[max(a - 1, 0)]), int(starts[b]) if b < len(starts) else len(t_s)
        while first < last - 1 and a and filled_us[first] <= throttle.half_us:
            first += 1
        while b < len(starts) and last > first + 1 and filled_us[last - 1] <= throttle.half_us:
            last -= 1
        while b < len(starts) and last < len(t_s) and filled_us[last] > throttle.half_us:
            last += 1
        found.append((first, last))
    return found


def _within(mask: Mask, a: int, b: int) -> Iterator[tuple[int, int]]:
    yield from ((a + c, a + d) for c, d in stretches(mask[a:b]))


def _unexplained(event: Loss, series: Series, held: Mask) -> bool:
    """Whether a loss took the hold from a car that had it, with the throttle known."""
    at = _row(series, event.onset_s)
    before = held[_row(series, event.onset_s - _BEFORE_S) : at]
    seen = np.isfinite(series.throttle_us[max(at - 1, 0) : _row(series, event.bottom_s) + 1])
    return bool(2 * np.count_nonzero(before) > len(before) and seen.any())


def _taken(losses: Iterator[Loss], series: Series, end: int, stop: int) -> Iterator[tuple[int, int]]:
    """Rows of the losses that were complete after the throttle began to go down."""
    for event in losses:
        first, bottom = _row(series, event.onset_s), _row(series, event.bottom_s)
        over = stop if event.end_s is None else _row(series, event.end_s)
        after = max(bottom, _row(series, event.onset_s + _LOST_S))
        if end <= bottom and first < stop:
            yield max(first, end), min(after, over, stop)


def _row(series: Series, at_s: float) -> int:
    return min(int(np.searchsorted(series.t_s, at_s)), len(series.t_s) - 1)


def _medians(values: Array, starts: NDArray[np.int64]) -> Array:
    """Median of each block, the upper one of two."""
    out, edges = np.empty(len(starts)), np.append(starts, len(values))
    for a, b in pieces(0, len(starts), _BLOCKS):
        part, first = values[edges[a] : edges[b]], edges[a:b] - edges[a]
        counts = np.diff(edges[a : b + 1])
        order = np.lexsort((part, np.repeat(np.arange(b - a), counts)))
        out[a:b] = part[order[first + counts // 2]]
    return out


def _held_at_us(usual_us: Array, held: Mask, least_us: float, since_s: float) -> float:
    """The least throttle that the car held at for a second in all; infinite if there is none.

    What holds a car is the most of the last time: fans that run down hold it for a while at any throttle.
    """
    window = round(since_s / BLOCK_S) + 1
    if len(held) < window:
        return np.inf
    held_us = np.lib.stride_tricks.sliding_window_view(usual_us, window).max(axis=1)
    found = np.sort(held_us[held[window - 1 :] & (held_us >= least_us)])
    blocks = round(_LEAST_LEVEL_S / BLOCK_S)
    return float(found[blocks - 1]) if len(found) >= blocks else np.inf


def _last_known(values: Array) -> Array:
    """What is unknown is the last value known; before the first one, that."""
    known = np.isfinite(values)
    if known.all():
        return values
    at = np.where(known, np.arange(len(values), dtype=np.int32), np.int32(known.argmax()))
    return np.asarray(values[np.maximum.accumulate(at, out=at)])
