"""What the detector to come goes by, and what it tells beyond today's."""

from __future__ import annotations

from dataclasses import dataclass

from undertray.reduce.loss import LOSS_KINDS, Loss

__all__ = ["LOSS_KINDS", "Finding", "SeekParameters"]


@dataclass(frozen=True, slots=True)
class Finding(Loss):
    """One event, with what only this detector tells.

    Attributes
    ----------
    brief : bool
        A seal loss that healed by itself within a quarter of a second.
    onset_between_s : tuple of (float, float), or None
        Where the fall began while no rows came: the times of the last row before and of the first after.
    order_ms : tuple of float
        When each tap of ``order`` fell, ms after the first. ``first_tap`` is None where the first leads by
        less than two samples.
    """

    brief: bool = False
    onset_between_s: tuple[float, float] | None = None
    order_ms: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class SeekParameters:
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
        Standard deviation of what a pack's sag does to the log of the suction by itself; three of them are
        the most.
    sag_s : float
        A sag acts through the rotor: a fall of less than three ``sag`` counts as a loss only if its 90-10 %
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
