"""What an event does to the hold: how long it is lost, and what warning there was."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from undertray.reduce.loss import Loss
from undertray.reduce.precursors import DECLINE, first_sign
from undertray.reduce.series import Series

if TYPE_CHECKING:
    from undertray.reduce.run import Reduction

__all__ = ["UNTOLD", "warning_words", "with_hold"]

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]

_LOOK_BACK_S = 7.0  # for signs before a loss
_AHEAD_S = 0.2


UNTOLD = {
    "below before": "the car had less than it needs before the loss already",
    "not below": "the car did not fall below its need",
    "not judged": "whether the car held cannot be told",
}
"""Why no warning can be told of a loss, by what stands in its place."""


def with_hold(event: Loss, series: Series, below: Bools) -> Loss:
    """Add what needs the car: time below the hold limit, and the warning there was.

    Parameters
    ----------
    event : Loss
        An event of the run.
    series : Series
        The run over time, n rows.
    below : ndarray of bool, shape (n,)
        Where the hold limit is not met though the car should hold: what the driver's throttle does is no
        loss's doing.

    Returns
    -------
    Loss
    """
    if event.kind in ("data-gap", "sensor-fault"):
        return event
    t_s = series.t_s
    a = int(np.searchsorted(t_s, event.onset_s))
    b = len(t_s) if event.end_s is None else int(np.searchsorted(t_s, event.end_s))
    event = replace(event, below_hold_s=float(series.row_s[a:b][below[a:b]].sum()))
    if event.kind == "throttle-cut":
        return event
    first = max(0, int(np.searchsorted(t_s, event.onset_s - _LOOK_BACK_S)))
    sign = first_sign(
        t_s[first:a], series.tap_suction_pa[first:a], series.throttle_us[first:a], event.onset_s
    )
    if sign is not None:
        at_s = sign.at_s
    elif event.kind == "slow-leak" and event.drop and event.fall_s:
        # a slow leak is its own sign, once it has taken as much as a slow decline has to
        at_s = event.onset_s + event.fall_s / 0.8 * min(1.0, DECLINE / event.drop)
    else:
        return event
    k = int(np.searchsorted(t_s, at_s))
    crossed = np.flatnonzero(below[k:b])
    if not crossed.size or crossed[0] == 0:
        return event  # never below, or below before there was any sign
    return replace(event, warning_s=float(t_s[k + crossed[0]] - at_s))


def warning_words(reduction: Reduction, event: Loss) -> str:
    """Say what warning there was before a loss of the seal.

    Parameters
    ----------
    reduction : Reduction
        The reduced run.
    event : Loss
        A seal loss or slow leak of it.

    Returns
    -------
    str
        Its length; ``none``; or a key of :data:`UNTOLD`: a warning is the time until the car has less than
        it needs, and is defined only where it had that before and not after.
    """
    if event.warning_s is not None:
        return f"{event.warning_s:.2f} s"
    found, t_s = reduction.holding, reduction.series.t_s
    if isinstance(found, str):
        return "not judged"
    end_s = t_s[-1] if event.end_s is None else event.end_s
    first, onset, end = np.searchsorted(t_s, [event.onset_s - _AHEAD_S, event.onset_s, end_s]).tolist()
    if 2 * np.count_nonzero(found.lacking[first:onset]) > onset - first:
        return "below before"
    return "none" if found.below[onset:end].any() else "not below"
