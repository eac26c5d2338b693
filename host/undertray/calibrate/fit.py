"""A straight line or a parabola through points with errors in both axes, some of them shared."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from undertray.calibrate.distributions import chi_squared_tail, student_quantile
from undertray.errors import CalibrationError

__all__ = ["SCATTER_LEVEL", "Fit", "fit_polynomial"]


# A fitted calibration curve and what is known of its errors.

Array = NDArray[np.float64]

SCATTER_LEVEL = 0.05
"""A chi-squared less likely than this says that the stated errors are too small, or, below, too large."""


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """A fitted polynomial ``y = b0 + b1 x (+ b2 x^2)`` and what is known of its errors."""

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
    scale_dof: int = 0  # of the scatter that the scale was taken from

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

    def enlarged(self, about: Fit | None = None) -> Fit:
        """The same fit with its independent errors taken from the scatter of the points about a curve."""
        about = self if about is None else about
        if about.dof < 1:
            raise CalibrationError(
                "no scatter to judge by", seen=len(self.residuals), expected="more points than coefficients"
            )
        scale = math.sqrt(about.chi_squared / about.dof)
        return replace(self, scale=scale, from_scatter=True, scale_dof=about.dof)

    def with_errors(self, u_own: Array) -> Fit:
        """The same curve, its points wrong by other independent errors than they were weighted by."""
        return replace(self, independent_covariance=(self.gain * u_own**2) @ self.gain.T)

    def value(self, x: Array | float) -> Array:
        """The polynomial."""
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
            scatter has few of them: n - p of the curve that it was taken about; stated sources
            count as known exactly.

        References
        ----------
        JCGM 100:2008 (GUM), G.4.1, equation G.2b (Welch-Satterthwaite).
        """
        scattered = self.scale**2 * float(row @ self.independent_covariance @ row)
        if not self.from_scatter or scattered <= 0:
            return student_quantile(math.inf, probability)
        total = float(row @ self.covariance @ row)
        return student_quantile(self.scale_dof * (total / scattered) ** 2, probability)


_MOST_POINTS = 10_000
_MOST_ROUNDS = 200
_SETTLED = 1e-13
_NEARLY = 1e-9


def fit_polynomial(
    x: Array,
    y: Array,
    *,
    u_x: Array | float = 0.0,
    u_y: Array | float | None = None,
    shared: Mapping[str, tuple[Array | float, Array | float]] | None = None,
    degree: int = 1,
) -> Fit:
    """Fit a line or a parabola by generalised least squares with errors in both axes.

    Parameters
    ----------
    x, y : ndarray of float64, shape (n,)
        The points, n at most 10 000.
    u_x : float or ndarray of float64, shape (n,)
        Independent standard uncertainty of each x.
    u_y : float, ndarray of float64 of shape (n,), or None
        Independent standard uncertainty of each y. None: equal and unknown, taken from the
        scatter; then ``u_x`` must be 0.
    shared : mapping of str to pair
        For each source that moves many points together, the change of (x, y) of each point
        for one standard uncertainty of it: two arrays of shape (n,), or floats.
    degree : int
        1 or 2.

    Returns
    -------
    Fit

    Raises
    ------
    CalibrationError
        When there are too few or too many points, a point has no uncertainty at all, the x
        are all alike, or the iteration does not settle.

    Notes
    -----
    The squares of the corrections to all x and y, weighted by the inverse of their joint
    covariance, are made least subject to the corrected points lying on the curve. Each round
    linearises at the corrected points: with D = diag(dy/dx) the effective covariance is
    ``M = diag(u_y^2 + D^2 u_x^2) + sum e e^T``, ``e = e_y - D e_x``. The size of each shared source is
    carried as a further unknown with the observation 0 +- 1, which gives the same solution
    without forming M. For independent errors and
    a line this is York's solution and his unscaled standard errors at the adjusted points;
    with ``u_x`` 0 it is generalised, weighted or ordinary least squares in one round.

    References
    ----------
    D. York, N. Evensen, M. Martinez, J. De Basabe Delgado, Am. J. Phys. 72 (2004) 367-375,
    equations 13. ISO/TS 28037:2010, clause 10 (generalised Gauss-Markov).
    """
    x, y = np.asarray(x, float), np.asarray(y, float)
    _check(x, y, degree, stated=u_y is not None)
    unit = float(np.max(np.abs(x)))
    sources = {
        name: (np.broadcast_to(np.asarray(ex, float) / unit, x.shape), np.broadcast_to(ey, x.shape))
        for name, (ex, ey) in (shared or {}).items()
    }
    var_x = np.broadcast_to(np.asarray(u_x, float) / unit, x.shape) ** 2
    var_y = np.broadcast_to(np.asarray(1.0 if u_y is None else u_y, float), x.shape) ** 2
    bare = np.flatnonzero(var_x + var_y <= 0)
    if len(bare):
        raise CalibrationError(
            "a point for the fit has no uncertainty of its own",
            seen=f"point {bare[0] + 1}",
            expected="a standard uncertainty above 0 for each",
        )
    scaled, coefficients, gain, weighted, leverage, slope = _solve(x / unit, y, var_x, var_y, sources, degree)
    back = unit ** -np.arange(degree + 1.0)
    gain = back[:, None] * gain
    fit = Fit(
        coefficients=back * coefficients,
        gain=gain,
        independent_covariance=(gain * (var_y + slope**2 * var_x)) @ gain.T,
        shared={name: gain @ (ey - slope * ex) for name, (ex, ey) in sources.items()},
        residuals=y - np.polynomial.polynomial.polyval(scaled, coefficients),
        standardised=_standardised(weighted[: len(x)], leverage),
        chi_squared=float(weighted @ weighted),
        dof=len(x) - degree - 1,
    )
    return fit if u_y is not None else fit.enlarged()


