"""Events of a run: what was lost, when, where, how fast, and whether the throttle explains it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from undertray.errors import ReductionError
from undertray.quantiles import middle
from undertray.reduce.detect.detector import Detector
from undertray.reduce.longtable import Table, pieces
from undertray.reduce.loss import KINDS, Loss, LossParameters

__all__ = ["KINDS", "Loss", "LossParameters", "find_losses", "without_pack_sag"]


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


# Falls that go with the pack's voltage: a pack at its end, and no leak.

Array = NDArray[np.float64]

_LONG_S = 5.0  # a pack does not fall off faster (common practice, no source)
_NEAR_S = 3.0  # how far from a time the voltage may have been measured
_LEAST_NOTES = 3  # that the voltage at a time is the median of: one wrong reading is none
_EMPTY = (
    0.7  # a pack at less of its voltage is a loose wire, or is being destroyed (common practice, no source)
)


def without_pack_sag(
    events: Sequence[Loss], pack_t_s: Array, pack_mv: Array, parameters: LossParameters | None = None
) -> tuple[tuple[Loss, ...], tuple[str, ...]]:
    """Take back slow leaks that the pack's voltage explains.

    Parameters
    ----------
    events : sequence of Loss
        Events of a run.
    pack_t_s, pack_mv : ndarray, shape (m,)
        When the voltage was measured, s, and what it was, mV; empty where it was not.
    parameters : LossParameters or None
        Thresholds of the detector; its defaults if None.

    Returns
    -------
    events : tuple of Loss
        Those that stand.
    notices : tuple of str
        What was taken back, and what could not be looked at.

    Notes
    -----
    At one pulse a fan's speed goes with the voltage, and by the fan laws its suction with the square of
    the speed: ``(V_bottom / V_onset)^2`` of the suction is left on an unchanged seal. A slow leak stands if
    what is missing beyond that is at least the least drop of a leak. The voltage at a time is the median
    of the readings within 3 s, at least three; where there are fewer, or it fell by more than a pack can,
    the leak stands, and that is said.
    """
    least = (parameters or LossParameters()).leak_drop
    kept, said, unseen = [], [], []
    for event in events:
        if event.kind != "slow-leak" or not event.drop:
            kept.append(event)
            continue
        before, after = (_near(at_s, pack_t_s, pack_mv) for at_s in (event.onset_s, event.bottom_s))
        if before is None or after is None or after < _EMPTY * before:
            unseen += [event] if event.bottom_s - event.onset_s > _LONG_S else []
            kept.append(event)
        elif 1 - (1 - event.drop) / min(1.0, (after / before) ** 2) >= least:
            kept.append(event)
        else:
            said.append(
                f"the suction fell by {event.drop:.0%} from {event.onset_s:.1f} s on, with the pack from "
                f"{before / 1e3:.2f} to {after / 1e3:.2f} V, which explains {1 - (after / before) ** 2:.0%}: "
                "not told as a leak"
            )
    if unseen:
        when = ", ".join(f"{event.onset_s:.1f} s" for event in unseen)
        said.append(
            f"slow leak at {when}: the pack's voltage there is not known, and a pack at its end falls off "
            "in the same way"
        )
    return tuple(kept), tuple(said)


def _near(at_s: float, pack_t_s: Array, pack_mv: Array) -> float | None:
    near = pack_mv[np.abs(pack_t_s - at_s) <= _NEAR_S]
    return middle(near) if len(near) >= _LEAST_NOTES else None
