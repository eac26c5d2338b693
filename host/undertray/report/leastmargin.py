"""How far off the least margin of a run may be: it is no mean."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from undertray.calibrate.distributions import student_quantile

if TYPE_CHECKING:
    from undertray.reduce.holding import Holding
    from undertray.reduce.margins import Moment
    from undertray.reduce.run import Reduction

__all__ = ["least_u95_n"]

_SURE = 0.975  # on this side
_NEAR_S = 1.0
_STEP_TO_SD = 1.048358  # median step of white noise to its standard deviation


def least_u95_n(reduction: Reduction, found: Holding, least: Moment) -> float | None:
    """Uncertainty of a least margin.

    Parameters
    ----------
    reduction : Reduction
        The reduced run.
    found : Holding
        How it held.
    least : Moment
        The least margin.

    Returns
    -------
    float or None
        Half width of its 95 % interval, N; None without a calibration.

    Notes
    -----
    That of the load it is of, and that it is the least of many readings: of n that scatter by s about one
    value the least is below it by up to ``s q``, q the 97.5 % point of the largest of n normal values,
    ``Phi(q) = 0.975^(1/n)`` (derived). The true least is so rather above than below what is told.
    """
    load_n = _load_u95_n(reduction, least.who)
    if load_n is None:
        return None
    readings = max(1.0, found.counted_s * reduction.rate_hz)
    q = student_quantile(math.inf, 2 * _SURE ** (1 / readings) - 1)
    return math.hypot(load_n, q * _scatter_n(reduction, least))


def _scatter_n(reduction: Reduction, least: Moment) -> float:
    """What a single reading of the load scatters by, from row to row near a moment."""
    series = reduction.series
    a, b = np.searchsorted(series.t_s, [least.at_s - _NEAR_S, least.at_s + _NEAR_S]).tolist()
    front_n, rear_n = series.front_n[a:b], series.rear_n[a:b]
    load_n = {"front axle": front_n, "rear axle": rear_n}.get(least.who, front_n + rear_n)
    steps = np.abs(np.diff(load_n))
    steps = steps[np.isfinite(steps)]
    return _STEP_TO_SD * float(np.median(steps)) if len(steps) else 0.0


def _load_u95_n(reduction: Reduction, who: str) -> float | None:
    """Uncertainty of the load that the margin is of.

    The larger of that of the whole run, which knows of taps that failed, and that while the fans worked,
    which knows of how much more there was to be uncertain of.
    """
    axles, steady = reduction.axles, reduction.steady
    whole_n = {
        "front axle": axles["front"].u95_n,
        "rear axle": axles["rear"].u95_n,
        "whole car": reduction.downforce_n.u95,
    }[who]
    if whole_n is None or steady is None:
        return whole_n
    working = {"front axle": steady.front_n, "rear axle": steady.rear_n, "whole car": steady.downforce_n}[who]
    return whole_n if working.u95 is None else max(whole_n, working.u95)
