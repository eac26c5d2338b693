"""Events of a run: what was lost, when, where, how fast, and whether the throttle explains it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from undertray.errors import ReductionError
from undertray.quantiles import middle
from undertray.reduce.detect.detector import Detector
from undertray.reduce.longtable import Table, pieces
from undertray.reduce.loss import KINDS, Loss, LossParameters

__all__ = ["KINDS", "Loss", "LossParameters", "find_losses"]

_MAX_TAPS = 64
_FED = 1 << 16  # rows handed to the detector at once


def find_losses(
    t_s: ArrayLike,
    suction_pa: ArrayLike | Table,
    throttle_us: ArrayLike | None = None,
    parameters: LossParameters | None = None,
    *,
    tap_names: Sequence[str] | None = None,
    weights: ArrayLike | None = None,
    out_of_range: ArrayLike | Table | None = None,
    period_s: float | None = None,
) -> tuple[Loss, ...]:
    """Find the events of a run.

    Parameters
    ----------
    t_s : array, shape (n,)
        Time of each row, s, rising.
    suction_pa : array, shape (n, taps) or (n,)
        Suction at each tap, Pa, positive below ambient; NaN where a reading is missing.
    throttle_us : array, shape (n,), or None
        Throttle pulse width, µs; NaN where unknown.
    parameters : LossParameters or None
        What the detector goes by; its defaults if left out.
    tap_names : sequence of str or None
        Names for the events; p1, p2, ... if left out.
    weights : array, shape (taps,), or None
        Weight of each tap in the mean, such as its floor area; equal if left out.
    out_of_range : array of bool, shape (n, taps), or None
        Readings beyond the sensor's range.
    period_s : float or None
        Sample period, s; the median step of ``t_s`` if left out.

    Returns
    -------
    tuple of Loss
        In order of onset.

    Raises
    ------
    ReductionError
        When shapes do not fit or the time does not rise.

    Notes
    -----
    What the fan does not explain is explained anew: a window round it is taken as the fan, whose law may
    depart from what the rest of the run taught at a price, plus as few pieces as pay for themselves: a sudden
    or slow fall, a dip that heals, a fan that did otherwise. A fall counts as a loss if it stands, or heals
    after more than ``dip_s`` (then it is ``brief`` up to ``brief_s``); what heals sooner is a bump of the
    road, and no event. Nothing is told at idle, where there is nothing to lose.

    A tap is judged by the others first: missing, stuck, at its limit, off its hose, or late (clogged,
    pinched). It is no fault where all of several taps are missing at once.

    Gaps up to ``outage_s`` are bridged: a loss that began in one has ``onset_between_s``. Without a throttle
    a fall within ``coast_s`` is a loss, with less confidence; a slower one is not told, nor a fall to
    nothing.

    Examples
    --------
    Two taps at 200 Hz; the suction falls to a quarter after three seconds.

    >>> import numpy as np
    >>> from undertray import find_losses
    >>> t_s = np.arange(1200) / 200
    >>> noise_pa = np.random.default_rng(1).normal(0, 4, (1200, 2))
    >>> suction_pa = np.where(t_s < 3, 800, 200)[:, None] + noise_pa
    >>> [loss] = find_losses(t_s, suction_pa, np.full(1200, 1600))
    >>> loss.kind, round(loss.onset_s, 1), round(loss.drop, 2)
    ('seal-loss', 3.0, 0.75)
    """
    t = np.asarray(t_s, float)
    suction = suction_pa if isinstance(suction_pa, Table) else np.asarray(suction_pa, float)
    suction = suction[:, None] if suction.ndim == 1 else suction
    if t.ndim != 1 or suction.ndim != 2 or len(suction) != len(t) or not 1 <= suction.shape[1] <= _MAX_TAPS:
        raise ReductionError(
            "shapes do not fit",
            where="find_losses",
            seen=(t.shape, suction.shape),
            expected="t_s (n,) and suction_pa (n,) or (n, taps)",
        )
    step = np.diff(t)
    if not np.isfinite(t).all() or (step < 0).any():
        raise ReductionError("the time does not rise", where="find_losses", expected="finite, rising t_s")
    throttle = None if throttle_us is None else np.asarray(throttle_us, float)
    mask = out_of_range
    if mask is not None and not isinstance(mask, Table):
        mask = np.asarray(mask, bool)
    for name, array, shape in (("throttle_us", throttle, t.shape), ("out_of_range", mask, suction.shape)):
        if array is not None and array.shape != shape:
            raise ReductionError(
                f"shape of {name} does not fit", where="find_losses", seen=array.shape, expected=f"{shape}"
            )
    if period_s is None:
        positive = step[step > 0]
        if not positive.size:
            return ()
        period_s = middle(positive)
    if not 0 < period_s < np.inf:
        raise ReductionError("no sample period", where="find_losses", seen=period_s, expected="s above 0")
    del step  # as long as the run, as is what the detector makes room for
    detector = Detector(
        period_s,
        suction.shape[1],
        parameters,
        tap_names=tap_names,
        weights=weights,
        alarms=False,
        span_s=min(float(np.ptp(t)), 2 * len(t) * period_s),  # a log may leap by years
    )
    for a, b in pieces(0, len(t), _FED):
        detector.feed(
            t[a:b],
            suction[a:b],
            None if throttle is None else throttle[a:b],
            None if mask is None else mask[a:b],
        )
    return detector.finish()
