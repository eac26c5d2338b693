"""The calibration of one pressure column: a curve with the covariance of its coefficients."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["RANGE_EDGE", "ColumnCalibration"]

Array = NDArray[np.float64]

RANGE_EDGE = 0.02
"""Share of the calibrated span that a reading may lie outside: noise about a zero is no excursion."""


@dataclass(frozen=True, slots=True, eq=False)
class ColumnCalibration:
    """The calibration of one pressure column.

    Attributes
    ----------
    part : str
        The part, as the board names it; empty where it was not known.
    coefficients : ndarray of float64, shape (p,)
        b0 (Pa), b1, and b2 (1/Pa) where there is one: ``suction = b0 + b1 x + b2 x^2`` of the
        nominal suction x in Pa.
    covariance : ndarray of float64, shape (p, p)
        Covariance of the coefficients with every source in.
    shared : mapping of str to ndarray of float64, shape (p,)
        For each source that is common to all columns calibrated together (ruler, water,
        gravity), how far one standard uncertainty of it moves the coefficients. These are
        part of ``covariance``, and do not average down over the taps.
    range_pa : tuple of float
        Least and largest nominal suction of the calibration points, Pa.
    residual_sd_pa : float
        Standard deviation of the points about the curve, n - p degrees of freedom, Pa.
    hysteresis_pa, repeatability_pa, linearity_pa : float or None
        As :mod:`undertray.calibrate.characteristics` defines them, Pa; None where the points
        do not show it.
    course_u_pa : ndarray of float64, shape (k,), or None
        Standard uncertainty of one reading from what the sensor does that its curve does not
        (:mod:`undertray.calibrate.course`), Pa, at k places evenly over ``range_pa``. None in a
        file of another program.
    coverage_factor : float
        From standard to 95 % expanded uncertainty of a value from this calibration.
    points : tuple of mapping
        The readings behind it, kept as they were, dropped ones with their reason.
    facts : mapping
        Whatever else was found: chi-squared, degrees of freedom, kind of non-linearity.
    """

    part: str
    coefficients: Array
    covariance: Array
    range_pa: tuple[float, float]
    residual_sd_pa: float
    hysteresis_pa: float | None = None
    repeatability_pa: float | None = None
    linearity_pa: float | None = None
    course_u_pa: Array | None = None
    coverage_factor: float = 2.0
    shared: Mapping[str, Array] = field(default_factory=dict)
    points: tuple[Mapping[str, Any], ...] = ()
    facts: Mapping[str, Any] = field(default_factory=dict)

    def apply(self, nominal_pa: Array) -> Array:
        """Calibrated suction.

        Parameters
        ----------
        nominal_pa : ndarray of float64, any shape
            Nominal suction, Pa; NaN stays NaN.

        Returns
        -------
        ndarray of float64, shape of ``nominal_pa``
            Suction, Pa. Outside ``range_pa`` it is an extrapolation.
        """
        nominal_pa = np.asarray(nominal_pa, float)
        suction = np.full(nominal_pa.shape, self.coefficients[-1])
        for coefficient in self.coefficients[-2::-1]:
            suction *= nominal_pa
            suction += coefficient
        return suction

    def in_range(self, nominal_pa: Array) -> NDArray[np.bool_]:
        """Where the calibration was shown to hold.

        Parameters
        ----------
        nominal_pa : ndarray of float64, any shape
            Nominal suction, Pa.

        Returns
        -------
        ndarray of bool, shape of ``nominal_pa``
            Within ``range_pa``; False for NaN.
        """
        low, high = self.range_pa
        nominal_pa = np.asarray(nominal_pa, float)
        return (nominal_pa >= low) & (nominal_pa <= high)

    def powers(self, nominal_pa: Array | float) -> Array:
        """The row J = (1, x, x^2) that turns coefficients into suction.

        Parameters
        ----------
        nominal_pa : float or ndarray of float64, any shape
            Nominal suction x, Pa.

        Returns
        -------
        ndarray of float64, shape (..., p)
            ``J``; the suction is ``J b`` and its variance ``J C J^T``.
        """
        return np.asarray(nominal_pa, float)[..., None] ** np.arange(len(self.coefficients))

    def own_uncertainty_pa(self, nominal_pa: Array | float) -> Array:
        """Standard uncertainty of one reading from what the sensor does that its curve does not.

        Parameters
        ----------
        nominal_pa : float or ndarray of float64, any shape
            Nominal suction, Pa.

        Returns
        -------
        ndarray of float64, shape of ``nominal_pa``
            ``course_u_pa`` on straight lines between its places, and as at the ends beyond them; without
            it ``sqrt(linearity^2/3 + hysteresis^2/12 + repeatability^2/12)``, as if all of them were the
            sensor's own.

        References
        ----------
        JCGM 100:2008 (GUM), 4.3.7: half width and widths of rectangles.
        """
        nominal_pa = np.asarray(nominal_pa, float)
        if self.course_u_pa is None:
            half, widths = self.linearity_pa or 0.0, (self.hysteresis_pa, self.repeatability_pa)
            u2 = half**2 / 3 + sum((width or 0.0) ** 2 for width in widths) / 12
            return np.full(nominal_pa.shape, u2**0.5)
        places = np.linspace(*self.range_pa, len(self.course_u_pa))
        return np.asarray(np.interp(nominal_pa, places, self.course_u_pa))

    def standard_uncertainty_pa(self, nominal_pa: Array | float) -> Array:
        """Standard uncertainty of the calibrated suction.

        Parameters
        ----------
        nominal_pa : float or ndarray of float64, any shape
            Nominal suction, Pa.

        Returns
        -------
        ndarray of float64, shape of ``nominal_pa``
            Pa: ``sqrt(J C J^T + own^2)``: the fit's covariance, and what a single reading may be off by
            even on a perfect curve (:meth:`own_uncertainty_pa`).

        References
        ----------
        JCGM 100:2008 (GUM), equation 13.
        """
        rows = self.powers(nominal_pa)
        variance = np.einsum("...i,ij,...j->...", rows, self.covariance, rows)
        return np.asarray(np.sqrt(np.maximum(variance, 0) + self.own_uncertainty_pa(nominal_pa) ** 2))
