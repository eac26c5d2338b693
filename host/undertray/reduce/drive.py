"""When the driver asked the fans to hold: from the throttle going up until it begins to go down for good."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from undertray.quantiles import middle
from undertray.reduce.longtable import pieces
from undertray.reduce.loss import LOSS_KINDS
from undertray.reduce.series import last_known
from undertray.reduce.steady import BLOCK_S, REST_US, SETTLE_S, block_starts

if TYPE_CHECKING:
    from undertray.reduce.loss import Loss
    from undertray.reduce.series import Series

__all__ = ["Drive", "Passage", "Spell", "Throttle", "drive", "goes_down", "stretches"]


# How a throttle goes down for good: where that begins, however slowly and in whatever steps.

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

_TREMBLE_US = 5.0  # a receiver's pulse trembles by 1 to 3 (common practice, no source)
_RAISED_US = 25.0  # a thumb on its way down wavers by less (our choice, no source)
_KEPT_S = 4.0  # a throttle kept for longer is driven at, and no step on the way down (our choice, no source)
_SETTLED_S = 0.2
_BACK_S = 0.6  # within which a car holds again once the throttle is back


@dataclass(frozen=True, slots=True)
class Passage:
    """A throttle kept for 4 s and more on the way down, at which the car did not hold."""

    throttle_us: float
    seconds: float


@dataclass(frozen=True, slots=True, eq=False)
class Throttle:
    """The throttle of a run by blocks of 0.1 s, k of them."""

    starts: NDArray[np.int64]
    usual_us: Array
    held: Mask
    lost: Mask
    known: Mask
    work_us: float
    kept_us: float
    half_us: float
    rest_us: float


def goes_down(throttle: Throttle, filled_us: Array, start: int, stop: int) -> tuple[int, tuple[Passage, ...]]:
    """Find where the throttle went down for good.

    Parameters
    ----------
    throttle : Throttle
        The throttle of the run.
    filled_us : ndarray of float64, shape (n,)
        The same row by row, without gaps, µs.
    start, stop : int
        First row with the throttle up, and that from which it was down.

    Returns
    -------
    end : int
        The row from which it went down.
    passages : tuple of Passage
        Where it rested on the way, where that was seen.

    Notes
    -----
    However slowly, and in whatever steps: from the end back to the last time that it was raised by more than
    25 µs to where the car held again, or should have; or to the last throttle that was kept for 4 s. Such
    a throttle belongs to the way down where the car did not hold at its end, had not held at it before,
    and no loss of the seal began at it: then the throttle explains it. Below 5 µs a pulse only trembles.
    """
    starts, usual_us = throttle.starts, throttle.usual_us
    first = int(np.searchsorted(starts, start, "right")) - 1
    last = int(np.searchsorted(starts, stop))
    kept, back = round(_KEPT_S / BLOCK_S), round(_BACK_S / BLOCK_S)
    passages: list[tuple[int, Passage]] = []
    i, top, at, least_us = last - 1, last - 1, -1, 0.0
    while i >= first:
        if usual_us[i] < usual_us[top] - _RAISED_US and (
            throttle.held[max(top - 1, first) : top + back].any()
            or usual_us[top] >= throttle.work_us - _TREMBLE_US
        ):
            break
        top = i if usual_us[i] > usual_us[top] else top
        here = usual_us[i : i + kept]
        if i + kept <= last and here.max() - here.min() <= _RAISED_US:
            if _driven_at(throttle, i, i + kept):
                least_us = here[: kept // 2].min() - _TREMBLE_US
                gone = np.flatnonzero(usual_us[i + kept // 2 : last] < least_us)
                at = i + kept // 2 + int(gone[0]) - 1 if len(gone) else last - 1
                break
            end, middle_us = i + kept, middle(here)
            while i > first and abs(usual_us[i - 1] - middle_us) <= _RAISED_US / 2:
                i -= 1
            top = i if usual_us[i] > usual_us[top] else top
            if throttle.known[i:end].all():
                passages.append((i, Passage(middle_us, (end - i) * BLOCK_S)))
        i -= 1
    if at < 0:
        least_us = float(usual_us[i + 1 : last].max()) - _TREMBLE_US
        at = i + 1 + int(np.flatnonzero(usual_us[i + 1 : last] >= least_us)[-1])
    later = tuple(passage for block, passage in passages[::-1] if block > at)
    return _last_row(throttle, filled_us, at, least_us, stop), later


def _driven_at(throttle: Throttle, a: int, b: int) -> bool:
    """Whether a throttle that was kept is one that the car was driven at, and no part of the way down."""
    level_us = middle(throttle.usual_us[a:b])
    settled = round(_SETTLED_S / BLOCK_S)
    return bool(
        level_us >= throttle.kept_us - _TREMBLE_US
        or throttle.held[b - 1 - settled : b].any()
        or throttle.lost[a:b].any()
    )


def _last_row(throttle: Throttle, filled_us: Array, block: int, least_us: float, stop: int) -> int:
    """The row after the last one of a block or the next that is not below a throttle; one row is none."""
    starts = throttle.starts
    first = int(starts[block])
    end = min(stop, int(starts[block + 2]) if block + 2 < len(starts) else len(filled_us))
    rows = filled_us[max(first - 1, 0) : end + 1]
    middle_us = rows.copy()
    if len(rows) > 2:
        a, b, c = rows[:-2], rows[1:-1], rows[2:]
        middle_us[1:-1] = np.maximum(np.minimum(a, b), np.minimum(np.maximum(a, b), c))
    up = np.flatnonzero(middle_us[first - max(first - 1, 0) :][: end - first] >= least_us)
    return first + int(up[-1]) + 1 if len(up) else first


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
    """One time that the throttle was up, as rows of the run."""

    start: int
    end: int
    stop: int
    losses: tuple[tuple[int, int], ...] = ()
    passages: tuple[Passage, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class Drive:
    """When the fans were asked to hold. n rows."""

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

    A spell ends where the throttle begins to go down for good (:func:`~undertray.reduce.drive.goes_down`).
    A sudden loss on the way down that takes the hold from a car that had it is none of the driver's doing.
    """
    n, pulse_us = len(series.t_s), series.throttle_us
    known = np.isfinite(pulse_us)
    whole = (Spell(0, n, n),)
    if not known.any():
        return Drive(whole, np.ones(n, bool), told=False, resting=False)
    filled_us = last_known(pulse_us, known)
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
    sudden = [_rows(event, series) for event in losses if event.kind == "seal-loss"]
    spells = []
    for start, stop in _times_up(throttle, filled_us, series.t_s):
        end, passages = goes_down(throttle, filled_us, start, stop)
        spells.append(Spell(start, end, stop, tuple(_taken(sudden, end, stop)), passages))
    return Drive(tuple(spells), ~known | (filled_us >= least_us), told=True, resting=high_us <= REST_US)


def stretches(mask: Mask) -> Iterator[tuple[int, int]]:
    """Find the runs of rows in a mask."""
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


def _rows(event: Loss, series: Series) -> tuple[int, int, int, int]:
    """Rows of a loss: onset, bottom, from when on it does not count any more, and its end."""
    bottom = _row(series, event.bottom_s)
    over = len(series.t_s) if event.end_s is None else _row(series, event.end_s)
    return _row(series, event.onset_s), bottom, max(bottom, _row(series, event.onset_s + _LOST_S)), over


def _taken(losses: Sequence[tuple[int, int, int, int]], end: int, stop: int) -> Iterator[tuple[int, int]]:
    """Rows of the losses that were complete after the throttle began to go down."""
    for first, bottom, after, over in losses:
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
    """The least throttle that the car held at for a second in all; infinite if there is none."""
    window = round(since_s / BLOCK_S) + 1
    if len(held) < window:
        return np.inf
    held_us = np.lib.stride_tricks.sliding_window_view(usual_us, window).max(axis=1)
    found = np.sort(held_us[held[window - 1 :] & (held_us >= least_us)])
    blocks = round(_LEAST_LEVEL_S / BLOCK_S)
    return float(found[blocks - 1]) if len(found) >= blocks else np.inf
