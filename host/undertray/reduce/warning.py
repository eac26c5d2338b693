"""What an event does to the hold: how long it is lost, and what warning there was."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from undertray.reduce.loss import Loss
from undertray.reduce.precursors import DECLINE, first_sign
from undertray.reduce.series import Series

__all__ = ["with_hold"]

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]

_LOOK_BACK_S = 7.0  # for signs before a loss


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
