"""What the fans should give: one rotor, a wide belief about it, and what the run has taught."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from undertray.quantiles import middle
from undertray.reduce.detect.blocks import FRAME, Array, Blocks, Bools
from undertray.reduce.loss import LossParameters

__all__ = ["RUN_IN", "Fan", "FanRun", "log_suction"]

RUN_IN = 96
"""Blocks before a window from which the rotor is followed, at rest in the first."""
_SPAN_US = 900.0  # of pulse over which the speed goes from nothing to all
_MOST_SHARE = 1.3
_LEAST = 0.02  # of full speed: below it nothing is asked of the law
_LESSONS = 12  # kept at most
# The belief about a fan that nothing is known of. Rows: mean, standard deviation, least, most, step of the
# derivative, what no run teaches better. Columns: dead band µs, exponent of speed over pulse, logs of the
# motor's g and the air's b in 1/s, braking and braking with the bridge off as shares of g, dead time s, logs
# of the controller's slew up and down in 1/s. Common practice for fans of 40 to 70 mm, no source.
_BELIEF, _WIDTH, _LOW, _HIGH, _STEP, _MODEL = np.array(
    [
        [1045.0, 1.0, 2.0, 0.7, 0.5, 0.4, 0.015, np.log(6.0), np.log(12.0)],
        [35.0, 0.25, 1.1, 1.1, 0.5, 0.5, 0.015, 0.8, 0.6],
        [950.0, 0.4, np.log(0.1), np.log(0.1), 0.0, 0.0, 0.0, 0.0, np.log(3.0)],
        [1250.0, 2.2, np.log(60.0), np.log(60.0), 2.5, 2.5, 0.1, np.log(60.0), np.log(60.0)],
        [4.0, 0.02, 0.06, 0.06, 0.05, 0.05, 0.004, 0.1, 0.1],
        [4.0, 0.03, 0.06, 0.06, 0.06, 0.1, 0.003, 0.1, 0.1],
    ]
)
_SIZE, _CONTROLLER = len(_BELIEF), [0, 6, 7, 8]
_OTHER_STARTS = ((2.3, 0.3, 0.0, 0.0), (2.3, 0.3, 1.0, 0.5))  # a fan that coasts, and one that is braked
_WHEN = (2, 5)  # lessons after which these are tried
_ENOUGH, _KNOWN = 6, 0.03  # lessons, and misfit of a further one that teaches nothing any more
_FEW, _USUAL = 3, 1.25  # lessons whose misfit tells what is usual, and by how much more teaches
_FITS = 0.012  # scatter below which they are not
_LONG, _SHORT = 5, 3  # rounds from several starts, and from the last law
_SHARP, _COARSE = 0.03, 0.3  # scale of the residuals that count in full, last and first
_STILL = 0.5  # steps of the derivative by which a law still moves that has come to rest
_WORK_US = 25.0  # range of the pulse in a frame that teaches
_BACK = 30  # blocks before a frame that are looked at with it
_SPREAD = 3.0  # standard deviations by which a fan that moves may be off before it is worth a look
_ALIKE = 8.0  # neighbouring residuals say the same over this many blocks


def log_suction(laws: Array, throttle_us: Array, block_s: float, begun: Array | None = None) -> Array:
    """Log of the suction that rotors give on a fixed leak, mean over each block.

    Parameters
    ----------
    laws : ndarray, shape (p, 9)
        Parameters of the laws.
    throttle_us : ndarray, shape (e, k)
        Pulse of each block in e stretches, µs.
    block_s : float
        Length of a block, s.
    begun : ndarray, shape (e,), or None
        Speed at the begin where it was higher than the pulse asks for, as a share of full speed.

    Returns
    -------
    ndarray, shape (p, e, k)
        2 log n, at least 2 log 0.02.

    Notes
    -----
    The controller moves a share s of its pulse towards the asked one after a dead time, no faster than
    its slew; a = s^q is the speed at which the motor would settle. The motor pulls with g (A - n),
    A = a + b a^2 / g, the air brakes with b n^2: dn/dt = g (A - n) - b n^2 while A > n; above A the motor
    brakes with a share of g, or coasts (0). Suction goes with n^2 on a fixed leak (fan laws).

    References
    ----------
    Fan laws, dp ~ rho N^2 at fixed geometry: ISO 5801:2017, 15.2. The direct-current machine, whose torque
    falls with its speed: from memory.
    """
    u0, q, g, b, brake, off, dead, up, down = laws.T[:, :, None]
    g, b, up, down = (np.exp(rate) * block_s for rate in (g, b, up, down))
    size, count = throttle_us.shape[1], len(laws) * len(throttle_us)
    moves = throttle_us[:, 1:] != throttle_us[:, :-1]
    some = moves.any(axis=0).nonzero()[0]
    # until something moves a rotor at rest stays so
    begin = 0 if begun is not None and begun.any() else int(some[0]) if some.size else size - 1
    # many laws have the same controller
    each = [tuple(row) for row in laws[:, _CONTROLLER].tolist()]
    kinds = list(dict.fromkeys(each))
    one = [each.index(kind) for kind in kinds]
    share = _asked(throttle_us.T[begin:], u0[one, 0], dead[one, 0] / block_s)
    _slewed(share, down[one], up[one])
    share = share[:, [kinds.index(kind) for kind in each]]
    a = share**q
    # half implicit: n' = n + f(n) / (1 + (rate + 2 b n) / 2), for y = b n and half the rate h
    # y' = (y + h (2 b A - y)) / (1 + h + y), where the motor pulls while 2 b A - y > y
    drive = (a * (2 * b) * (1 + (b / g) * a)).reshape(len(a), count)
    pull, idle = (np.repeat(rate, len(throttle_us)) for rate in (g / 2, off * g / 2))
    slower = np.where(share.reshape(drive.shape) > 0, np.repeat(brake * g / 2, len(throttle_us)), idle)
    out = np.empty((len(a) + 1, count))
    out[0] = ((a[0] if begun is None else np.maximum(a[0], begun)) * b).ravel()
    to_go, half, pulls = np.empty(count), np.empty(count), np.empty(count, bool)
    for y, after, towards, brakes in zip(out, out[1:], drive, slower, strict=False):
        np.subtract(towards, y, out=to_go)
        np.greater(to_go, y, out=pulls)
        np.copyto(half, brakes)
        np.copyto(half, pull, where=pulls)
        np.multiply(half, to_go, out=to_go)
        np.add(half, 1.0, out=half)
        np.add(to_go, y, out=to_go)
        np.add(half, y, out=half)
        np.divide(to_go, half, out=after)
    means = np.add(out[1:], out[:-1]).reshape(share.shape)
    means /= 2 * b
    logs = np.empty((*share.shape[1:], size))
    logs[:, :, begin:] = 2 * np.log(np.maximum(means, _LEAST, out=means)).transpose(1, 2, 0)
    logs[:, :, :begin] = logs[:, :, begin : begin + 1]
    return logs


def _asked(throttle_us: Array, u0: Array, late: Array) -> Array:
    """Share asked for by pulses, shape (k, e), later by some blocks for each law, shape (k, p, e)."""
    whole = late.astype(int)
    most, size = int(whole.max()) + 1, len(throttle_us)
    held = np.concatenate([np.repeat(throttle_us[:1], most, axis=0), throttle_us]) / _SPAN_US
    out = np.empty((size, len(late), throttle_us.shape[1]))
    for i, (back, none) in enumerate(zip((most - whole).tolist(), (u0 / _SPAN_US).tolist(), strict=True)):
        share = np.minimum(np.maximum(held - none, 0.0), _MOST_SHARE)
        now, then = share[back : back + size], share[back - 1 : back - 1 + size]
        np.subtract(then, now, out=out[:, i])
        out[:, i] *= late[i] - whole[i]
        out[:, i] += now
    return out


def _slewed(share: Array, down: Array, up: Array) -> None:
    """Follow the asked share no faster than the slew, in place."""
    change = np.diff(share, axis=0)
    faster = np.flatnonzero(np.any((change > up) | (change < -down), axis=(1, 2))).tolist()
    done = 0
    for first in faster:
        for k in range(max(first, done), len(share) - 1):
            last, asked, done = share[k], share[k + 1], k + 1
            now = np.minimum(np.maximum(asked, last - down), last + up)
            if (now == asked).all():
                break
            share[k + 1] = now


@dataclass(slots=True, eq=False)
class Lesson:
    """A frame with throttle work, and what it says near a law: by how much that is off, and its slopes."""

    frame: int
    throttle_us: Array
    log_pa: Array
    weight: Array
    begun: float
    near: Array = field(default_factory=lambda: np.full(_SIZE, np.inf))
    off: Array = field(default_factory=lambda: np.zeros(0))
    slopes: Array = field(default_factory=lambda: np.zeros(0))


@dataclass(frozen=True, slots=True, eq=False)
class _Fit:
    """A law that fits lessons: what it costs, its scatter, and what each lesson says about it."""

    law: Array
    cost: float
    scatter: float
    misfits: Array
    normals: Array
    pulls: Array
    gains: Array


class Fan:
    """The fan of one run."""

    bounds = (_LOW, _HIGH)

    def __init__(self, block_s: float) -> None:
        self.block_s = block_s
        self.law: Array = _BELIEF.copy()
        self.gain: float | None = None
        self.scatter = 0.0
        self._lessons: list[Lesson] = []
        self._fitted: _Fit | None = None
        self._taught = self._next = 0

    def knows(self, frame: int, misfit: float) -> bool:
        """Would a frame teach nothing any more? It fits, or as little as those that were learned from."""
        if len(self._lessons) < _FEW:
            return bool(self._lessons) and misfit < _KNOWN / 4
        if misfit < max(_KNOWN / 4, _USUAL * self.scatter):
            return True
        return len(self._lessons) >= _ENOUGH and (misfit < _KNOWN or frame < self._next)

    def take(self, lesson: Lesson) -> None:
        """Learn from a frame."""
        self._lessons = [*self._lessons[1 - _LESSONS :], lesson]
        self._taught += 1
        self._next = lesson.frame + 4 ** max(self._taught - _ENOUGH, 0)
        best = self._fit(self.law, _SHORT)
        if len(self._lessons) in _WHEN and best.scatter > _FITS:
            for other in _OTHER_STARTS:
                start = self.law.copy()
                start[2:6] = other
                best = min(best, self._fit(start, _LONG), key=lambda fit: fit.cost)
        self._fitted, self.law = best, best.law
        self.scatter = max(best.scatter, middle(best.misfits))
        loud = [lesson.weight.max() > 0.3 for lesson in self._lessons]
        if any(loud):
            self.gain = middle(best.gains[loud])

    def belief(self, leave_out: tuple[int, ...]) -> tuple[Array, Array]:
        """What other frames teach: nothing under review is its own judge."""
        used = np.array([lesson.frame not in leave_out for lesson in self._lessons], bool)
        if self._fitted is None or not used.any():
            return _BELIEF.copy(), np.diag(_WIDTH**2)
        fit = self._fitted
        normal = fit.normals[used].sum(axis=0) + np.diag(_WIDTH**-2.0)
        law = fit.law
        if not used.all():
            law = _moved(law, normal, fit.pulls[used].sum(axis=0) - (law - _BELIEF) / _WIDTH**2)
        return law, np.asarray(np.linalg.inv(normal) + np.diag(_MODEL**2), np.float64)

    def expected(self, throttle_us: Array, begun: Array) -> Array:
        """Log suction by the law, without its gain."""
        logs = self.settled(throttle_us[:, RUN_IN:])
        (moved,) = ((begun > 0) | (throttle_us != throttle_us[:, :1]).any(axis=1)).nonzero()
        if moved.size:
            logs[moved] = log_suction(self.law[None], throttle_us[moved], self.block_s, begun[moved])[
                0, :, RUN_IN:
            ]
        return logs

    def settled(self, throttle_us: Array) -> Array:
        """Log suction of a fan that has come to rest at its pulse."""
        share = np.clip((throttle_us - self.law[0]) / _SPAN_US, 0.0, _MOST_SHARE)
        return np.asarray(2 * np.log(np.maximum(share ** self.law[1], _LEAST)))

    def sensitive(self, laws: Array, throttle_us: Array, begun: Array) -> tuple[Array, Array]:
        """Log suction and how it changes with each parameter."""
        step = np.where(laws + _STEP > _HIGH, -_STEP, _STEP)
        beside = laws[:, None, :] + np.eye(_SIZE) * step[:, :, None]
        all_laws = np.concatenate([laws[:, None], beside], axis=1).reshape(-1, _SIZE)
        logs = log_suction(all_laws, throttle_us, self.block_s, begun)[:, :, RUN_IN:]
        logs = logs.reshape(len(laws), 1 + _SIZE, *logs.shape[1:])
        slopes = (logs[:, 1:] - logs[:, :1]) / step[:, :, None, None]
        return np.asarray(logs[:, 0], np.float64), np.asarray(slopes, np.float64)

    def _fit(self, law: Array, rounds: int) -> _Fit:
        """Robust least squares with the belief, each lesson with a gain of its own: a pack sags."""
        lessons, weight = self._lessons, np.stack([lesson.weight for lesson in self._lessons])
        for turn in range(rounds):
            self._bring_near(law)
            slopes = np.stack([lesson.slopes for lesson in lessons], axis=1)
            off = np.stack([each.off - (law - each.near) @ each.slopes for each in lessons])
            scale = max(_SHARP, _COARSE * 0.5 ** (turn if rounds > _SHORT else turn + 2))
            fit = _weighed(law, off, slopes, weight, scale)
            normal = fit.normals.sum(axis=0) + np.diag(_WIDTH**-2.0)
            law = _moved(law, normal, fit.pulls.sum(axis=0) - (law - _BELIEF) / _WIDTH**2)
            if scale == _SHARP and np.abs((law - fit.law) / _STEP).max() < _STILL:
                break
        return fit

    def _bring_near(self, law: Array) -> None:
        """Work those lessons out anew whose law was more than a step of the derivative away."""
        far = [e for e in self._lessons if np.abs((law - e.near) / _STEP).max() > 1]
        if not far:
            return
        pulses, begun = np.stack([e.throttle_us for e in far]), np.array([e.begun for e in far])
        (logs,), (slopes,) = self.sensitive(law[None], pulses, begun)
        for i, lesson in enumerate(far):
            lesson.near, lesson.off, lesson.slopes = law, lesson.log_pa - logs[i], slopes[:, i]


def _moved(law: Array, normal: Array, pull: Array) -> Array:
    """One step of Newton's, within bounds."""
    move = np.clip(np.linalg.solve(normal, pull), -1.5 * _WIDTH, 1.5 * _WIDTH)
    return np.asarray(np.minimum(np.maximum(law + move, _LOW), _HIGH))


