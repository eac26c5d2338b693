"""One event of a run, and what the detector goes by."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["KINDS", "LOSS_KINDS", "Loss", "LossParameters"]

KINDS = ("seal-loss", "slow-leak", "throttle-cut", "sensor-fault", "data-gap")
LOSS_KINDS = KINDS[:2]
"""Kinds of event in which the seal was lost, at once or slowly: what is counted as a loss everywhere."""


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
        Time below the hold limit within the event while the car should hold; needs a car.
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
    longest_period_s : float
        With more than this between two rows nothing is told but data gaps, s: at 5 rows a second every
        plain loss is found, at 3 one in seven is not, at 1 none is.
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
    longest_period_s: float = 0.22
