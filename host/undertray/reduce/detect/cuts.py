"""Falls that the throttle explains: the driver closed it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from undertray.quantiles import middle
from undertray.reduce.detect.blocks import Blocks
from undertray.reduce.detect.fanmodel import Fan
from undertray.reduce.loss import Loss, LossParameters

__all__ = ["find_cuts"]

Array = NDArray[np.float64]

_CLOSING_S = 0.5  # within which most of it has to happen: what is closed gently is no event
_MOST_OF_IT = 0.6
_LEAST_US = 60.0
_WAIT_S = 5.0  # for the suction to fall while the throttle stays down
_AGAIN = 0.4  # of the way up: it is open again
_LEAST_BLOCKS = 8


def find_cuts(blocks: Blocks, k0: int, k1: int, fan: Fan, least_pa: float, p: LossParameters) -> list[Loss]:
    """Find the cuts that begin in a frame."""
    pulse, mean = blocks.throttle_us[: blocks.size], blocks.mean_pa[: blocks.size]
    (down,) = (np.diff(pulse[k0 : k1 + 1]) < 0).nonzero()
    closing, found, done = max(1, round(_CLOSING_S / blocks.block_s)), [], -1
    for k in (down + k0).tolist():
        if k < done or not np.isfinite(mean[max(k - 3, 0) : k + 1]).any():
            continue
        soon = pulse[k : k + closing + 1]
        later = ~(np.diff(pulse[k + 1 : k + 6 * closing]) <= 0)
        end = k + 1 + int(later.argmax() if later.any() else len(later))
        high, low = float(pulse[k]), float(np.nanmin(soon))
        fall, law = high - low, fan.settled(np.array([high, low]))
        ago = float(np.nanmax(pulse[max(k - closing, 0) : k + 1]))
        gentle = fall < _MOST_OF_IT * (ago - float(np.nanmin(pulse[k : end + 1])))
        if gentle or fall < _LEAST_US or law[1] - law[0] > np.log(1 - p.cut_drop):
            continue
        limit = min(blocks.size, k + round(_WAIT_S / blocks.block_s))
        again = pulse[k + _LEAST_BLOCKS : limit] >= low + _AGAIN * fall
        stop = k + _LEAST_BLOCKS + int(again.argmax()) if again.any() else limit
        done = max(k + 1, min(stop, k + closing))
        before, after = mean[max(k - 3, 0) : k + 1], mean[k:stop]
        before = before[np.isfinite(before)]
        level = middle(before)
        if level < least_pa or not (after < (1 - p.cut_drop) * level).any():
            continue
        t, _, rows = blocks.between(max(k - 1, 0), min(k + 5, blocks.size))
        (short,) = (rows < high - max(6.0, 0.05 * fall)).nonzero()
        onset = float(t[short[0]]) if short.size else float(blocks.t_s[min(k + 1, blocks.size - 1)])
        lowest = np.sort(after[np.isfinite(after)])
        to_pa = max(middle(lowest[: max(1, len(lowest) // 3)]), 0.0)
        t90, t10 = _transition(blocks.t_s[k:stop] + blocks.block_s / 2, after, level, to_pa)
        found.append(
            Loss(
                "throttle-cut",
                onset_s=onset,
                bottom_s=max(t10 + (t10 - t90) / 8, onset),
                from_pa=level,
                to_pa=to_pa,
                drop=min(1 - to_pa / level, 1.0),
                fall_s=max(t10 - t90, blocks.period_s),
                throttle_us=high,
            )
        )
    return found


def _transition(t_s: Array, mean: Array, high: float, low: float) -> tuple[float, float]:
    """When 90 and 10 % of the way from a level down to another were left, s."""
    there = np.isfinite(mean)
    t_s, left = t_s[there], (mean[there] - low) / (high - low)
    (t90, t10) = (_crossed(t_s, left, share) for share in (0.9, 0.1))
    return t90, t10


def _crossed(t_s: Array, left: Array, share: float) -> float:
    two = int((left <= share).argmax())  # the lowest are among them
    one = max(two - 1, 0)
    step = float(left[one] - left[two])
    back = (share - float(left[two])) / step if step > 0 else 0.0
    return float(t_s[two] - back * (t_s[two] - t_s[one]))
