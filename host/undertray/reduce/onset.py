"""A fall looked at closely: where it began, which tap went first, how long it took."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from undertray.reduce.middle import middle

__all__ = ["Fall", "broken_stick", "level_split", "measure_fall"]

Array = NDArray[np.float64]

_KNEE = 0.4  # the onset is read off the first part of a fall, up to this share of it
_PLATEAU_S = 0.15  # the level after a fall is read over this long
_TO_SD = 1.482602 / 6**0.5  # median absolute second difference to standard deviation
_LATER = 0.5  # of a standard error
_MOST = 400  # candidates and samples of one fit


@dataclass(frozen=True, slots=True)
class Fall:
    """A measured fall. Times in s, pressures in Pa.

    Attributes
    ----------
    onset_s, bottom_s, fall_s : float
        Begin, completion, and 90-10 % transition duration.
    from_pa, to_pa : float
        Mean suction before and after.
    order : tuple of int
        Taps that fell, first to last.
    """

    onset_s: float
    bottom_s: float
    fall_s: float
    from_pa: float
    to_pa: float
    order: tuple[int, ...]

    @property
    def drop(self) -> float:
        """1 - to/from; 0 where there was nothing to lose."""
        return 1.0 - self.to_pa / self.from_pa if self.from_pa > 0 else 0.0


def level_split(y: Array) -> tuple[int, float]:
    """Split a series into two levels by least squares.

    Parameters
    ----------
    y : ndarray, shape (n,)
        The series, n at least 2.

    Returns
    -------
    first : int
        Index of the first value of the second level.
    sse : float
        Sum of squares left about the two means.

    References
    ----------
    G. W. Cobb, The problem of the Nile, Biometrika 65 (1978) 243-251, for the series it is tested on.
    """
    n = len(y)
    total = np.cumsum(y - y.mean())[:-1]
    left = np.arange(1, n)
    gain = total**2 * (1 / left + 1 / (n - left))
    best = int(np.argmax(gain))
    return best + 1, float(((y - y.mean()) ** 2).sum() - gain[best])


def broken_stick(t_s: Array, y: Array, level: float) -> tuple[float, float]:
    """Fit a level that breaks into a straight fall, by least squares.

    Parameters
    ----------
    t_s : ndarray, shape (n,)
        Time, s.
    y : ndarray, shape (n,)
        The signal.
    level : float
        The level before the break.

    Returns
    -------
    break_s : float
        Where it breaks: one of the times, the last sample still on the level.
    slope : float
        Fall per s, positive downwards.

    Notes
    -----
    For each candidate break b the best slope is sum d (t - b)+ / sum (t - b)+^2 with d the fall below
    the level, and the fit gains sum(d (t - b)+)^2 / sum (t - b)+^2: the break of the largest gain is the
    maximum-likelihood one for white noise.
    """
    fall = level - y
    ahead = np.maximum(t_s[None, :] - t_s[:-1, None], 0.0)
    square = (ahead**2).sum(axis=1)
    product = ahead @ fall
    gain = np.where(product > 0, product**2 / square, 0.0)
    best = int(np.argmax(gain))
    return float(t_s[best]), float(product[best] / square[best])


def measure_fall(t_s: Array, taps_pa: Array, weights: Array, begun_s: float, period_s: float) -> Fall:
    """Measure a fall that was found.

    Parameters
    ----------
    t_s : ndarray, shape (n,)
        Time from well before the fall to after it, s.
    taps_pa : ndarray, shape (n, taps)
        Suction at the good taps, Pa, no NaN.
    weights : ndarray, shape (taps,)
        Weight of each tap in the mean, their sum 1.
    begun_s : float
        About when it began, s.
    period_s : float
        Sample period, s.

    Returns
    -------
    Fall

    Notes
    -----
    The onset is the break of a level-and-straight-fall fit to the first 40 % of the fall, of the mean
    and of each tap that fell clearly; the earliest counts, each later by its own standard error so that
    the earliest of many noisy ones is not taken for the first. Transition instants by linear
    interpolation.

    References
    ----------
    IEEE Std 181-2011, Transitions, Pulses, and Related Waveforms: transition duration between
    the 10 % and 90 % reference levels.
    """
    mean = taps_pa @ weights
    before = _ahead(t_s, begun_s - period_s)
    level = middle(mean[before])
    noise = _noise(mean[before])
    smooth = _smooth(mean, _width(noise, level - float(mean.min()), period_s))
    low = _floor_level(smooth[~before])
    t90, t10 = _transition(t_s, smooth, level, low, begun_s)
    # an exponential fall has gone on by then to a hundredth
    rest_s = t10 + (t10 - t90)
    settled = (t_s >= rest_s) & (t_s <= rest_s + _PLATEAU_S)
    if settled.sum() >= 3:
        low = middle(mean[settled])
        t90, t10 = _transition(t_s, smooth, level, low, begun_s)
    # a straight fall began an eighth of its 90-10 % time before the first crossing
    earliest_s = t90 - 0.25 * (t10 - t90) - 0.05
    # the throttle may be moving: for the onset the level is read close to it
    before = _ahead(t_s, earliest_s + 0.03)
    before[: max(0, int(before.sum()) - max(5, round(0.13 / period_s)))] = False
    at, error, _ = _onset(t_s, mean, before, earliest_s, period_s)
    each = [_onset(t_s, taps_pa[:, i], before, earliest_s, period_s) for i in range(taps_pa.shape[1])]
    firsts, errors, drops = np.array(each).T
    fell = np.flatnonzero((drops > 0.1) & np.isfinite(firsts))
    if not fell.size:
        fell = np.array([int(np.argmax(drops))])
    # only taps that show it nearly as sharply as the mean may date it
    sharp = fell[errors[fell] <= max(1.5 * error if np.isfinite(error) else 0.0, period_s, 0.004)]
    found = np.append(firsts[sharp] + _LATER * errors[sharp], at + _LATER * error)
    earliest = float(found[np.isfinite(found)].min(initial=np.inf))
    earliest = earliest if np.isfinite(earliest) else begun_s
    # ties within two samples go to the tap that lost most
    rank = np.round((np.nan_to_num(firsts, nan=np.inf) - earliest) / max(2 * period_s, 0.004))
    order = sorted(fell.tolist(), key=lambda i: (rank[i], -drops[i]))
    bottom = min(max(t10 + (t10 - t90) / 8, earliest), float(t_s[-1]))
    return Fall(earliest, bottom, max(t10 - t90, period_s), level, low, tuple(order))


def _onset(
    t_s: Array, y: Array, before: NDArray[np.bool_], earliest_s: float, period_s: float
) -> tuple[float, float, float]:
    """Onset, its standard error and the share that fell, of one signal."""
    level, noise = middle(y[before]), _noise(y[before])
    smooth = _smooth(y, _width(noise, level - float(y[~before].min(initial=level)), period_s))
    depth = level - _floor_level(smooth[~before])
    drop = depth / level if level > 0 else 0.0
    if depth <= 3 * noise / 2 or drop <= 0.05:
        return np.nan, np.nan, drop
    below = np.flatnonzero((smooth < level - _KNEE * depth) & (t_s >= earliest_s))
    end = int(below[0]) + 1 if below.size else len(y)
    start = max(0, end - _MOST, int(np.searchsorted(t_s, earliest_s)))
    if end - start < 3:
        return float(t_s[max(end - 1, 0)]), period_s, drop
    at, slope = broken_stick(t_s[start:end], y[start:end], level)
    error = noise / slope if slope > 0 else np.nan
    return at + period_s / 2, error, drop


def _transition(t_s: Array, y: Array, level: float, low: float, begun_s: float) -> tuple[float, float]:
    high, bottom = low + 0.9 * (level - low), low + 0.1 * (level - low)
    from_here = int(np.searchsorted(t_s, begun_s - 0.04))
    under = np.flatnonzero(y[from_here:] <= bottom) + from_here
    i10 = int(under[0]) if under.size else len(y) - 1
    over = np.flatnonzero(y[:i10] >= high)
    i90 = int(over[-1]) if over.size else 0
    return _cross(t_s, y, i90, high), _cross(t_s, y, max(i10 - 1, 0), bottom)


def _cross(t_s: Array, y: Array, i: int, level: float) -> float:
    """Instant between samples i and i + 1 where y falls through a level."""
    if i + 1 >= len(y) or y[i] <= y[i + 1]:
        return float(t_s[i])
    share = min(max((y[i] - level) / (y[i] - y[i + 1]), 0.0), 1.0)
    return float(t_s[i] + share * (t_s[i + 1] - t_s[i]))


def _ahead(t_s: Array, until_s: float) -> NDArray[np.bool_]:
    """Samples before a time, the first four at least."""
    return np.asarray(np.arange(len(t_s)) < max(4, int(np.searchsorted(t_s, until_s))))


def _noise(y: Array) -> float:
    """Robust sd of one sample from second differences, which a slope does not touch."""
    if len(y) < 4:
        return 0.0
    second = y[2:] - 2 * y[1:-1] + y[:-2]
    return _TO_SD * middle(np.abs(second))


def _width(noise: float, depth: float, period_s: float) -> int:
    """Samples to average so that noise stays below a twentieth of the fall, at most 20 ms."""
    need = (20 * noise / depth) ** 2 if depth > 0 else 1.0
    return int(np.clip(np.ceil(min(need, 1e4)), 1, max(1, round(0.02 / period_s))))


def _smooth(y: Array, width: int) -> Array:
    """Centred mean; the ends are held."""
    if width < 2:
        return y
    padded = np.concatenate([np.full(width // 2, y[0]), y, np.full(width - 1 - width // 2, y[-1])])
    return np.convolve(padded, np.full(width, 1.0 / width), "valid")


def _floor_level(y: Array) -> float:
    """Level at the bottom: the median of the lowest third."""
    if not len(y):
        return np.nan
    count = max(1, len(y) // 3)
    return middle(np.partition(y, count - 1)[:count])
