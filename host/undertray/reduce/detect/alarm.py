"""The alarm: a fall that is under way."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from undertray.quantiles import middle, middles
from undertray.reduce.detect.blocks import Array
from undertray.reduce.detect.fanmodel import Fan, FanRun
from undertray.reduce.loss import Loss, LossParameters

__all__ = ["LOUD", "REACH", "REF", "find_fall"]

REF = (13, 3)  # blocks before now between which the alarm reads "before"
LOUD = 0.88  # ... and what of it may be left
_BEGUN = (0.97, 0.92)  # left of it in the block before those it stands for; of a lesser fall
_SLOW, _STEEPER = 8, 1.3  # blocks by which a fan may be late, and by how much its law may be steeper
_COAST = 150  # blocks within which a throttle that came down leaves a fan coasting
_HEALS = 0.92  # of its most is gone still
_SHOWS, _STOOD_S = 0.25, 0.07  # of a fall, where it counts as begun, and for how long it has to stand since
_SHALLOW = 0.75  # of the level left or more: it has to stand for a block longer
_DEEP = 0.4  # of the level left: no dip of a road goes below
_FALLING = 0.08  # of the level gone with the last block: no dip of a road still goes down that fast by then
REACH = 32  # blocks that are looked back over for those, as rows may be missing


def find_fall(
    fans: FanRun, weights: Array, floor_pa: float, k: int, stands: int, taps: NDArray[np.int64]
) -> tuple[Loss, bool] | None:
    """The fall, if any, that has stood for so many blocks, that the throttle does not explain, at more than
    one tap; and whether it may be a dip of the road yet: it is young, no deeper than one, and falls no more.
    """
    blocks, p = fans.blocks, fans.p
    begin = max(k - REACH, 0)
    seen = np.isfinite(blocks.pa[begin : k + 1][:, taps]).all(axis=1)
    at = begin + np.flatnonzero(seen & (blocks.stretch[begin : k + 1] == blocks.stretch[k]))[-REF[0] - 1 :]
    since = int((at > k - stands).sum())
    if len(at) <= REF[0] or since < 2:
        return None
    pa, gap = blocks.pa[at][:, taps], since < stands
    before = middles(pa[: REF[0] - stands - 1].T)
    level = float(before.mean())
    if level < floor_pa:
        return None
    law = fans.law(int(at[0]) - _SLOW, k + 1)
    pulse = fans.pulses(k - _COAST - REACH, k + 1, k)
    asked = None if pulse is None else fans.fan.settled(pulse)
    # how soon a fan follows is not known for sure: it may do later what its law says, or all at once
    paths = [law] if asked is None else [law, asked[-len(law) :]]
    late = np.stack([path[at - at[0] + lag] for path in paths for lag in range(_SLOW + 1)])
    late -= middles(late[:, : REF[0] - stands])[:, None]
    explained = np.exp(np.minimum(_STEEPER * late.min(axis=0), 0.0))
    left = pa / np.maximum(explained, LOUD / 4)[:, None]
    now = left[-since:].mean(axis=1) / level
    # what comes back because the throttle went up has not healed
    back = np.maximum(late.max(axis=0), 0.0)[-since:]
    heals = 1 - _HEALS * (1 - (now * np.exp(-back)).min())
    begun = left[-1 - since].mean() / level
    lesser = bool(now[-1] > 1 - p.brief_drop)
    if (
        _coasts(fans.fan, p, asked, float(pa[-1].mean()))
        or explained[-1] < p.level_share  # told to idle
        or now[-1] > 1 - p.min_drop
        or now.max() > LOUD
        or (begun > _BEGUN[lesser] and not gap)
        or now[-1] * np.exp(-back[-1]) > heals
    ):
        return None
    shares = left[-1] / np.maximum(before, 1.0)
    if len(taps) > 1 and 1 - np.delete(shares, int(shares.argmin())).mean() <= p.alone_share:
        return None
    t_s, suction, _ = blocks.between(int(at[-1 - since]), k + 1)
    rows, begin_s = suction[:, taps].mean(axis=1) / level, float(blocks.t_s[k])
    late_rows = rows[t_s > begin_s + blocks.block_s / 2] / explained[-1]
    if late_rows.size and late_rows.mean() * np.exp(-back[-1]) > heals:
        return None
    share = weights[taps]
    mean_pa = pa @ share / share.sum()
    now_pa, before_pa = float(mean_pa[-1]), middle(mean_pa[: REF[0] - REF[1]])
    shows = rows < 1 - _SHOWS * (1 - pa[-1].mean() / level)
    stood_s = begin_s + blocks.block_s - float(t_s[max(int(shows.argmax()) - gap, 0)])
    drop = min(1 - now_pa / before_pa, 1.0)
    onset_s = float(blocks.t_s[at[-1 - since]])
    fall = Loss("seal-loss", onset_s, begin_s, from_pa=before_pa, to_pa=now_pa, drop=drop, confidence=0.5)
    young = stood_s < _STOOD_S + blocks.block_s * bool(now[-1] > _SHALLOW)
    return fall, young and bool(now[-1] > max(_DEEP, now[-2] - _FALLING))


def _coasts(fan: Fan, p: LossParameters, asked: Array | None, now_pa: float) -> bool:
    """May a fan be coming down still? However late, it comes no further than its throttle asks for."""
    if asked is None or fan.gain is None or asked[-1] > asked.max() - p.screen:
        return False
    least = float(asked[-1]) + fan.gain + float(np.log(1 - p.min_drop))
    return float(np.log(max(now_pa, 1.0))) > least