def _weighed(law: Array, off: Array, slope: Array, weight: Array, scale: float) -> _Fit:
    """What lessons say about a law, by what is off of each; ``scale`` is where a residual counts half."""
    gain = (weight * off).sum(axis=1, keepdims=True) / np.maximum(weight.sum(axis=1, keepdims=True), 1e-9)
    for _ in range(4):
        trust = weight / (1 + ((off - gain) / (2 * scale)) ** 2)
        sums = np.maximum(trust.sum(axis=1, keepdims=True), 1e-9)
        gain = (trust * off).sum(axis=1, keepdims=True) / sums
    off = off - gain
    flat = slope - (trust * slope).sum(axis=2, keepdims=True) / sums
    scatter = max(float((trust * off * off).sum() / sums.sum()) ** 0.5, 0.01)
    unit = _ALIKE * max(scatter, 0.02) ** 2
    trusted = flat * trust
    normals = np.einsum("iek,jek->eij", trusted, flat) / unit
    pulls = np.einsum("iek,ek->ei", trusted, off) / unit
    away, sharp = (law - _BELIEF) / _WIDTH, (2 * _SHARP) ** 2
    misfit = float((weight * np.log1p(off * off / sharp)).sum()) * sharp / (_ALIKE * 0.02**2)
    each = np.sqrt((weight * off * off).sum(axis=1) / np.maximum(weight.sum(axis=1), 1e-9))
    return _Fit(law, misfit + float(away @ away), scatter, each, normals, pulls, gain[:, 0])


