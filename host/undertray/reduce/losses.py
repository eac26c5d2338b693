"""Events of a run: what was lost, when, where, how fast, and whether the throttle explains it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from undertray.errors import ReductionError
from undertray.reduce.middle import middle

__all__ = ["KINDS", "Loss", "LossParameters", "find_losses"]

KINDS = ("seal-loss", "slow-leak", "throttle-cut", "sensor-fault", "data-gap")

_MAX_TAPS = 64


@dataclass(frozen=True, slots=True)
class Loss:
    """One event. Times in s on the time axis given, pressures in Pa.

    Attributes
    ----------
    kind : str
        One of :data:`KINDS`.
    onset_s, bottom_s : float
        When the fall began, and when it was complete.
    end_s : float or None
        When the suction (or the tap, or the data) came back; None if it never did.
    first_tap : str or None
        The tap that fell first, or the faulty tap; None for a data gap.
    order : tuple of str
        All taps that fell, first to last.
    from_pa, to_pa : float or None
        Mean suction before and after (of the faulty tap for a sensor fault).
    drop : float or None
        1 - to/from.
    fall_s : float or None
        90 % to 10 % transition duration (IEEE Std 181). For a fall within one sample period
        it is an upper bound: that period.
    warning_s : float or None
        From the first precursor to the moment the hold limit was crossed.
    throttle_us : float or None
        Throttle pulse at the onset.
    below_hold_s : float or None
        Time below the hold limit within the event; needs a car.
    confidence : float
        0 to 1: how far the drop stands out of the noise, less where the throttle is unknown
        or a single tap saw it.
    """

    kind: str
    onset_s: float
    bottom_s: float
    end_s: float | None = None
    first_tap: str | None = None
    order: tuple[str, ...] = ()
    from_pa: float | None = None
    to_pa: float | None = None
    drop: float | None = None
    fall_s: float | None = None
    warning_s: float | None = None
    throttle_us: float | None = None
    below_hold_s: float | None = None
    confidence: float = 1.0


@dataclass(frozen=True, slots=True)
class LossParameters:
    """What the detector goes by. Shares are of the suction before the fall.

    Attributes
    ----------
    block_s : float
        Time that readings are averaged over before anything is judged, s. Two frames of the
        usual servo pulse train would be 40 ms, so a block never holds a whole throttle step.
    reference_s, gap_s : float
        Length of the stretch that "before" is read from, and the gap between it and "now", s.
    slow_gap_s : float
        The same gap for falls that take tenths of a second, s.
    alarm_s, bump_s : float
        A fall that still stands this long after its onset raises the live alarm, and counts as
        a loss, s. What comes back sooner is a bump.
    screen_drop, min_drop, cut_drop, leak_drop : float
        Smallest fall worth a look; that counts as a seal loss; as a throttle cut; as a slow leak.
    sudden_s : float
        Longest 90-10 % duration of a sudden fall, s: 0.8 of the 1 s for a whole straight ramp.
    coast_s : float
        The same where the throttle is unknown, s: a fan that coasts down takes longer.
    second_s : float
        While a leak is open a further fall that took longer than this is its going on, and no second
        loss, s.
    noise_factor : float
        How many standard deviations of the noise a fall must stand out.
    min_level_pa : float
        Suction below which nothing is judged, Pa.
    level_share : float
        The same as a share of the highest suction seen.
    off_share : float
        A tap that alone falls below this share of its reading is off its hose.
    alone_share : float
        The others count as untouched while they fall by less than this.
    stuck_s : float
        How long a tap repeats one value, while the others move, before it is stuck, s.
    gap_periods : float
        Rows further apart than this many sample periods are a data gap; a tap that is missing
        or out of range for longer is faulty.
    """

    block_s: float = 0.02
    reference_s: float = 0.2
    gap_s: float = 0.1
    slow_gap_s: float = 1.0
    alarm_s: float = 0.08
    bump_s: float = 0.25
    screen_drop: float = 0.12
    min_drop: float = 0.15
    cut_drop: float = 0.3
    leak_drop: float = 0.15
    sudden_s: float = 0.8
    coast_s: float = 0.25
    second_s: float = 0.15
    noise_factor: float = 5.5
    min_level_pa: float = 8.0
    level_share: float = 0.08
    off_share: float = 0.15
    alone_share: float = 0.06
    stuck_s: float = 0.3
    gap_periods: float = 5.0


def find_losses(
    t_s: ArrayLike,
    suction_pa: ArrayLike,
    throttle_us: ArrayLike | None = None,
    parameters: LossParameters | None = None,
    *,
    tap_names: Sequence[str] | None = None,
    weights: ArrayLike | None = None,
    out_of_range: ArrayLike | None = None,
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
    # imported here: the detector imports the two classes above
    from undertray.reduce.detector import Detector

    t = np.asarray(t_s, float)
    suction = np.asarray(suction_pa, float)
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
    mask = None if out_of_range is None else np.asarray(out_of_range, bool)
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
    detector = Detector(period_s, suction.shape[1], parameters, tap_names=tap_names, weights=weights)
    detector.feed(t, suction, throttle, mask)
    return detector.finish()
