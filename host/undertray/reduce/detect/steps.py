"""Sudden steps in what is left of the suction over a fitted law."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from undertray.reduce.detect.rotor import RotorLaw
from undertray.reduce.detect.stretch import LOADED, Stretch
from undertray.reduce.middle import middle, middles

__all__ = ["MOVING", "SURE", "Step", "doubt", "find_steps", "may_hold_steps", "shift"]

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]

MOVING = 0.1
"""Change of the log of the expected suction from which on the throttle counts as worked."""
SURE = 2.0
"""Standard uncertainties by which a step has to exceed the least drop."""
_BEFORE_S, _BETWEEN_S, _AFTER_S = 0.24, 0.16, 0.3
_SHAPE = 0.04  # of the change that the throttle made, that no law has to get right
_SUDDEN_S = 0.16  # for the middle 60 % of the fall, read in medians of three blocks
_STANDS_S, _STANDS = 0.45, 0.85  # bumps one after the other do not stand this long
_ZERO = 1e-3
_SEEN = 0.2  # of a fall over expectation, that shows as a knee in the suction itself


@dataclass(frozen=True, slots=True)
class Step:
    """A sudden fall of suction over expectation; blocks counted from the first of the stretch.

    Attributes
    ----------
    begun, over : int
        Block in which it begins, and in which it is complete.
    before, after : slice
        Blocks that it was read from.
    level : float
        Suction over expectation before.
    drop : float
        Share of that which went.
    """

    begun: int
    over: int
    before: slice
    after: slice
    level: float
    drop: float


def find_steps(s: Stretch, law: RotorLaw, first: int, end: int, min_drop: float) -> list[Step]:
    """Find sudden falls that the law does not explain.

    Parameters
    ----------
    s : Stretch
        The blocks.
    law : RotorLaw
        The law fitted to them.
    first, end : int
        First block to look at, and the block after the last.
    min_drop : float
        Smallest fall that counts, as a share.

    Returns
    -------
    list of Step
        The largest first; one and the same fall may come more than once.

    Notes
    -----
    Medians of suction over expectation over 0.24 s before and 0.16 to 0.46 s after are compared. A fall
    has to exceed ``min_drop`` by two standard uncertainties: of the law's prediction (by the covariance
    of the fit), of the noise, and of a share of what the throttle changed in between; it has to come
    within 0.16 s, and to stand for 0.45 s.
    """
    n_between = _counts(s.block_s)[1]
    falls, least = _falls(s, law.expected_pa, first, end, min_drop), -np.log(1 - min_drop)
    steps = []
    while falls.size.max(initial=-np.inf) >= least:
        i = int(np.argmax(falls.size))
        step = _step(s, law, falls, i, min_drop)
        if step is not None:
            steps.append(step)
        falls.size[max(0, i - n_between) : i + n_between + 1] = -np.inf
    return steps


def may_hold_steps(s: Stretch, expected_pa: Array, first: int, end: int, min_drop: float) -> bool:
    """Is there any fall that :func:`find_steps` would look at?

    Parameters
    ----------
    s : Stretch
        The blocks.
    expected_pa : ndarray, shape (k,)
        What some law expects of them, Pa.
    first, end : int
        First block to look at, and the block after the last.
    min_drop : float
        Smallest fall that counts, as a share.

    Returns
    -------
    bool
    """
    sizes = _falls(s, expected_pa, first, end, min_drop).size
    return bool(sizes.max(initial=-np.inf) >= -np.log(1 - min_drop))


@dataclass(frozen=True, slots=True, eq=False)
class _Falls:
    """Falls of the log of suction over expectation, from block ``first`` on; -inf where too small."""

    first: int
    top_pa: float
    log: Array
    before: Array
    after: Array
    size: Array


def _falls(s: Stretch, e: Array, first: int, end: int, min_drop: float) -> _Falls:
    n_before, n_between, n_after = _counts(s.block_s)
    span = n_before + 1 + n_between + n_after
    first, end = max(first, n_before + 1), min(end, len(s.t_s) - n_between - n_after)
    end = max(first, end)
    top = float(np.sort(e)[-max(1, len(e) // 50)])
    log = np.log(np.maximum(s.mean_pa, _ZERO * top) / e)
    begin, count = first - n_before - 1, end - first
    unfit = np.zeros(len(e) + 1, np.int64)
    np.cumsum(~(s.use & (e > LOADED * top)), out=unfit[1:])
    clear = unfit[begin + span : begin + span + count] == unfit[begin : begin + count]
    before, after, size = np.zeros(count), np.zeros(count), np.full(count, -np.inf)
    # no median exceeds the highest, or falls below the lowest
    most = _extreme(np.maximum, log[begin : end - 2], n_before)
    most -= _extreme(np.minimum, log[first + n_between : end - 1 + n_between + n_after], n_after)
    (at,) = (clear & (most >= -np.log(1 - min_drop))).nonzero()
    if at.size:
        before[at] = middles(_windows(log, n_before, at + begin))
        after[at] = middles(_windows(log, n_after, at + (first + n_between)))
        size[at] = before[at] - after[at]
    return _Falls(first, top, log, before, after, size)


def shift(s: Stretch, expected_pa: Array, k: int) -> tuple[float, slice, slice] | None:
    """How much went at a block, whatever it was.

    Parameters
    ----------
    s : Stretch
        The blocks.
    expected_pa : ndarray, shape (k,)
        What some law expects of them, Pa.
    k : int
        The block.

    Returns
    -------
    lost : float
        Share of suction over expectation, from the quarter of a second before to that after; None for
        all where that cannot be judged.
    before, after : slice
        Blocks that it was read from.
    """
    n_before, n_between, _ = _counts(s.block_s)
    a, b = slice(k - n_before, k - 1), slice(k + n_between // 2, k + n_between // 2 + n_before)
    if a.start < 0 or b.stop > len(s.t_s) or not s.use[a.start : b.stop].all():
        return None
    ratio = np.maximum(s.mean_pa, _ZERO * expected_pa.max()) / expected_pa
    return 1 - middle(ratio[b]) / middle(ratio[a]), a, b


def _step(s: Stretch, law: RotorLaw, falls: _Falls, i: int, min_drop: float) -> Step | None:
    n_before, n_between, n_after = _counts(s.block_s)
    k, log, e = falls.first + i, falls.log, law.expected_pa
    before, after = float(falls.before[i]), float(falls.after[i])
    a, b = slice(k - n_before - 1, k - 1), slice(k + n_between, k + n_between + n_after)
    size = before - after
    drop = 1 - float(np.exp(-size))
    loud = [
        np.hypot(1, 0.15 * falls.top_pa / (e[w].mean() * np.exp(x))) for w, x in ((a, before), (b, after))
    ]
    noise = law.scatter * float(np.hypot(loud[0], np.exp(-size) * loud[1])) / 2
    # on a seal that is open already a share of what is left is a small part of the whole
    if drop * min(1.0, np.exp(before)) < min_drop + SURE * np.hypot(doubt(law, a, b), noise):
        return None
    shift = k - n_before + 1
    course = middles(_windows(log, 3, np.arange(n_before + n_between + n_after - 2) + (shift - 1)))
    edges = _edges(course, before - 0.2 * size, after + 0.2 * size)
    if edges is None or (edges[1] - edges[0]) * s.block_s > _SUDDEN_S:
        return None
    begun, over = edges[0] + shift, edges[1] + shift
    # suction that does not rise where the law expects it to, or goes on falling, is a fan that is late
    if not _knee(s.mean_pa, begun, over) >= _SEEN * size:
        return None
    standing = log[over : over + round(_STANDS_S / s.block_s)] < before - 0.5 * size
    if not standing.mean() >= _STANDS:
        return None
    return Step(begun, over, a, b, float(np.exp(before)), drop)


def _knee(mean_pa: Array, begun: int, over: int) -> float:
    """Fall of the log of the suction itself between two blocks, beyond that over as long before."""
    count = max(2, over - begun)
    first = max(1, begun - count)
    course = middles(_windows(mean_pa, 3, np.arange(first, min(over + 2, len(mean_pa) - 1)) - 1))
    course = np.log(np.maximum(course, _ZERO * max(float(course[0]), 1e-9)))
    at = begun - first
    return float(course[at] - course[at:].min() - max(0.0, course[0] - course[at]))


def _edges(course: Array, high: float, low: float) -> tuple[int, int] | None:
    """Last value above ``high`` ahead of the first below ``low`` from which on it stays below ``high``."""
    above, under = np.flatnonzero(course > high), np.flatnonzero(course < low)
    if not above.size or not under.size:
        return None
    ahead = above[above <= under[-1]]
    under = under[under > (ahead[-1] if ahead.size else -1)]
    if not under.size:
        return None
    ahead = above[above < under[0]]
    return (int(ahead[-1]) if ahead.size else 0), int(under[0])


def doubt(law: RotorLaw, a: slice, b: slice) -> float:
    """Standard uncertainty of the log of the expected change between two windows.

    Parameters
    ----------
    law : RotorLaw
        The law.
    a, b : slice
        The blocks of each.

    Returns
    -------
    float
    """
    change = law.sensitivity[b].mean(axis=0) - law.sensitivity[a].mean(axis=0)
    shape = (_SHAPE + law.scatter) * np.log(law.expected_pa[b].mean() / law.expected_pa[a].mean())
    return float(np.sqrt(change @ law.covariance @ change + shape**2))


def _counts(block_s: float) -> tuple[int, int, int]:
    before, between, after = (max(2, round(x / block_s)) for x in (_BEFORE_S, _BETWEEN_S, _AFTER_S))
    return before, between, after


def _windows(x: Array, width: int, first: Ints) -> Array:
    """Stretches of some width, one a row."""
    return np.asarray(x[first[:, None] + np.arange(width)])


def _extreme(of: np.ufunc, x: Array, width: int) -> Array:
    """Highest or lowest of each stretch of some width."""
    length = 1
    while length < width and len(x):
        step = min(length, width - length)
        x, length = of(x[step:], x[:-step]), length + step
    return x
