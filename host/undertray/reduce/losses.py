"""Events of a run: what was lost, when, where, how fast, and whether the throttle explains it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Protocol, TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from undertray.errors import ReductionError
from undertray.reduce.detect.detector import Detector
from undertray.reduce.loss import KINDS, Loss, LossParameters
from undertray.reduce.middle import middle
from undertray.reduce.products import Table, pieces

__all__ = ["KINDS", "Loss", "LossParameters", "find_losses"]

Told_co = TypeVar("Told_co", covariant=True)

_MAX_TAPS = 64
_FED = 1 << 17  # rows handed to the detector at once


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
        Thresholds; the defaults are scaled by the noise of the run itself.
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
    Suction can fall only towards what the throttle asks for now: a fan runs after its command
    and never below it. So the lowest suction that the throttle explains is the lower of the
    suction before and of what the present throttle gives by the fan law, and a fall below that is
    a leak that opened, however slow the fan is. The fan law (exponent, dead band, lag) is learned
    from the run itself as it goes.

    Without a throttle nothing can tell a cut from a leak by cause, so only speed is left: a fan
    coasts down over several tenths of a second, a seal lets go in tens of milliseconds. A fall
    shorter than ``coast_s`` is then called a seal loss, with less confidence; a slower one is not
    reported at all, since both kinds it could be need the throttle; nor is a fall to nothing (less
    than a twentieth left), which fans that were shut off make as well.

    Every fall is looked at twice: at once, by laws that promise little while little is known, and
    12 to 22 s later (at the end of the run at the latest) by one law of the rotor that is fitted to what
    came before and after. The second look finds losses beside throttle work, and takes back what
    does not show by it.

    A bump (suction back within ``bump_s``) is no event. Nor is it one where all of several taps are missing
    at once: a sensor fault is one tap's, while others are well.
    """
    return told_by(
        lambda period_s, taps: Detector(period_s, taps, parameters, tap_names=tap_names, weights=weights),
        t_s,
        suction_pa,
        throttle_us,
        out_of_range,
        period_s,
    )


class _Feeds(Protocol[Told_co]):
    def feed(
        self,
        t_s: NDArray[np.float64],
        suction_pa: NDArray[np.float64],
        throttle_us: NDArray[np.float64] | None = None,
        out_of_range: NDArray[np.bool_] | None = None,
    ) -> object: ...

    def finish(self) -> tuple[Told_co, ...]: ...


def told_by(
    make: Callable[[float, int], _Feeds[Told_co]],
    t_s: ArrayLike,
    suction_pa: ArrayLike | Table,
    throttle_us: ArrayLike | None,
    out_of_range: ArrayLike | Table | None,
    period_s: float | None,
) -> tuple[Told_co, ...]:
    """What a detector tells of a whole run; ``make`` gives one for a period and a number of taps."""
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
    detector = make(period_s, suction.shape[1])
    for a, b in pieces(0, len(t), _FED):
        detector.feed(
            t[a:b],
            suction[a:b],
            None if throttle is None else throttle[a:b],
            None if mask is None else mask[a:b],
        )
    return detector.finish()
