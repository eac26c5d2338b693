"""Two like fans side by side under one floor, each with a throttle, and perhaps a pack, of its own.

Each follows the fan laws with its own speed; both suck at the same suction, and what they move goes through
the same leak::

    w s1 (1 - y/s1^2)^(1/n) + (1 - w) s2 (1 - y/s2^2)^(1/n) = a y^k

s1 and s2 are their speeds over a speed at which the suction of the shut-off fans is 1, y is the suction in
that measure, w the first fan's part of the flow (a half for like fans), a and k leak and its exponent in the
measure of both fans, n the bend of their curve. Where the suction is above what a fan can hold on its own
(y > s^2, a fan that stands: y > 0) the air comes back through it, ``-b sqrt(y - s^2)``: b is 0 with a flap
and about 1 for an open wheel, which leaves as much way to the air as its own curve has (common practice, no
source). A curve that has a hump, so that the weaker fan stalls all at once, is not in it. At one speed all of
it is the law of one fan.

References: fans in parallel, flows add at equal pressure, with the surge of the weaker, and fan laws: AMCA
Publication 201, W. T. W. Cory, Fans and Ventilation (both from memory); definitions ISO 5801 (from memory).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["APART_US", "are_apart", "common_square", "common_throttle_us", "parallel_suction"]

Array = NDArray[np.float64]

APART_US = 12.0
"""From where on two throttles stand apart, µs: a receiver's pulse trembles by 1 to 3 µs."""
_APART_SHARE = 0.01  # and two voltages
# of the shut-off suction that a leak leaves, and b, where nothing tells (common practice, no source)
_USUAL_SHARE, _USUAL_BACK = 0.6, 0.5
_HALVINGS = 48
_IDLE_US, _TOP_US = 1000.0, 2000.0  # of a controller as it comes (common practice, no source)
_CODE = 1 << 20  # beyond any pulse, µs


def are_apart(
    throttle_us: ArrayLike, second_us: ArrayLike, pack_mv: ArrayLike, second_mv: ArrayLike
) -> NDArray[np.bool_]:
    """Say where two fans do not do the same; a voltage that is NaN is taken as that of the other."""
    one, other = np.asarray(pack_mv, float), np.asarray(second_mv, float)
    apart = np.abs(np.asarray(throttle_us, float) - np.asarray(second_us, float)) > APART_US
    with np.errstate(invalid="ignore"):
        return np.asarray(apart | (np.abs(one - other) > _APART_SHARE * one))


def parallel_suction(
    square1: ArrayLike,
    square2: ArrayLike,
    leak: ArrayLike,
    bend: ArrayLike = 2.0,
    exponent: ArrayLike = 0.5,
    part: ArrayLike = 0.5,
    back: ArrayLike = _USUAL_BACK,
) -> Array:
    """Suction of two fans over that of the shut-off fans at a speed of 1.

    Parameters
    ----------
    square1, square2 : array
        Squares of the speeds.
    leak, bend, exponent : array
        ``a``, ``n`` and ``k``, as for :func:`undertray.predict.fanlaw.shut_off_share`.
    part : array
        ``w``, what the first moves of all that both move at one speed.
    back : array
        ``b``, 0 and up.

    Returns
    -------
    ndarray
        ``y``, 0 where both stand.

    Notes
    -----
    The flow falls and the leak rises with y: between 0 and the greater of the squares there is one root,
    found by halving. For n = 2, k = 0.5 and like fans that both push it is
    ``(M + sqrt(M^2 - D^2 (1 + 1/a^2)))/(4 (1 + a^2))``, M the sum and D the difference of the squares.
    """
    s1, s2, a, n, k, w, b = np.broadcast_arrays(
        *(np.asarray(given, float) for given in (square1, square2, leak, bend, exponent, part, back))
    )
    low, high = np.zeros(a.shape), np.maximum(s1, s2)
    for _ in range(_HALVINGS):
        y = (low + high) / 2
        flow = w * _flow(s1, y, n, b) + (1 - w) * _flow(s2, y, n, b)
        sucks = flow > a * y**k
        low, high = np.where(sucks, y, low), np.where(sucks, high, y)
    return np.asarray((low + high) / 2)


def _flow(square: Array, y: Array, bend: Array, back: Array) -> Array:
    """What a fan moves of what it would freely at a speed of 1."""
    left = square - y
    share = np.maximum(left, 0.0) / np.where(square > 0, square, 1.0)
    return np.asarray(np.sqrt(square) * share ** (1 / bend) - back * np.sqrt(np.maximum(-left, 0.0)))


def common_square(square1: ArrayLike, square2: ArrayLike, share: float = _USUAL_SHARE) -> Array:
    """Square of the speed at which both fans alike would suck as much.

    Parameters
    ----------
    square1, square2 : array
        Squares of their speeds.
    share : float
        What the leak leaves of the shut-off suction.

    Returns
    -------
    ndarray
        For a sharp-edged leak and a curve of the second degree. While both push it is within a few per cent
        of the square of their mean speed.
    """
    one, other = np.broadcast_arrays(np.asarray(square1, float), np.asarray(square2, float))
    leak = np.sqrt(1 / share - 1)
    return np.asarray(parallel_suction(one, other, leak) / share)


def common_throttle_us(first_us: Array, second_us: Array) -> Array:
    """Throttle at which both fans alike would suck about as much.

    Parameters
    ----------
    first_us, second_us : ndarray of float64, shape (n,)
        Their throttles, µs; NaN where unknown.

    Returns
    -------
    ndarray of float64, shape (n,)
        The mean of both where they are not apart; NaN where either is unknown.

    Notes
    -----
    As :func:`common_square` has it, with speeds in proportion to the throttle above 1000 µs. It explains more
    of a fall than the mean of both does where one of them can no longer hold what the other sucks.
    """
    out = (first_us + second_us) / 2
    rows = np.flatnonzero(are_apart(first_us, second_us, np.nan, np.nan))
    # a log has few pairs of whole microseconds, and many rows of each
    whole = [np.clip(np.round(us[rows]), 0, _CODE - 1).astype(np.int64) for us in (first_us, second_us)]
    codes = whole[0] * _CODE + whole[1]
    pairs, of = np.unique(codes, return_inverse=True)
    squares = [
        np.square(np.maximum(us - _IDLE_US, 0.0) / (_TOP_US - _IDLE_US)) for us in divmod(pairs, _CODE)
    ]
    common = np.sqrt(common_square(squares[0], squares[1]))
    out[rows] = (_IDLE_US + (_TOP_US - _IDLE_US) * common)[of]
    return np.asarray(out)
