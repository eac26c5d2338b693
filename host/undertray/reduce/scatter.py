"""How much the noise of a run leaves in its means: batch means, so that autocorrelation counts."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from undertray.calibrate.distributions import student_quantile, student_tail
from undertray.reduce.middle import middle
from undertray.reduce.products import Table

__all__ = ["Scatter", "mean_scatter"]

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

BATCH_S = 0.25
_LEAST_BATCHES = 8
_MOST_BATCHES, _MOST_ALIKE, _LEAST_WORTH = 20, 0.9, 3.0
_FEW = 6.0  # independent batches from which on one figure for their correlation will do
_ROUNDED = 1e-12
_OUTSIDE = 0.05
_ANGLES = np.linspace(0.0, np.arcsin(0.98), 50)
_ROWS = 4096  # worked on at a time: what is made of them stays in a core's own cache
_TO_SD = 1.482602 / 6**0.5  # median absolute second difference of batch means to their standard deviation


@dataclass(frozen=True, slots=True, eq=False)
class Scatter:
    """Noise of the means of some sums of readings.

    Attributes
    ----------
    standard : ndarray, shape (k,)
        Standard uncertainty of the mean of each sum; 0 where there are too few rows to tell (8).
    effective_rows : float
        Rows without autocorrelation that would leave as much in the mean of the first sum; the
        number of rows itself for white noise.
    batches : int
        Batches it rests on.
    dof : int
        Degrees of freedom of ``standard``, at least 1.
    slow : bool
        Whether the first sum changes about as slowly as the stretch is long, so that another stretch may
        have another mean.
    """

    standard: Array
    effective_rows: float
    batches: int
    dof: int = 1
    slow: bool = False


def mean_scatter(
    readings: Array | Table, weights: Array, rate_hz: float, rows: Ints | None = None, steady: bool = False
) -> Scatter:
    """Noise that stays in the means of some weighted sums of readings.

    Parameters
    ----------
    readings : Table or ndarray, shape (n, m)
        Readings that follow each other; no NaN in any that is used.
    weights : ndarray, shape (k, m)
        The sums, one a row.
    rate_hz : float
        Sample rate, Hz.
    rows : ndarray of int64, or None
        Which readings to use, ascending; all if None.
    steady : bool
        Whether nothing was asked of the car in them: then what is slower than a batch is noise as well.

    Returns
    -------
    Scatter

    Notes
    -----
    The readings are cut into batches of a quarter of a second, of less where there would be fewer than 8
    (noise that is slower than such a batch then counts for too little). What a batch mean scatters by, s_B,
    is taken from second differences of the batch means by the median absolute deviation, so that throttle
    work, losses and slow changes (which are no noise) drop out, while noise that is correlated from row to
    row counts for what it does over a batch. The mean of K batches then has the standard uncertainty
    ``s_B/sqrt(K)``, and ``(s_within^2 + s_B^2) K/s_B^2`` is the effective number of rows. Noise slower than
    a batch looks like the car, and is not in it.

    In a steady stretch it is: there at most 20 longer batches are made of these, taken for AR(1) noise with
    the correlation r of neighbours (without its bias, ``(1 + 3 r)/K``; 0 to 0.9), and count as
    ``K (1 - r)/(1 + r)``. Where those are six and fewer, r is too badly known for one figure of it: the
    interval is then that of the mean over all r from 0 to 0.98, each by how well it explains the batches
    (:func:`_over_correlations`). It is wide, for good reason.

    References
    ----------
    Batch means: a standard method for the output of simulations (A. M. Law, Simulation Modeling and
    Analysis; from memory). Effective number of rows: G. V. Bayley and J. M. Hammersley, J. R. Stat. Soc.
    Suppl. 8 (1946) 184 (from memory); for AR(1) noise it is ``n (1 - phi)/(1 + phi)``. Bias of r: M. G.
    Kendall, Biometrika 41 (1954) 403 (from memory). Prior of r: J. O. Berger, R.-Y. Yang, Econometric
    Theory 10 (1994) 461 (from memory).
    """
    chosen = len(readings) if rows is None else len(rows)
    if chosen < _LEAST_BATCHES:
        return Scatter(np.zeros(len(weights)), float(chosen), 0)
    size = max(1, min(round(BATCH_S * rate_hz), chosen // _LEAST_BATCHES))
    count = chosen // size
    means, squares, even = np.empty((len(weights), count)), np.empty(count), np.full(size, 1.0 / size)
    at_once = max(1, _ROWS // size)
    for a in range(0, count, at_once):
        b = min(count, a + at_once)
        here = slice(a * size, b * size)
        cut = readings[here] if rows is None else readings[rows[here]]
        cut = cut.reshape(b - a, size, -1)
        # many small products: several times as fast as a mean over the middle axis
        np.matmul(weights, np.matmul(even, cut).T, out=means[:, a:b])
        within = cut @ weights[0]
        within -= means[0, a:b, None]
        np.einsum("ij,ij->i", within, within, out=squares[a:b])
    if steady:
        return _slow(means, float(middle(squares / size)), chosen)
    second = np.abs(np.diff(means, 2, axis=1))
    batch = _TO_SD * np.array([middle(row) for row in second])
    within2 = middle(squares / size)
    effective = (within2 + batch[0] ** 2) * count / batch[0] ** 2 if batch[0] > 0 else float(chosen)
    return Scatter(batch / count**0.5, float(min(effective, chosen)), count, max(1, (count - 2) // 2))


def _slow(means: Array, within2: float, rows: int) -> Scatter:
    """Noise of the means of a steady stretch, correlated over as long as it may be."""
    each = max(1, means.shape[1] // _MOST_BATCHES)
    count = means.shape[1] // each
    batches = means[:, : count * each].reshape(len(means), count, each).mean(axis=2)
    off = batches - batches.mean(axis=1, keepdims=True)
    square = np.square(off).sum(axis=1)
    # readings that never change leave only what sums of doubles are rounded by
    square[square <= count * (_ROUNDED * np.abs(batches).max(axis=1)) ** 2] = 0.0
    neighbours = (off[:, 1:] * off[:, :-1]).sum(axis=1)
    r = np.divide(neighbours, square, out=np.zeros(len(means)), where=square > 0)
    r = np.clip(r + (1 + 3 * r) / count, 0.0, _MOST_ALIKE)
    alike = (1 + r) / (1 - r)
    worth = np.maximum(_LEAST_WORTH, count / alike)
    # batches that hang together scatter less about their own mean than about the true one
    variance = square / (count - 1) / np.maximum(0.2, 1 - 1 / worth) * (1 - 1 / count) / worth
    standard, dof = np.sqrt(variance), max(1, int(worth.min()) - 1)
    few = (count / alike <= _FEW) & (square > 0)
    if few.any():
        standard[few] = _over_correlations(batches[few]) / student_quantile(dof)
    whole2 = within2 + square[0] / (count - 1)
    effective = whole2 / standard[0] ** 2 if standard[0] > 0 else float(rows)
    return Scatter(
        standard, float(min(effective, rows)), count, dof, bool(r[0] >= _MOST_ALIKE and square[0] > 0)
    )


def _over_correlations(batches: Array) -> Array:
    """Half width of the 95 % interval of each mean, whatever the correlation of AR(1) noise may be.

    With the sums ``A`` of all squares, ``I`` of those but the first and the last, ``C`` of the products of
    neighbours, and ``one = (K - (K - 2) r)/(1 + r)``, the mean for one r is m, its squares are
    ``Q = (A + r^2 I - 2 r C)/(1 - r^2) - one m^2``, its standard error ``s = sqrt(Q/(K - 1)/one)``, and r is
    as likely as ``sqrt((1 - r^2)^(1 - K)/one) Q^(-(K-1)/2)``; the prior is ``1/sqrt(1 - r^2)``, so r is the
    sine of an angle that may be anywhere. All this from the inverse of the AR(1) covariance, which has
    three diagonals. The half width is about the plain mean.
    """
    count = batches.shape[1]
    x = batches - batches.mean(axis=1, keepdims=True)
    inner, ends = x[:, 1:-1], x[:, :1] + x[:, -1:]
    r = np.sin(_ANGLES)
    one = (count - (count - 2) * r) / (1 + r)
    mean = (ends + (1 - r) * inner.sum(axis=1, keepdims=True)) / (1 + r) / one
    sums = (np.square(x), np.square(inner), x[:, 1:] * x[:, :-1])
    every, within, products = (each.sum(axis=1, keepdims=True) for each in sums)
    squares = (every + r**2 * within - 2 * r * products) / (1 - r**2) - one * mean**2
    likely = -(count - 1) / 2 * np.log(squares * (1 - r**2)) - np.log(one) / 2
    weight = np.exp(likely - likely.max(axis=1, keepdims=True))
    weight /= weight.sum(axis=1, keepdims=True)
    error = np.sqrt(squares / (count - 1) / one)
    low, high = np.zeros((len(x), 1)), 1e3 * error.max(axis=1, keepdims=True)
    for _ in range(50):
        half = (low + high) / 2
        above, below = ((half - side * mean) / error for side in (1, -1))
        outside = _beyond(above, count - 1) + _beyond(below, count - 1)
        wide = (weight * outside).sum(axis=1, keepdims=True) <= _OUTSIDE
        low, high = np.where(wide, low, half), np.where(wide, half, high)
    return np.asarray(high[:, 0])


def _beyond(t: Array, dof: int) -> Array:
    """Probability that Student's t is above t."""
    half = student_tail(t, dof) / 2
    return np.asarray(np.where(t >= 0, half, 1 - half))
