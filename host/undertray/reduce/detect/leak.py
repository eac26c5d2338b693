"""Slow leaks: ramps of the suction over what the pulse gives, over seconds."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from undertray.quantiles import middle, middles_seen
from undertray.reduce.detect.blocks import Blocks
from undertray.reduce.detect.fanmodel import Fan
from undertray.reduce.loss import Loss, LossParameters

__all__ = ["TOGETHER", "Leak", "Sections"]

Array = NDArray[np.float64]

TOGETHER = 512
"""Blocks after which leaks are looked for."""
_SECTION = 16  # blocks
_MOST = 125  # sections looked at together: 40 s
_LEAST = 14
_MOST_US = 2000.0
_RAMPS = (5, 7, 9, 13, 18, 25, 34, 46)  # sections that a leak takes to open
_ASKED = 1.25  # logs below the most asked for: an idling fan holds nothing
_STILL, _MOVED = 25, 0.1  # blocks within which the drive may change, and by how much in logs
_ALIKE = 2.0  # sections that say the same
_DRIFT = 0.02  # log in 10 s, of a pack
_EXPONENT = 0.15  # by which the exponent may be off
_STEP = (
    60.0  # twice the log likelihood that a step must add: a seal that came back, or a fall too small to tell
)
_STEPPED, _STEPS = 1e-3, 6  # their prior, and how many at most
_AROUND_S = (0.2, 0.4)  # before and after a seal loss
_SEEN = 3  # sections before it, and at its end, that say how much went
_LATE_S = 1.0  # after its end before a leak is told


@dataclass(frozen=True, slots=True)
class Leak:
    """A ramp: onset and end, s, share that went, and whether its end was seen."""

    onset_s: float
    bottom_s: float
    drop: float
    ended: bool


class Sections:
    """The run in sections of 16 blocks in which the fan had settled."""

    def __init__(self, blocks: Blocks) -> None:
        self._blocks = blocks
        # time, log of the suction, pulse, number of the stretch
        self._rows: Array = np.zeros((4, 0))
        self._done = 0

    def extend(self, end: int, fan: Fan, floors_pa: Array) -> None:
        """Take in the blocks up to an end, by the least suction that counts, for each 512 of them."""
        blocks, count = self._blocks, (end - self._done) // _SECTION
        part = slice(self._done, self._done + count * _SECTION)
        pulse, mean = blocks.throttle_us[part], blocks.mean_pa[part]
        most = fan.settled(np.array([_MOST_US]))[0]
        good = np.isfinite(mean) & blocks.known[part] & blocks.calm[part]
        good &= mean > np.repeat(floors_pa, TOGETHER)[: len(mean)]
        asked = fan.settled(pulse)
        good &= asked > most - 2 * _ASKED
        # how late a fan is the law may not know: on a moving throttle it is not at what that asks for
        ago = blocks.throttle_us[np.maximum(np.arange(part.start, part.stop) - _STILL, 0)]
        good &= np.abs(asked - fan.settled(ago)) < _MOVED
        columns = np.stack([np.log(np.maximum(mean, 1.0)), pulse])
        log_pa, pulse = middles_seen(np.where(good, columns, np.nan).reshape(2, count, _SECTION))
        few = good.reshape(count, _SECTION).sum(axis=1) < _SECTION / 2
        log_pa[few] = np.nan
        times = blocks.t_s[part][::_SECTION] + _SECTION / 2 * blocks.block_s
        rows = np.stack([times, log_pa, pulse, blocks.stretch[part][::_SECTION]])
        self._rows = np.concatenate([self._rows[:, 1 - _MOST :], rows], axis=1)
        self._done = part.stop

    def seek(self, end: int, fan: Fan, losses: Sequence[Loss], p: LossParameters) -> Leak | None:
        """Look for a leak in the 40 s before a block: the ramp that raises the likelihood most, if it pays.

        Beside it stand a level, a drift of the pack, an exponent of the law that is not exact, a step for
        each loss that was told and one where it healed, and further steps.
        """
        behind = self._rows.shape[1] - max(self._done - end, 0) // _SECTION
        t, log_pa, pulse, stretch = self._rows[:, max(behind - _MOST, 0) : behind]
        ok = np.isfinite(log_pa) & (stretch == stretch[-1:])
        if np.count_nonzero(ok) < _LEAST:
            return None
        drive = fan.settled(np.where(ok, pulse, _MOST_US))
        target = np.where(ok, log_pa - drive, 0.0)
        least = -np.log(1 - p.leak_drop) - 2 * p.noise
        if np.ptp(target[ok]) < least:
            return None  # nothing fell so far, whatever the reason
        for loss in losses:
            over_s = loss.bottom_s if loss.end_s is None else loss.end_s
            ok &= (t < loss.onset_s - _AROUND_S[0]) | (t > over_s + _AROUND_S[1])
        drive, target = np.where(ok, drive, 0.0), np.where(ok, target, 0.0)
        if np.count_nonzero(ok) < _LEAST or np.ptp(target[ok]) < least:
            return None
        level = np.where(ok, drive - drive[ok].mean(), 0.0) / 2 / fan.law[1]
        columns, prior = [np.ones(len(t)), _DRIFT / 10 * (t - t.mean()), _EXPONENT * level], [1e-6, 1.0, 1.0]
        ends = [loss.end_s for loss in losses if loss.end_s is not None]
        for when in [loss.onset_s for loss in losses] + ends:
            if t[0] < when < t[-1]:
                columns.append((t >= when).astype(float))
                prior.append(_STEPPED)
        return _ramp(t, ok, target, np.stack(columns), np.array(prior), p)


def _ramp(
    t: Array, ok: NDArray[np.bool_], target: Array, base: Array, prior: Array, p: LossParameters
) -> Leak | None:
    weight, n, k = ok / (_ALIKE * p.noise**2), len(t), np.arange(len(t))
    starts = np.arange(2, n - 3)
    ramps = np.concatenate([np.clip((k - starts[:, None] + 0.5) / length, 0, 1) for length in _RAMPS])
    steps = (k >= np.arange(3, n - 2)[:, None]).astype(float)
    for _ in range(_STEPS):
        weighted = base * weight
        inverse = np.asarray(np.linalg.inv(weighted @ base.T + np.diag(prior)), np.float64)
        left = target - (inverse @ (weighted @ target)) @ base
        gains, changes = _gains(ramps, base, inverse, weight, left)
        ups, _ = _gains(steps, base, inverse, weight, left)
        fall, step = int(np.where(changes < 0, gains, 0.0).argmax()), int(ups.argmax())
        if ups[step] < _STEP or gains[fall] >= ups[step]:
            break
        base, prior = np.vstack([base, steps[step]]), np.append(prior, _STEPPED)
    # of the sections themselves, by the differences of neighbours
    scatter = max(1.0, middle(np.abs(np.diff(left[ok]))) / 0.6745 / 2**0.5 / p.noise)
    drop = 1 - float(np.exp(min(changes[fall], 0.0)))
    if gains[fall] < 2 * p.leak_evidence * scatter**2 or drop < p.leak_drop:
        return None
    length, start = _RAMPS[fall // len(starts)], int(starts[fall % len(starts)])
    step_s = middle(np.diff(t))
    onset, bottom = float(t[start]) - step_s / 2, float(t[start]) + (length - 0.5) * step_s
    # what was not seen is not told: the throttle moved while it still opened
    seen_s = float(t[ok & (t < bottom)][-1]) + step_s / 2
    if seen_s < bottom:
        drop = 1 - (1 - drop) ** ((seen_s - onset) / (bottom - onset))
        bottom = seen_s
    # nor more than was seen to go: beside it the pack may seem to fill
    before, late = target[ok & (t < onset)], target[ok & (t < bottom + 2 * step_s)]
    if before.size:
        drop = min(drop, 1 - float(np.exp(late[-_SEEN:].min() - middle(before[-_SEEN:]))))
    if drop < p.leak_drop:
        return None
    return Leak(onset, min(bottom, float(t[-1])), drop, bottom < t[-1] - _LATE_S)


def _gains(shapes: Array, base: Array, inverse: Array, weight: Array, left: Array) -> tuple[Array, Array]:
    """Twice what each shape adds to the log likelihood, and its amplitude."""
    # by einsum: for products of this size the threads of a BLAS cost ten times what they save
    weighted = shapes * weight
    cross, square = np.einsum("ij,kj->ik", weighted, base), np.einsum("ij,ij->i", weighted, shapes)
    power = square - np.einsum("ij,ij->i", np.einsum("ij,jk->ik", cross, inverse), cross)
    score, power = np.einsum("ij,j->i", weighted, left), np.where(power > 0.02 * square, power, np.inf)
    power = np.maximum(power, 1e-9)
    return score * score / power, score / power
