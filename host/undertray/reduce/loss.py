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
        When the fall began, and when it was complete. The middle of ``onset_between_s`` where there is one.
    end_s : float or None
        When the suction (or the tap, or the data) came back; None if it never did.
    first_tap : str or None
        The tap that fell first, or the faulty tap. None where the first leads by less than two samples (they
        fell together), for a slow leak, a throttle cut and a data gap.
    order : tuple of str
        All taps that fell, first to last; empty for a throttle cut.
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
    brief : bool
        A seal loss that healed by itself within a quarter of a second.
    onset_between_s : tuple of (float, float), or None
        Where the fall began while no rows came: the times of the last row before and of the first after.
    order_ms : tuple of float
        When each tap of ``order`` fell, ms after the first; empty where that was not measured.
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
    brief: bool = False
    onset_between_s: tuple[float, float] | None = None
    order_ms: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class LossParameters:
    """What the detector goes by: all of it. Shares are of the suction before, logs are natural.

    Attributes
    ----------
    block_s : float
        Time that readings are averaged over before anything is judged, s: one frame of the usual servo pulse
        train.
    min_drop, cut_drop, leak_drop : float
        Smallest fall that counts as a seal loss, as a throttle cut, as a slow leak. With the usual allowance
        of a quarter a car falls off at a fifth; a road takes a tenth.
    min_level_pa, level_share : float
        Suction below which there is nothing to lose, Pa, and as a share of the highest seen: an idling fan
        holds nothing.
    zero_pa : float
        By how much the zeros of the sensors may be off, Pa; a third of it is the scatter of a block, twice
        it the least departure of a tap that counts as wrong.
    noise : float
        Scatter of the log of the mean suction from block to block on a rough road.
    sag : float
        Standard deviation of what a pack's sag does to the log of the suction by itself; two and a
        half of them are the most.
    sag_s : float
        A sag acts through the rotor: a fall of less than 2.5 ``sag`` counts as a loss only if its 90-10 %
        duration is shorter, s. No fan of 40 mm and more slows down faster.
    evidence, leak_evidence : float
        By how much a further piece, and a ramp over seconds, must raise the log likelihood of a window. One
        in a million by chance for a piece with three free numbers; more for a ramp, since a pack drains.
    screen : float
        Range of the log residual, or share of the mean by which a tap is wrong, that is worth a look.
    dip_s, brief_s : float
        A fall that heals sooner is a dip of the road, and no loss; one that heals within the second is told
        as brief, s. The suspension of a model car swings at 9 Hz and faster, so a bump takes under 60 ms.
    brief_drop : float
        Least depth of a brief loss. With the usual allowance of a quarter a sixth of the weight is missing,
        and in a quarter of a second the car has dropped by 5 cm.
    alarm_s : float
        A fall that still stands this long after its onset raises the live alarm, s.
    sudden_s : float
        Longest 90-10 % duration of a sudden fall, s: folds take half a second at most, leaks more than one.
    coast_s : float
        The same where the throttle is not known, s: a fan that coasts takes longer.
    off_share, alone_share : float
        A tap that falls below this share of what the others say while they fall by less than the second is
        off its hose.
    stuck_s : float
        How long a tap repeats one value, while the others move, before it is stuck, s.
    gap_periods : float
        Rows further apart than this many sample periods are a data gap; a tap that is missing or at its limit
        for longer is faulty.
    outage_s : float
        A gap that is longer is never bridged, s: too much can happen.
    longest_period_s : float
        With more than this between two rows nothing is told but data gaps, s.
    """

    block_s: float = 0.02
    min_drop: float = 0.15
    cut_drop: float = 0.3
    leak_drop: float = 0.2
    min_level_pa: float = 30.0
    level_share: float = 0.1
    zero_pa: float = 10.0
    noise: float = 0.02
    sag: float = 0.09
    sag_s: float = 0.07
    evidence: float = 12.0
    leak_evidence: float = 40.0
    screen: float = 0.1
    dip_s: float = 0.09
    brief_s: float = 0.25
    brief_drop: float = 0.33
    alarm_s: float = 0.08
    sudden_s: float = 0.6
    coast_s: float = 0.2
    off_share: float = 0.15
    alone_share: float = 0.055
    stuck_s: float = 0.3
    gap_periods: float = 5.0
    outage_s: float = 0.45
    longest_period_s: float = 0.22
