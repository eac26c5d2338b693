"""What an event does to the hold: how long it is lost, and what warning there was."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from undertray.quantiles import middle, middles
from undertray.reduce.longtable import pieces
from undertray.reduce.loss import Loss
from undertray.reduce.series import Series

if TYPE_CHECKING:
    from undertray.reduce.run import Reduction

__all__ = ["DECLINE", "UNTOLD", "Sign", "first_sign", "sign_before", "warning_words", "with_hold"]


# Signs ahead of a loss, and the warning they would have given.

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]

_WINDOW_S = 0.1
_RESTING_US = 15.0  # range of the throttle within which it rests
_BACK_S, _BASE_S = 6.0, 2.5  # how far back is looked, and how much of that serves for comparison
_LEAST_WINDOWS = 3
_STANDS = 0.7  # share of the windows from the sign to the onset that show it too
_FLUTTER = 1.5  # rise of the fluctuation's standard deviation
_FAST_S, _SLOW_S = 0.005, 0.02  # over which it is looked at: a skirt flaps some 3 to 100 times a second
_AHEAD = 0.06  # shift of one tap against the rest
DECLINE = 0.05
"""Fall of the mean, while the throttle rests, that is a sign."""
_SURE = 6.0  # robust standard deviations of the comparison


@dataclass(frozen=True, slots=True)
class Sign:
    """The first sign of a loss."""

    at_s: float
    kind: str


def first_sign(t_s: Array, taps_pa: Array, throttle_us: Array, onset_s: float) -> Sign | None:
    """Look for signs in the seconds ahead of a loss.

    Parameters
    ----------
    t_s : ndarray, shape (n,)
        Time, s; only what lies within 6 s ahead of the onset is looked at.
    taps_pa : ndarray, shape (n, taps)
        Suction, Pa; rows with a missing tap are left out.
    throttle_us : ndarray, shape (n,)
        Throttle, µs; NaN where unknown.
    onset_s : float
        Onset of the loss, s.

    Returns
    -------
    Sign or None
        The earliest sign that stood up to the onset; None where there is plainly none.

    Notes
    -----
    In windows of 0.1 s, against the windows 6 to 3.5 s ahead: the scatter of the differences over 5 ms
    (from sample to sample below 200 Hz) grows by half, or, with the throttle at rest, the root of the mean
    square of the differences over 20 ms (a skirt flutters); one tap's share of the mean falls by 6 %; the
    mean falls by 5 % with the throttle at rest. Each also by six robust standard deviations of the
    comparison, and in seven windows of ten from then on. A skirt torn by a stone gives no sign, and
    an alarm must never depend on one.

    References
    ----------
    M. Scheffer et al., Early-warning signals for critical transitions, Nature 461 (2009) 53-59, for
    rising variance ahead of a slow loss of stability.
    """
    period = middle(np.diff(t_s[:1000])) if len(t_s) > 2 else np.inf
    rows = (t_s >= onset_s - _BACK_S) & (t_s < onset_s - 1.5 * period)
    rows &= np.isfinite(taps_pa).all(axis=1)
    size = max(3, round(_WINDOW_S / period)) if np.isfinite(period) else 0
    count = int(rows.sum()) // size if size else 0
    base = round(_BASE_S / _WINDOW_S)
    if count < base + _LEAST_WINDOWS:
        return None
    keep = np.flatnonzero(rows)[-count * size :]
    cube = taps_pa[keep].reshape(count, size, -1)
    end_s = t_s[keep].reshape(count, size)[:, -1]
    mean = cube.mean(axis=(1, 2))
    if mean.min() <= 0:
        return None
    throttle = throttle_us[keep]
    resting = bool(np.isfinite(throttle).all()) and np.ptp(throttle) <= _RESTING_US
    calm = _calmed(taps_pa[keep], max(1, round(_FAST_S / period)))
    fast = _windows(np.diff(calm, axis=0), count, size).std(axis=1)
    signs = {"flutter": _louder(fast, mean, base)}
    if cube.shape[2] > 1:
        signs["one tap ahead"] = _ahead(cube, mean, base)
    if resting:
        far = max(1, round(_SLOW_S / period))
        slow = np.sqrt(np.square(_windows(calm[far:] - calm[:-far], count, size)).mean(axis=1))
        signs["flutter"] |= _louder(slow, mean, base)
        signs["slow decline"] = _beyond(1 - mean / middle(mean[:base]), base, DECLINE)
    found = [
        Sign(float(end_s[k]), kind) for kind, shown in signs.items() if (k := _first(shown, base)) is not None
    ]
    return min(found, key=lambda s: s.at_s, default=None)


def _calmed(y: Array, width: int) -> Array:
    """Mean over some samples from each on, so that what follows does not depend on the sample rate."""
    if width < 2:
        return y
    total = np.concatenate([np.zeros((1, y.shape[1])), np.cumsum(y, axis=0)])
    return np.asarray((total[width:] - total[:-width]) / width)


def _windows(y: Array, count: int, size: int) -> Array:
    """Cut into windows; what is missing of the first (a difference has fewer rows) stays as it begins."""
    missing = count * size - len(y)
    return np.concatenate([np.repeat(y[:1], missing, axis=0), y]).reshape(count, size, -1)


def _louder(scatter: Array, mean: Array, base: int) -> Bools:
    """Windows in which some tap fluctuates more than the loudest did."""
    share = scatter.max(axis=1) / mean
    usual = middle(share[:base])
    return _beyond(share / usual - 1, base, _FLUTTER - 1) if usual > 0 else np.zeros(len(mean), bool)


def _ahead(cube: Array, mean: Array, base: int) -> Bools:
    share = cube.mean(axis=1) / mean[:, None]
    shift = share / middles(share[:base].T) - 1
    # the tap that goes ahead falls; the others only seem to rise against the mean
    shown = [_beyond(-shift[:, i], base, _AHEAD) for i in range(shift.shape[1])]
    return np.asarray(np.any(shown, axis=0))


def _beyond(value: Array, base: int, least: float) -> Bools:
    """Windows in which a value stands out of what it was in the comparison."""
    sd = 1.482602 * middle(np.abs(value[:base] - middle(value[:base])))
    return np.asarray(value > max(least, _SURE * sd))


def _first(shown: Bools, base: int) -> int | None:
    """First window from which on the sign stands."""
    after = shown[base:]
    if not after[-1]:
        return None
    standing = np.cumsum(after[::-1])[::-1] / np.arange(len(after), 0, -1)
    good = np.flatnonzero(after & (standing >= _STANDS))
    k = int(good[0])
    return base + k if len(after) - k >= _LEAST_WINDOWS else None


_LOOK_BACK_S = 7.0  # for signs before a loss
_AHEAD_S = 0.2
_MISSING = 0.1  # of the rows that were looked at for a sign
_PIECE = 4096  # rows


UNTOLD = {
    "below before": "the car had less than it needs before the loss already",
    "not below": "the car did not fall below its need",
    "not judged": "whether the car held is not known",
    "not known": "rows are missing in the seconds before it, in which a sign may have been",
}
"""Why no warning time is known of a loss, by what stands in its place."""


def sign_before(event: Loss, series: Series) -> Sign | None:
    """Find the first sign of a loss of a run."""
    t_s = series.t_s
    first, a = np.searchsorted(t_s, [event.onset_s - _LOOK_BACK_S, event.onset_s]).tolist()
    sign = first_sign(
        t_s[first:a], series.tap_suction_pa[first:a], series.throttle_us[first:a], event.onset_s
    )
    if sign is None and event.kind == "slow-leak" and event.drop and event.fall_s:
        # a slow leak is its own sign, once it has taken as much as a slow decline has to
        return Sign(event.onset_s + event.fall_s / 0.8 * min(1.0, DECLINE / event.drop), "slow decline")
    return sign


def with_hold(events: Sequence[Loss], series: Series, below: Bools) -> tuple[Loss, ...]:
    """Add what needs the car: time below the hold limit, and the warning there was."""
    below_s = _TimeOf(series, below)
    return tuple(_with_hold(event, series, below, below_s) for event in events)


class _TimeOf:
    """Time of some rows between any two: an event without an end reaches to the end of the run."""

    def __init__(self, series: Series, rows: Bools) -> None:
        self._row_s, self._rows = series.row_s, rows
        each = [self._sum_s(a, b) for a, b in pieces(0, len(rows), _PIECE)]
        self._before_s = np.concatenate([[0.0], np.cumsum(each)])

    def _sum_s(self, first: int, last: int) -> float:
        return float(self._row_s[first:last][self._rows[first:last]].sum())

    def _until_s(self, row: int) -> float:
        piece = row // _PIECE
        return float(self._before_s[piece]) + self._sum_s(piece * _PIECE, row)

    def between(self, first: int, last: int) -> float:
        """From one row to before another, s."""
        near = last - first <= 2 * _PIECE
        return self._sum_s(first, last) if near else self._until_s(last) - self._until_s(first)


def _with_hold(event: Loss, series: Series, below: Bools, below_s: _TimeOf) -> Loss:
    if event.kind in ("data-gap", "sensor-fault"):
        return event
    t_s = series.t_s
    a = int(np.searchsorted(t_s, event.onset_s))
    b = len(t_s) if event.end_s is None else int(np.searchsorted(t_s, event.end_s))
    event = replace(event, below_hold_s=below_s.between(a, b))
    if event.kind == "throttle-cut":
        return event
    sign = sign_before(event, series)
    if sign is None:
        return event
    k = int(np.searchsorted(t_s, sign.at_s))
    crossed = int(below[k:b].argmax()) if k < b else 0
    if not crossed:
        return event  # never below, or below before there was any sign
    return replace(event, warning_s=float(t_s[k + crossed] - sign.at_s))


def warning_words(reduction: Reduction, event: Loss) -> str:
    """Say what warning there was before a loss of the seal."""
    if event.warning_s is not None:
        return f"{event.warning_s:.2f} s"
    found, t_s = reduction.holding, reduction.series.t_s
    if isinstance(found, str):
        return "not judged"
    end_s = t_s[-1] if event.end_s is None else event.end_s
    looked_s = event.onset_s - _LOOK_BACK_S, event.onset_s - _AHEAD_S, event.onset_s, end_s
    early, first, onset, end = np.searchsorted(t_s, looked_s).tolist()
    if 2 * np.count_nonzero(found.lacking[first:onset]) > onset - first:
        return "below before"
    if not found.below[onset:end].any():
        return "not below"
    slots = reduction.rate_hz * min(_LOOK_BACK_S, event.onset_s - float(t_s[0]))
    return "none" if onset - early >= (1 - _MISSING) * slots else "not known"
