"""How much the noise of a run leaves in its means: batch means, so that autocorrelation counts."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from undertray.reduce.middle import middle
from undertray.reduce.products import row_sums

__all__ = ["Scatter", "mean_scatter"]

Array = NDArray[np.float64]

BATCH_S = 0.25
_LEAST_BATCHES = 8
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
    """

    standard: Array
    effective_rows: float
    batches: int
    dof: int = 1


def mean_scatter(readings: Array, weights: Array, rate_hz: float) -> Scatter:
    """Noise that stays in the means of some weighted sums of readings.

    Parameters
    ----------
    readings : ndarray, shape (n, m)
        Readings that follow each other; no NaN.
    weights : ndarray, shape (k, m)
        The sums, one a row.
    rate_hz : float
        Sample rate, Hz.

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

    References
    ----------
    Batch means: a standard method for the output of simulations (A. M. Law, Simulation Modeling and
    Analysis; from memory). Effective number of rows: G. V. Bayley and J. M. Hammersley, J. R. Stat. Soc.
    Suppl. 8 (1946) 184 (from memory); for AR(1) noise it is ``n (1 - phi)/(1 + phi)``.
    """
    if len(readings) < _LEAST_BATCHES:
        return Scatter(np.zeros(len(weights)), float(len(readings)), 0)
    size = max(1, min(round(BATCH_S * rate_hz), len(readings) // _LEAST_BATCHES))
    count = len(readings) // size
    cut = readings[: count * size].reshape(count, size, -1)
    # many small products: several times as fast as a mean over the middle axis
    means = row_sums(weights, np.matmul(np.full(size, 1.0 / size), cut))
    second = np.abs(np.diff(means, 2, axis=1))
    batch = _TO_SD * np.array([middle(row) for row in second])
    within = cut @ weights[0]
    within -= means[0][:, None]
    within2 = middle(np.einsum("ij,ij->i", within, within) / size)
    effective = (within2 + batch[0] ** 2) * count / batch[0] ** 2 if batch[0] > 0 else float(len(readings))
    return Scatter(batch / count**0.5, float(min(effective, len(readings))), count, max(1, (count - 2) // 2))
