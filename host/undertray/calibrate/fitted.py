"""A fitted calibration curve and what is known of its errors."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from undertray.calibrate.distributions import chi_squared_tail, student_quantile
from undertray.errors import CalibrationError

__all__ = ["SCATTER_LEVEL", "Fit"]

Array = NDArray[np.float64]

SCATTER_LEVEL = 0.05
"""A chi-squared less likely than this says that the stated errors are too small, or, below, too large."""


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """A fitted polynomial ``y = b0 + b1 x (+ b2 x^2)`` and what is known of its errors.

    Attributes
    ----------
    coefficients : ndarray of float64, shape (p,)
        b0, b1 and, for a parabola, b2.
    gain : ndarray of float64, shape (p, n)
        How far each coefficient moves with each y: what any further error of the points does.
    independent_covariance : ndarray of float64, shape (p, p)
        Covariance from the errors that each point has for itself, before ``scale``.
    shared : mapping of str to ndarray of float64, shape (p,)
        For each shared source, how far one standard uncertainty of it moves the coefficients.
    residuals : ndarray of float64, shape (n,)
        y less the polynomial at the x given.
    standardised : ndarray of float64, shape (n,)
        What is left of each point's own error, over its standard deviation: by its square
        chi-squared would fall without that point. 0 for a point that the curve has to go through.
    chi_squared : float
        Weighted sum of squares at the solution.
    dof : int
        Degrees of freedom, n - p.
    scale : float
        Factor on the standard uncertainties of the independent errors: 1 where they were
        stated, ``sqrt(chi_squared / dof)`` where they are taken from the scatter.
    from_scatter : bool
        Whether ``scale`` comes from the scatter of the points.
    """

    coefficients: Array
    gain: Array
    independent_covariance: Array
    shared: Mapping[str, Array]
    residuals: Array
    standardised: Array
    chi_squared: float
    dof: int
    scale: float = 1.0
    from_scatter: bool = False

    @property
    def covariance(self) -> Array:
        """Covariance of the coefficients with every source in, shape (p, p)."""
        total = self.scale**2 * self.independent_covariance
        for moved in self.shared.values():
            total = total + np.outer(moved, moved)
        return total

    @property
    def standard_errors(self) -> Array:
        """Standard uncertainties of the coefficients, shape (p,)."""
        return np.sqrt(np.diag(self.covariance))

    @property
    def residual_sd(self) -> float:
        """Standard deviation of the residuals with n - p degrees of freedom, unit of y."""
        if self.dof < 1:
            return math.nan
        return math.sqrt(float(self.residuals @ self.residuals) / self.dof)

    @property
    def p_value(self) -> float:
        """Probability that stated uncertainties alone give a chi-squared this large."""
        return chi_squared_tail(self.chi_squared, self.dof) if self.dof > 0 else math.nan

    def enlarged(self) -> Fit:
        """The same fit with its independent errors taken from the scatter of the points.

        Returns
        -------
        Fit
            With ``scale = sqrt(chi_squared / dof)``; the shared errors, which no scatter
            shows, stay as stated.

        Raises
        ------
        CalibrationError
            When there is no point more than coefficients, so there is no scatter.
        """
        if self.dof < 1:
            raise CalibrationError(
                "no scatter to judge by", seen=len(self.residuals), expected="more points than coefficients"
            )
        return replace(self, scale=math.sqrt(self.chi_squared / self.dof), from_scatter=True)

    def value(self, x: Array | float) -> Array:
        """The polynomial.

        Parameters
        ----------
        x : float or ndarray of float64, any shape
            Where.

        Returns
        -------
        ndarray of float64, shape of x
            ``b0 + b1 x (+ b2 x^2)``.
        """
        return np.polynomial.polynomial.polyval(np.asarray(x, float), self.coefficients)

    def standard_uncertainty(self, x: Array | float, u_x: float = 0.0) -> Array:
        """Standard uncertainty of the polynomial's value.

        Parameters
        ----------
        x : float or ndarray of float64, any shape
            Where.
        u_x : float
            Standard uncertainty of x itself, independent of the calibration.

        Returns
        -------
        ndarray of float64, shape of x
            ``sqrt(J C J^T + (dy/dx u_x)^2)``, J = (1, x, x^2).

        References
        ----------
        JCGM 100:2008 (GUM), equation 13 and H.3.
        """
        x = np.asarray(x, float)
        powers = x[..., None] ** np.arange(len(self.coefficients))
        variance = np.einsum("...i,ij,...j->...", powers, self.covariance, powers)
        slope = np.polynomial.polynomial.polyval(x, np.polynomial.polynomial.polyder(self.coefficients))
        return np.asarray(np.sqrt(np.maximum(variance, 0) + (slope * u_x) ** 2))

    def coverage_factor(self, row: Array, probability: float = 0.95) -> float:
        """Factor from standard to expanded uncertainty of a linear combination ``row . b``.

        Parameters
        ----------
        row : ndarray of float64, shape (p,)
            (1, x, x^2) for the curve's value at x, a unit vector for a coefficient.
        probability : float
            Coverage probability, above 0 and below 1.

        Returns
        -------
        float
            Student's t for the effective degrees of freedom. Only what was taken from the
            scatter has few of them (n - p); stated sources count as known exactly.

        References
        ----------
        JCGM 100:2008 (GUM), G.4.1, equation G.2b (Welch-Satterthwaite).
        """
        scattered = self.scale**2 * float(row @ self.independent_covariance @ row)
        if not self.from_scatter or scattered <= 0:
            return student_quantile(math.inf, probability)
        total = float(row @ self.covariance @ row)
        return student_quantile(self.dof * (total / scattered) ** 2, probability)
