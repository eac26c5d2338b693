"""How far off the mean suction and the mean downforce may be."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from undertray.calibrate.certificate import Calibration
from undertray.reduce.car import Car
from undertray.reduce.floor import load_matrix

__all__ = ["MeanUncertainty", "mean_uncertainty"]

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class MeanUncertainty:
    """Half widths of 95 % intervals of the means; None where a source is unknown.

    Attributes
    ----------
    suction_pa, downforce_n : float or None
        Of the mean suction and of the mean downforce.
    notices : tuple of str
        What has to be said about them.
    """

    suction_pa: float | None
    downforce_n: float | None
    notices: tuple[str, ...] = ()


def mean_uncertainty(
    nominal_mean_pa: Array, suction_pa: Array, car: Car, calibration: Calibration | None
) -> MeanUncertainty:
    """Uncertainty of the means of a run.

    Parameters
    ----------
    nominal_mean_pa : ndarray, shape (taps,)
        Mean nominal suction of each tap, Pa.
    suction_pa : ndarray, shape (n, taps)
        Suction, Pa, NaN where missing.
    car : Car
        Floor and taps.
    calibration : Calibration or None
        The calibration used.

    Returns
    -------
    MeanUncertainty
        None for all without a calibration.

    Notes
    -----
    Sources: the calibration of each column (covariance of its coefficients, hysteresis and
    repeatability); what is common to all columns (ruler, water, gravity), which does not average down
    over the taps; and how the suction between the taps is not known: leaving one tap out at a time
    changes the force by d_i, and (N - 1)/N sum d_i^2 is taken as its variance (the jackknife form),
    for three taps and more. The noise of single readings averages out over a run and is left out: at
    200 Hz over a minute it is a hundredth of one reading's.

    References
    ----------
    JCGM 100:2008 (GUM), equation 13 (correlated inputs).
    """
    if calibration is None:
        return MeanUncertainty(None, None)
    area = load_matrix(car).area_m2
    columns = [calibration.columns[tap.column] for tap in car.taps]
    own = np.zeros(len(columns))
    common: dict[str, float] = {}
    for i, (column, x) in enumerate(zip(columns, nominal_mean_pa.tolist(), strict=True)):
        row = column.powers(x)
        shares = {name: float(row @ shift) for name, shift in column.shared.items()}
        own[i] = max(0.0, float(column.standard_uncertainty_pa(x)) ** 2 - sum(s * s for s in shares.values()))
        for name, share in shares.items():
            common[name] = common.get(name, 0.0) + float(area[i]) * share
    variance = float(area**2 @ own) + sum(s * s for s in common.values())
    factor = max(column.coverage_factor for column in columns)
    force = factor * float(np.sqrt(variance + _interpolation(car, suction_pa)))
    return MeanUncertainty(force / float(area.sum()), force)


def _interpolation(car: Car, suction_pa: Array) -> float:
    """Variance of the force by leaving out one tap at a time, N2."""
    names = [tap.name for tap in car.taps]
    seen = np.isfinite(suction_pa)
    mean = np.where(seen, suction_pa, 0.0).sum(axis=0) / np.maximum(seen.sum(axis=0), 1)
    if len(names) < 3:
        return 0.0
    whole = float(load_matrix(car).area_m2 @ mean)
    total = 0.0
    for i in range(len(names)):
        rest = [j for j in range(len(names)) if j != i]
        left = load_matrix(car, {names[j] for j in rest})
        total += (float(left.area_m2 @ mean[rest]) - whole) ** 2
    return total * (len(names) - 1) / len(names)
