"""Leaks that open over seconds: the seal index, watched once a frame."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from undertray.reduce.loss import LossParameters
from undertray.reduce.middle import middle, middles

__all__ = ["Creep", "find_creep"]

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

_GROUP = 16  # blocks that one value of the index is the median of
_EVEN = np.full(_GROUP, 1 / _GROUP)
_NOW = 4  # values that "now" is read from
_LOADED = 0.15  # share of the largest drive below which the index is not worth looking at
_CALM = 0.1  # a group in which the drive changes by more says as much of the fan's lag as of the seal
_SUDDEN = 2
_STILL = 0.03  # a fall that grows by less has come to its end


@dataclass(frozen=True, slots=True)
class Creep:
    """A slow fall of the seal index.

    Attributes
    ----------
    begun, bottom : int
        First block of the fall, and the block where it was complete.
    level, drop : float
        Index before, and the share of it that went.
    still : bool
        Whether it has come to its end.
    sudden : bool
        Whether it took no more than two values of the index.
    """

    begun: int
    bottom: int
    level: float
    drop: float
    still: bool
    sudden: bool

    def following(self, earlier: Creep) -> Creep:
        """Join to what was seen of the same fall when more of its begin was in reach.

        Parameters
        ----------
        earlier : Creep
            What was seen.

        Returns
        -------
        Creep
        """
        if earlier.begun >= self.begun:
            return self
        drop = 1.0 - self.level * (1.0 - self.drop) / earlier.level
        return replace(self, begun=earlier.begun, level=earlier.level, drop=drop, sudden=False)


def find_creep(k0: int, mean_pa: Array, drive: Array, error: float, p: LossParameters) -> Creep | None:
    """Look for a slow fall of suction over drive.

    Parameters
    ----------
    k0 : int
        Number of the first block.
    mean_pa : ndarray, shape (k,)
        Mean suction of blocks that follow each other, Pa.
    drive : ndarray, shape (k,)
        What the fans should give, in any unit; NaN where that is not known.
    error : float
        Relative rms error of that expectation over the run.
    p : LossParameters
        Thresholds.

    Returns
    -------
    Creep or None

    Notes
    -----
    The seal index is suction over expectation. Means over 16 blocks are compared: the median of the
    last four against the best four in a row before. A fall counts above ``leak_drop`` plus twice
    the error of the expectation, so a fan law that fits badly makes it blunt and not wrong.
    """
    whole = len(mean_pa) // _GROUP * _GROUP
    if whole < 3 * _NOW * _GROUP:
        return None
    skip = len(mean_pa) - whole
    x = drive[skip:].reshape(-1, _GROUP)
    loaded = x > _LOADED * max(float(np.fmax.reduce(drive)), 1e-12)
    highest = x.max(axis=1)
    calm = highest - x.min(axis=1) < _CALM * highest
    index = np.where(
        loaded.all(axis=1) & calm,
        (mean_pa[skip:].reshape(-1, _GROUP) @ _EVEN) / np.maximum(x @ _EVEN, 1e-12),
        np.nan,
    )
    good = np.flatnonzero(np.isfinite(index))
    if len(good) < 3 * _NOW or len(index) - 1 - good[-1] > _NOW:
        return None
    value = index[good]
    if value[-_NOW:].min() > (1 - p.leak_drop - 2 * error) * value.max():
        return None  # whatever the medians are
    run = middles(np.lib.stride_tricks.sliding_window_view(value, _NOW))
    top = int(np.argmax(run[:-_NOW]))
    level, now = float(run[top]), float(run[-1])
    drop = 1.0 - now / level if level > 0 else 0.0
    if drop < p.leak_drop + 2 * error:
        return None
    after = value[top:]
    places = good[top:]
    half = int(np.flatnonzero(after < level * (1 - 0.5 * drop))[0])
    at = _bend(places[: half + 1], after[: half + 1])
    level = middle(after[max(0, at + 1 - _NOW) : at + 1])
    drop = 1.0 - now / level
    if drop < p.leak_drop:
        return None
    high, low = level * (1 - 0.1 * drop), level * (1 - 0.9 * drop)
    under = np.flatnonzero(after < low)
    i10 = int(under[0]) if under.size else len(after) - 1
    over = np.flatnonzero(after[:i10] > high)
    i90 = int(over[-1]) if over.size else 0
    length = int(places[i10] - places[i90])
    begin, end = _crossing(places, after, i90, high), _crossing(places, after, i10 - 1, low)
    eighth = (end - begin) / 8
    still = float(run[-1 - min(_NOW, len(run) - 1)]) - now < _STILL * level
    return Creep(
        begun=k0 + skip + max(0, round((begin - eighth) * _GROUP)),
        bottom=k0 + skip + min(len(index) * _GROUP - 1, round((end + eighth) * _GROUP)),
        level=level,
        drop=drop,
        still=still,
        # nothing was hidden between neighbours, and neighbours differ by the whole fall
        sudden=length <= _SUDDEN and length == i10 - i90,
    )


def _bend(x: Ints, y: Array) -> int:
    """Where a level ends that falls to the last value: by least squares, the fall taken as straight."""
    best, at = np.inf, 0
    for i in range(len(x) - 1):
        level = float(y[: i + 1].mean())
        way = (x[i:] - x[i]) / (x[-1] - x[i])
        off = np.concatenate([y[:i] - level, y[i:] - (level + (y[-1] - level) * way)])
        if float(off @ off) < best:
            best, at = float(off @ off), i
    return at


def _crossing(places: Ints, value: Array, i: int, limit: float) -> float:
    """Where the values come down to a limit, between one and the next; each stands for its middle."""
    i = min(max(i, 0), len(value) - 2)
    way = float(value[i] - value[i + 1])
    share = min(max(float(value[i] - limit) / way, 0.0), 1.0) if way > 0 else 1.0
    return float(places[i]) + 0.5 + share * float(places[i + 1] - places[i])