class FanRun:
    """The fan over the blocks of a run; ``teaches`` is the next frame that it learns from, or -1.

    Sets what is expected of the blocks, and whether the fan is calm in them.
    """

    def __init__(self, blocks: Blocks, p: LossParameters) -> None:
        self.fan = Fan(blocks.block_s)
        self.blocks, self.p = blocks, p
        self.teaches = -1

    def pulses(self, k0: int, k1: int, k: int) -> Array | None:
        """Pulses of some blocks, held at the ends of the stretch of one; None where none was known."""
        blocks = self.blocks
        at = np.clip(np.arange(k0, k1), 0, blocks.size - 1)
        pulse = blocks.throttle_us[at]
        (known,) = (np.isfinite(pulse) & (blocks.stretch[at] == blocks.stretch[k])).nonzero()
        if not known.size:
            return None
        pulse[: known[0]], pulse[known[-1] :] = pulse[known[0]], pulse[known[-1]]
        return pulse

    def begun(self, at: Sequence[int] | NDArray[np.int64]) -> Array:
        """Speed of the fan in some blocks by what it gave, where that shows that it was still coasting."""
        blocks, gain, k = self.blocks, self.fan.gain, np.asarray(at)
        if gain is None:
            return np.zeros(len(k))
        mean, pulse = blocks.mean_pa[np.maximum(k, 0)], blocks.throttle_us[np.maximum(k, 0)]
        seen = (k >= 0) & (mean > self.p.min_level_pa)
        speed = np.exp((np.log(np.where(seen, mean, 1.0)) - gain) / 2)
        settled = np.where(np.isfinite(pulse), self.fan.settled(pulse), 0.0)
        # by a third: a pack that is full is no fan that coasts
        coasts = seen & (2 * np.log(np.maximum(speed, 1e-3)) > settled + self.p.screen * 3)
        return np.asarray(np.where(coasts, speed, 0.0), np.float64)

    def law(self, k0: int, k1: int) -> Array:
        """Log of the suction by the fan's law of some blocks."""
        pulse = self.pulses(k0 - RUN_IN, k1, max(k1 - 1, 0))
        if pulse is None:
            return np.zeros(k1 - k0)
        return np.asarray(self.fan.expected(pulse[None], self.begun([k0 - RUN_IN]))[0], np.float64)

    def prepare(self, f0: int, f1: int, floors_pa: Sequence[float]) -> tuple[int, list[int], list[int]]:
        """What the fan should give in some frames, up to the next that teaches it: how many they were, those
        in which the throttle came down, and those in which something else was seen. By the suction of each
        frame below which there is nothing to lose.
        """
        blocks, p, fan = self.blocks, self.p, self.fan
        if np.isnan(blocks.throttle_us[f0 * FRAME]):
            f1 = f0 + 1
        first = np.arange(f0, f1) * FRAME
        begin, end = f0 * FRAME, min(f1 * FRAME, blocks.size)
        pulse = self.pulses(begin - RUN_IN, f1 * FRAME, begin)
        law = np.zeros((f1 - f0, FRAME))
        if pulse is not None:
            windows = np.ascontiguousarray(sliding_window_view(pulse, RUN_IN + FRAME)[::FRAME])
            level = np.full((f1 - f0) * FRAME, np.nan)
            level[: end - begin] = np.where(blocks.known[begin:end], blocks.mean_pa[begin:end], np.nan)
            good = np.isfinite(level).reshape(-1, FRAME)
            level_pa = np.maximum(np.where(good, level.reshape(-1, FRAME), p.zero_pa), p.zero_pa)
            weight = np.where(good, 1.0 / (1.0 + (p.zero_pa / level_pa / p.noise) ** 2), 0.0)
            log_pa, total = np.log(level_pa), np.maximum(weight.sum(axis=1), 1e-9)
            moved = (np.ptp(windows, axis=1) > _WORK_US) & good.any(axis=1)
            begun, taught = self.begun(first - RUN_IN), -1
            while True:
                if self.teaches == f0:
                    seen, log_seen, weighed = windows[0].copy(), log_pa[0].copy(), weight[0].copy()
                    fan.take(Lesson(f0, seen, log_seen, weighed, float(begun[0])))
                    begun[1:], taught, self.teaches = self.begun(first[1:] - RUN_IN), f0, -1
                law = fan.expected(windows, begun)
                off = log_pa - law
                off -= ((weight * off).sum(axis=1) / total)[:, None]
                misfit = np.sqrt((weight * off * off).sum(axis=1) / total)
                teach = [f for f in (f0 + moved.nonzero()[0]).tolist() if not fan.knows(f, misfit[f - f0])]
                self.teaches = next((f for f in teach if f > taught), -1)
                if self.teaches != f0:
                    break
            if self.teaches >= 0:
                f1, end = self.teaches, self.teaches * FRAME
        (down,) = (np.diff(blocks.throttle_us[begin : end + 1]) < 0).nonzero()
        here = slice(begin, end)
        blocks.expected[here] = law.ravel()[: end - begin]
        settled = self.fan.settled(blocks.throttle_us[here])
        blocks.calm[here] = np.abs(blocks.expected[here] - settled) < p.screen
        departs = self._departs(first[: f1 - f0], end, np.array(floors_pa[: f1 - f0]))
        return f1 - f0, (f0 + down // FRAME).tolist(), (f0 + departs.nonzero()[0]).tolist()

    def _departs(self, first: NDArray[np.int64], end: int, floors: Array) -> Bools:
        """In which frames does the log residual range over more than is worth a look, or is there a gap?"""
        blocks, zero, gain = self.blocks, self.p.zero_pa, self.fan.gain
        at = first[:, None] + np.arange(-_BACK, FRAME)
        there = (at >= 0) & (at < end)
        at = np.clip(at, 0, end - 1)
        there &= blocks.stretch[at] == blocks.stretch[first[0]]
        mean, law = np.where(there, blocks.mean_pa[at], np.nan), blocks.expected[at]
        top = np.fmax.reduce(mean, axis=1)
        usual = np.log(np.fmax(top, zero)) - law.max(axis=1) if gain is None else np.full(len(first), gain)
        # what a zero that is off hides is no departure
        left = np.log(np.fmax(mean, 0.0) + zero) - np.log(np.exp(law + usual[:, None]) + zero)
        left[np.isnan(mean)] = np.nan
        smooth = (left[:, 2:] + left[:, 1:-1] + left[:, :-2]) / 3
        # what heals within three blocks is a dip of the road
        stands = np.fmax(np.fmax(left[:, 2:], left[:, 1:-1]), left[:, :-2])
        # a fan that moves is known less well, and at idle there is nothing to lose
        calm, floor = blocks.calm[at[:, 1:-1]], floors[:, None]
        unsure = np.where(calm, 0.0, _SPREAD * self.fan.scatter)
        low = np.where(np.exp(law + usual[:, None])[:, 1:-1] > floor, stands, np.nan) + unsure
        high = np.where(calm & (mean[:, 1:-1] > floor), smooth, np.nan)
        none = np.isnan(high).all(axis=1)  # it moves all the time
        high[none] = np.fmin(smooth - unsure, self.p.screen)[none]
        # only what falls: what comes back was told when it went
        fall = np.fmax.reduce(np.fmax.accumulate(high, axis=1) - low, axis=1)
        departs = (fall > self.p.screen) & (top > floors)
        gaps = np.array([gap.end_s for gap in blocks.gaps])
        begin_s, end_s = blocks.t_s[first] - 1, blocks.t_s[np.minimum(first + FRAME, end) - 1] + 1
        gap = gaps.searchsorted(end_s) > gaps.searchsorted(begin_s, "right")
        return np.asarray(gap | departs)
