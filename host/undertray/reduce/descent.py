"""How a throttle goes down for good: where that begins, however slowly and in whatever steps."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from undertray.reduce.steady import BLOCK_S

__all__ = ["Passage", "Throttle", "goes_down"]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

_TREMBLE_US = 5.0  # a receiver's pulse trembles by 1 to 3 (common practice, no source)
_RAISED_US = 25.0  # a thumb on its way down wavers by less (our choice, no source)
_KEPT_S = 4.0  # a throttle kept for longer is driven at, and no step on the way down (our choice, no source)
_SETTLED_S = 0.2
_BACK_S = 0.6  # within which a car holds again once the throttle is back


@dataclass(frozen=True, slots=True)
class Passage:
    """A throttle kept for 4 s and more on the way down, at which the car did not hold.

    Attributes
    ----------
    throttle_us, seconds : float
        The throttle, µs, and for how long, s.
    """

    throttle_us: float
    seconds: float


@dataclass(frozen=True, slots=True, eq=False)
class Throttle:
    """The throttle of a run by blocks of 0.1 s, k of them.

    Attributes
    ----------
    starts : ndarray of int64, shape (k,)
        Row that each begins with.
    usual_us : ndarray of float64, shape (k,)
        Its median, µs.
    held, lost, known : ndarray of bool, shape (k,)
        Whether the car had what it takes all the while; whether a loss began that the throttle does not
        explain; whether a pulse was seen.
    work_us, kept_us : float
        Throttle at and above which the car should hold, and at and above which it does, not only while its
        fans still run down, µs.
    half_us, rest_us : float
        Throttle above which it is up, and at and below which it rests, µs.
    """

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
            end, middle_us = i + kept, float(np.median(here))
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
    level_us = float(np.median(throttle.usual_us[a:b]))
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
