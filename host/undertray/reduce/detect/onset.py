"""A fall looked at closely: where it began, which tap went first, how long it took."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from undertray.quantiles import middle, middles

__all__ = ["Fall", "broken_stick", "measure_fall", "transition"]

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

_KNEE = 0.4  # the onset is read off the first part of a fall, up to this share of it
_SLOWEST = 0.6  # of the 90-10 % time, in which the knee is reached: 0.5 in a straight fall
_PLATEAU_S = 0.15  # the level after a fall is read over this long
_TO_SD = 1.482602 / 6**0.5  # median absolute second difference to standard deviation
_LATER = 0.5  # of a standard error
_TINY = 1e-300


@dataclass(frozen=True, slots=True)
class Fall:
    """A measured fall. Times in s, pressures in Pa."""

    onset_s: float
    bottom_s: float
    fall_s: float
    from_pa: float
    to_pa: float
    order: tuple[int, ...]
    leads_s: tuple[float, ...] = ()
    lead_sd_s: float = 0.0

    @property
    def drop(self) -> float:
        """1 - to/from; 0 where there was nothing to lose."""
        return 1.0 - self.to_pa / self.from_pa if self.from_pa > 0 else 0.0


def broken_stick(t_s: Array, y: Array, level: float) -> tuple[float, float]:
    """Break and slope, positive downwards, of a level that breaks into a straight fall, by least squares.

    For each candidate break b, the last sample on the level, the best slope is
    sum d (t - b)+ / sum (t - b)+^2 with d the fall below the level, and the fit gains
    sum(d (t - b)+)^2 / sum (t - b)+^2: the break of the largest gain is the maximum-likelihood one for
    white noise.
    """
    (best,), (slope,) = _sticks(t_s, (level - y)[None], np.array([len(y)]))
    return float(t_s[best]), float(slope)


def _sticks(t_s: Array, fall: Array, end: Ints) -> tuple[Ints, Array]:
    """Break and slope of several signals, each fitted to the sample before its end."""
    at, t = np.arange(len(t_s)), t_s - t_s[-1]
    inside, n = at < end[:, None], end[:, None] - at
    # by running sums from the end, and of times from there, so that no large number hides a small one
    sums = np.empty((4, *inside.shape))
    sums[0], sums[2] = inside * t, inside * fall
    np.multiply(sums[::2], t, out=sums[1::2])
    st, stt, sf, sft = np.cumsum(sums[:, :, ::-1], axis=2)[:, :, ::-1]
    square, product = stt - t * (2 * st - n * t), sft - t * sf
    gain = np.divide(product * product, square, out=(n > 1) - 1.0, where=(n > 1) & (product > 0))
    best = gain.argmax(axis=1)
    each = np.arange(len(best))
    return best, product[each, best] / np.maximum(square[each, best], _TINY)


def measure_fall(t_s: Array, taps_pa: Array, weights: Array, begun_s: float, period_s: float) -> Fall:
    """Measure a fall that began about a moment: taps without NaN, shape (n, taps), their weights' sum 1.

    The onset is the break of a level-and-straight-fall fit to the first 40 % of the fall, of the mean
    and of each tap that fell clearly; the earliest counts, each later by its own standard error so that
    the earliest of many noisy ones is not taken for the first. Transition instants by linear
    interpolation.

    References
    ----------
    IEEE Std 181-2011, Transitions, Pulses, and Related Waveforms: transition duration between
    the 10 % and 90 % reference levels.
    """
    all_pa = np.empty((1 + taps_pa.shape[1], len(t_s)))
    all_pa[0], all_pa[1:] = taps_pa @ weights, taps_pa.T
    mean = all_pa[0]
    n = _count_before(t_s, begun_s - period_s)
    (level,), (noise,) = _level(mean[None, :n])
    smooth = _smooth(mean[None], _width(noise, level - mean.min(keepdims=True), period_s))[0]
    low = float(_floor_level(smooth[None, n:])[0])
    t90, t10 = transition(t_s, smooth, level, low, begun_s)
    # an exponential fall has gone on by then to a hundredth
    rest_s = t10 + (t10 - t90)
    settled = mean[t_s.searchsorted(rest_s) : t_s.searchsorted(rest_s + _PLATEAU_S, "right")]
    if len(settled) >= 3:
        low = middle(settled)
        t90, t10 = transition(t_s, smooth, level, low, begun_s)
    # a straight fall began an eighth of its 90-10 % time before the first crossing
    earliest_s = t90 - 0.25 * (t10 - t90) - 0.05
    at, errors, drops = _onsets(t_s, all_pa, earliest_s, period_s, _SLOWEST * (t10 - t90))
    fell = [i for i in range(1, len(at)) if drops[i] > 0.1 and at[i] < np.inf]
    if not fell:
        fell = [1 + int(np.argmax(drops[1:]))]
    # only taps that show it nearly as sharply as the mean may date it
    sharp = max(1.5 * errors[0] if errors[0] < np.inf else 0.0, period_s, 0.004)
    found = [at[i] + _LATER * errors[i] for i in (0, *fell) if i == 0 or errors[i] <= sharp]
    earliest = min(found)
    earliest = earliest if earliest < np.inf else begun_s
    # ties within two samples go to the tap that lost most
    tie_s = max(2 * period_s, 0.004)
    order = sorted(
        fell, key=lambda i: (round((at[i] - earliest) / tie_s) if at[i] < np.inf else np.inf, -drops[i])
    )
    bottom = min(max(t10 + (t10 - t90) / 8, earliest), float(t_s[-1]))
    fall_s = max(t10 - t90, period_s)
    begun = min(at[i] for i in order)
    leads = tuple(at[i] - begun if at[i] < np.inf else fall_s for i in order)
    lead_sd_s = float(np.linalg.norm([errors[i] for i in order[:2]])) if len(order) > 1 else 0.0
    return Fall(earliest, bottom, fall_s, float(level), low, tuple(i - 1 for i in order), leads, lead_sd_s)


def _onsets(
    t_s: Array, y: Array, earliest_s: float, period_s: float, begins_s: float
) -> tuple[list[float], list[float], list[float]]:
    """Onset, its standard error and the share that fell, of each signal; infinite where none shows. None lies
    further before the knee than a time: what fell before that is the road's.
    """
    # the throttle may be moving: for the onset the level is read close to it
    n = _count_before(t_s, earliest_s + 0.03)
    first = max(0, n - max(5, round(0.13 / period_s)))
    level, noise = _level(y[:, first:n])
    rest = np.concatenate([y[:, :first], y[:, n:]], axis=1)
    width = _width(noise, level - rest.min(axis=1, initial=np.inf), period_s)
    smooth = _smooth(y, width)
    if smooth is not y:
        rest = np.concatenate([smooth[:, :first], smooth[:, n:]], axis=1)
    depth = level - _floor_level(rest)
    drop = np.where(level > 0, depth / np.where(level > 0, level, 1.0), 0.0)
    # up to the first sample below the knee
    begin = min(int(t_s.searchsorted(earliest_s)), len(t_s) - 1)
    below = smooth[:, begin:] < (level - _KNEE * depth)[:, None]
    end = np.where(below.any(axis=1), begin + 1 + below.argmax(axis=1), len(t_s))
    hi = int(end.max())
    best, slope = _sticks(t_s[begin:hi], level[:, None] - y[:, begin:hi], end - begin)
    at, error = t_s[begin + best] + period_s / 2, np.full(len(slope), np.inf)
    at = np.maximum(at, t_s[end - 1] - begins_s - period_s)
    np.divide(noise, slope, out=error, where=slope > 0)
    few = end - begin < 3
    at, error = np.where(few, t_s[end - 1], at), np.where(few, period_s, error)
    shows = (depth > 1.5 * noise) & (drop > 0.05)
    at, error = np.where(shows, at, np.inf), np.where(shows, error, np.inf)
    return at.tolist(), error.tolist(), drop.tolist()


def transition(t_s: Array, y: Array, level: float, low: float, begun_s: float) -> tuple[float, float]:
    """When 90 and 10 % of the way from a level down to another were left, s, after a fall began."""
    high, bottom = low + 0.9 * (level - low), low + 0.1 * (level - low)
    from_here = int(t_s.searchsorted(begun_s - 0.04))
    under = y[from_here:] <= bottom
    i10 = from_here + int(under.argmax()) if under.any() else len(y) - 1
    over = y[:i10][::-1] >= high
    i90 = i10 - 1 - int(over.argmax()) if over.any() else 0
    return _cross(t_s, y, i90, high), _cross(t_s, y, max(i10 - 1, 0), bottom)


def _cross(t_s: Array, y: Array, i: int, level: float) -> float:
    """Instant between samples i and i + 1 where y falls through a level."""
    if i + 1 >= len(y) or y[i] <= y[i + 1]:
        return float(t_s[i])
    share = min(max((y[i] - level) / (y[i] - y[i + 1]), 0.0), 1.0)
    return float(t_s[i] + share * (t_s[i + 1] - t_s[i]))


def _count_before(t_s: Array, until_s: float) -> int:
    """How many samples lie before a time, four at least."""
    return min(len(t_s), max(4, int(t_s.searchsorted(until_s))))


def _level(y: Array) -> tuple[Array, Array]:
    """Median of each row, and robust sd of a sample by second differences, which a slope does not touch."""
    if y.shape[1] < 4:
        return middles(y), np.zeros(len(y))
    return middles(y), _TO_SD * middles(np.abs(y[:, 2:] - 2 * y[:, 1:-1] + y[:, :-2]))


def _width(noise: Array, depth: Array, period_s: float) -> Ints:
    """Samples to average so that noise stays below a twentieth of the fall, at most 20 ms."""
    fell = depth > 0
    need = np.where(fell, 20 * noise / np.where(fell, depth, 1.0), 1.0) ** 2
    return np.asarray(np.ceil(np.minimum(np.maximum(need, 1.0), max(1, round(0.02 / period_s)))), np.int64)


def _smooth(y: Array, width: Ints) -> Array:
    """Centred mean of each row; the ends are held."""
    most = int(width.max())
    if most < 2:
        return y
    n = y.shape[1]
    held = np.concatenate([np.repeat(y[:, :1], most, 1), y, np.repeat(y[:, -1:], most, 1)], axis=1)
    total = np.cumsum(np.concatenate([np.zeros((len(y), 1)), held], axis=1), axis=1)
    at = (np.arange(len(y)) * total.shape[1] + most - width // 2)[:, None] + np.arange(n)
    flat = total.ravel()
    mean = (flat[at + width[:, None]] - flat[at]) / width[:, None]
    return np.where(width[:, None] < 2, y, mean)


def _floor_level(y: Array) -> Array:
    """Level at the bottom of each row: the median of the lowest third."""
    n = y.shape[1]
    if not n:
        return np.full(len(y), np.nan)
    ordered, third = np.sort(y, axis=1), max(1, n // 3)
    return np.asarray((ordered[:, third // 2] + ordered[:, (third - 1) // 2]) / 2)
