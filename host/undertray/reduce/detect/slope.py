"""A slow fall of suction while the throttle works: a law of the fan and a straight fall, fitted together."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from undertray.reduce.detect.rotor import RotorLaw, fit_rotor
from undertray.reduce.detect.steps import SURE, doubt
from undertray.reduce.detect.stretch import Stretch
from undertray.reduce.middle import middles

__all__ = ["Slope", "find_slope", "looks_bent"]

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]

_GROUP = 16  # blocks that one value is the median of
_APART = 3  # values between two begins, or two ends, that are tried
_BEFORE, _AFTER, _LEAST_VALUES = 8, 3, 20
_LOADED = 0.15  # share of the highest expectation below which a value says little
_BENT, _SAGS = 0.05, -0.25  # scatter, and drift of the gain, that one law on one seal does not have
_MOST_DRIFT = 0.15  # a pack that sags, over the stretch; what falls more is a slope
_ROUNDS, _TURNS = 3, 3
_CLIP, _USUAL = 0.1, 0.04  # of the log: what counts in full, and what is usual
_BETTER, _CLOSE = 1.5, 0.06  # by how much the slope has to help, and how well the two have to fit
_TINY = 1e-3


@dataclass(frozen=True, slots=True, eq=False)
class Slope:
    """A slow fall; blocks counted from the first of the stretch.

    Attributes
    ----------
    begun, bottom : int
        Block in which it begins, and in which it is complete.
    drop : float
        Share of the suction that went.
    expected_pa : ndarray, shape (k,)
        What the fan's law expects on the seal before, Pa.
    law : RotorLaw
        The same law; what it expects is less what went.
    """

    begun: int
    bottom: int
    drop: float
    expected_pa: Array
    law: RotorLaw


def looks_bent(law: RotorLaw) -> bool:
    """Does a law fit so badly, or drift so far, that a seal may have opened under it?

    Parameters
    ----------
    law : RotorLaw
        Fitted to a stretch.

    Returns
    -------
    bool
    """
    return law.scatter > _BENT or float(law.parameters[6]) < _SAGS


def find_slope(s: Stretch, law: RotorLaw, least_drop: float) -> Slope | None:
    """Find a slow fall that no fan explains.

    Parameters
    ----------
    s : Stretch
        The blocks.
    law : RotorLaw
        One law fitted to all of them.
    least_drop : float
        Smallest fall that counts, as a share.

    Returns
    -------
    Slope or None

    Notes
    -----
    In turn, a straight fall of suction over expectation is fitted (to its log, by robust least squares,
    over all begins and ends), and the law to the suction without it. The fall counts where the two
    together fit well, and much better than the law alone, and where it exceeds the least drop by two
    standard uncertainties of the law.
    """
    fitted, fall = law, 0.0
    for _ in range(_ROUNDS):
        ramp = _ramp(s, fitted.expected_pa, fall)
        if ramp is None:
            return None
        share = _straight(np.clip((np.arange(len(s.t_s)) - ramp[0]) / (ramp[1] - ramp[0]), 0.0, 1.0), fall)
        begun, bottom, fall = ramp
        found = fit_rotor(
            s.mean_pa * np.exp(fall * share),
            s.throttle_us,
            s.use,
            s.restart,
            s.block_s,
            start=fitted.parameters if fitted is not law else None,
            most_drift=_MOST_DRIFT,
        )
        if found is None:
            return None
        fitted = found
    if law.scatter < _BETTER * fitted.scatter or fitted.scatter > _CLOSE:
        return None
    width = _BEFORE * _GROUP // 2
    before, after = slice(max(0, begun - width), begun), slice(bottom, bottom + width)
    if fall - SURE * doubt(fitted, before, after) < -np.log(1 - least_drop):
        return None
    opened = replace(fitted, expected_pa=fitted.expected_pa * np.exp(-fall * share))
    return Slope(begun, bottom, 1 - float(np.exp(-fall)), fitted.expected_pa, opened)


def _straight(share: Array, fall: float) -> Array:
    """Share of the log that went, where a share of a straight fall did, by about how much the log fell."""
    return np.log1p(share * np.expm1(-fall)) / -fall if fall > 0 else share


def _ramp(s: Stretch, expected_pa: Array, about: float) -> tuple[int, int, float] | None:
    """The straight fall that fits best: its first and last block, and the log that went."""
    whole = len(s.t_s) // _GROUP
    skip = len(s.t_s) - whole * _GROUP
    top = float(np.sort(expected_pa)[-max(1, len(expected_pa) // 50)])
    good = (s.use & (expected_pa > _LOADED * top))[skip:].reshape(whole, _GROUP).all(axis=1)
    place = np.flatnonzero(good)
    if len(place) < _LEAST_VALUES:
        return None
    log = np.log(np.maximum(s.mean_pa, _TINY * top) / expected_pa)[skip:].reshape(whole, _GROUP)
    value = middles(log[place])
    begin, end = np.triu_indices(-(-whole // _APART), 1)
    begin, end = begin * _APART, end * _APART
    course = np.clip((place - begin[:, None]) / (end - begin)[:, None], 0.0, 1.0)
    seen = ((course == 0).sum(axis=1) >= _BEFORE) & ((course == 1).sum(axis=1) >= _AFTER)
    if not seen.any():
        return None
    begin, end, course = begin[seen], end[seen], _straight(course[seen], about)
    weight = np.ones_like(course)
    for _ in range(_TURNS):
        total = weight.sum(axis=1)
        middle, rise = (weight * value).sum(axis=1) / total, (weight * course).sum(axis=1) / total
        across = weight * (course - rise[:, None])
        fall = -(across @ value) / np.maximum((across * course).sum(axis=1), _TINY)
        off = value - middle[:, None] + fall[:, None] * (course - rise[:, None])
        weight = 1.0 / (1.0 + (off / _USUAL) ** 2)
    cost = np.where(fall > 0, np.minimum(off * off, _CLIP**2).sum(axis=1), np.inf)
    i = int(cost.argmin())
    if not np.isfinite(cost[i]):
        return None
    return skip + int(begin[i]) * _GROUP, skip + int(end[i]) * _GROUP, float(fall[i])