def _check(x: Array, y: Array, degree: int, stated: bool) -> None:
    least = degree + 1 if stated else degree + 2
    if x.shape != y.shape or x.ndim != 1 or not least <= len(x) <= _MOST_POINTS:
        raise CalibrationError(
            "number of points for the fit", seen=x.shape, expected=f"{least} to {_MOST_POINTS} (x, y) pairs"
        )
    if not (np.all(np.isfinite(x)) and np.all(np.isfinite(y))):
        raise CalibrationError("a point for the fit is not a finite number")
    if len(np.unique(x)) <= degree:
        raise CalibrationError(
            "the readings do not change with the column",
            seen=x[0],
            expected=f"at least {degree + 1} different readings",
            do="check hose and sensor",
        )


def _solve(
    x: Array,
    y: Array,
    var_x: Array,
    var_y: Array,
    sources: Mapping[str, tuple[Array, Array]],
    degree: int,
) -> tuple[Array, Array, Array, Array, Array, Array]:
    """Iterate; returns x, coefficients, gain (db/dy), whitened residuals, leverage, slopes."""
    vander, polyval, polyder = (
        np.polynomial.polynomial.polyvander,
        np.polynomial.polynomial.polyval,
        np.polynomial.polynomial.polyder,
    )
    coefficients: Array = np.asarray(np.linalg.lstsq(vander(x, degree), y, rcond=None)[0], float)
    # start from the points moved onto the plain least squares curve: starting from the points as
    # read, a few of them alike in y and far apart in x would pull the slope to nothing
    slope: Array = np.asarray(polyval(x, polyder(coefficients)), float)
    own: Array = np.sqrt(var_y + slope**2 * var_x)
    off = np.where(own > 0, (y - polyval(x, coefficients)) / np.where(own > 0, own, 1) ** 2, 0.0)
    adjusted: Array = x + var_x * slope * off
    e_x = np.array([ex for ex, _ in sources.values()]).reshape(-1, len(x)).T
    e_y = np.array([ey for _, ey in sources.values()]).reshape(-1, len(x)).T
    last = np.inf
    for _ in range(_MOST_ROUNDS):
        slope = np.asarray(polyval(adjusted, polyder(coefficients)), float)
        own = np.sqrt(var_y + slope**2 * var_x)
        if not np.all(own > 0):  # it ran away: infinite, or level where only x is uncertain
            break
        e = e_y - slope[:, None] * e_x
        q, r = np.linalg.qr(_augmented(vander(adjusted, degree), e, own))
        target = np.concatenate([(y - slope * (x - adjusted)) / own, np.zeros(e.shape[1])])
        found: Array = np.linalg.solve(r, q.T @ target)
        new, size = found[: degree + 1], found[degree + 1 :]
        weighted: Array = np.asarray(target - q @ (q.T @ target), float)
        adjusted_now = x + var_x * slope * weighted[: len(x)] / own - e_x @ size
        change = max(
            float(np.max(np.abs(new - coefficients)) / np.max(np.abs(new))),
            float(np.max(np.abs(adjusted_now - adjusted))),
        )
        coefficients, adjusted = new, adjusted_now
        # to rounding, or as near as the conditioning of these points lets it come
        if change <= _SETTLED or last <= change <= _NEARLY or not (np.any(var_x) or np.any(e_x)):
            gain: Array = np.linalg.solve(r, q.T)[: degree + 1, : len(x)] / own
            return x, coefficients, gain, weighted, np.sum(q[: len(x)] ** 2, axis=1), slope
        last = change
    raise CalibrationError(
        "the fit does not settle",
        expected="points near a line",
        do="look for a point that lies far off, or an uncertainty of a reading that is far too large",
    )


def _standardised(weighted: Array, leverage: Array) -> Array:
    free = 1 - leverage > 1e-9
    return np.where(free, weighted / np.sqrt(np.where(free, 1 - leverage, 1.0)), 0.0)


def _augmented(powers: NDArray[Any], shared: Array, own: Array) -> NDArray[Any]:
    """The design matrix with the size of each shared source as one more unknown, expected at 0 +- 1."""
    count = shared.shape[1]
    above = np.hstack([powers, shared]) / own[:, None]
    below = np.hstack([np.zeros((count, powers.shape[1])), np.eye(count)])
    return np.vstack([above, below])
