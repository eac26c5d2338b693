"""Line or parabola: a second-degree term has to earn its place."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from undertray.calibrate.characteristics import Level, hysteresis
from undertray.calibrate.distributions import f_tail
from undertray.calibrate.fitted import Fit
from undertray.calibrate.refusal import FewPointsError
from undertray.errors import CalibrationError

__all__ = ["choose_curve"]

_LEAST_LEVELS = 5
_REJECT = 0.01
_MATTERS = 0.1


def choose_curve(
    fitted: Callable[[int], Fit],
    wish: str,
    nominal: NDArray[np.float64],
    by_height: Callable[[Fit], list[Level]],
) -> tuple[Fit, float | None]:
    """Fit a line and, where it may be wanted, a parabola, and say which is used.

    Parameters
    ----------
    fitted : callable
        Takes the degree, 1 or 2, and gives the fit.
    wish : str
        ``line``, ``parabola``, or ``auto``.
    nominal : ndarray of float64, shape (n,)
        Nominal suction of the points, Pa.
    by_height : callable
        Gathers the deviations from a fit by column height.

    Returns
    -------
    fit : Fit
        The one used.
    p_value : float or None
        Of the F test of the second-degree term; None where it was not tested.

    Raises
    ------
    FewPointsError
        When a parabola is asked for and fewer than 5 heights were read.
    CalibrationError
        When the fit that is asked for cannot be made.

    Notes
    -----
    Under ``auto`` the parabola is used when all of these hold: the F test of the extra sum of
    squares is below 1 %; at least 5 heights were read; it rises over the whole range; and it
    departs from the line by more than half the hysteresis, which an average of both
    directions cannot resolve, and by more than a tenth of the line's standard uncertainty,
    below which it changes nothing.

    References
    ----------
    Extra sum of squares: N. R. Draper, H. Smith, Applied Regression Analysis (from memory; any
    textbook on linear models).
    """
    line = fitted(1)
    at = by_height(line)
    if wish == "line" or (wish == "auto" and len(at) < _LEAST_LEVELS):
        return line, None
    if len(at) < _LEAST_LEVELS:
        raise FewPointsError(
            "too few heights for a parabola", seen=len(at), expected=f"at least {_LEAST_LEVELS}"
        )
    try:
        parabola = fitted(2)
    except CalibrationError:
        if wish == "parabola":
            raise
        return line, None
    p_value = _p_value(line, parabola)
    if wish == "parabola" or _earns_its_place(line, parabola, p_value, nominal, hysteresis(at)):
        return parabola, p_value
    return line, p_value


def _p_value(line: Fit, parabola: Fit) -> float | None:
    if parabola.dof < 1 or parabola.chi_squared <= 0:
        return None
    gained = max(0.0, line.chi_squared - parabola.chi_squared)
    return f_tail(gained / (parabola.chi_squared / parabola.dof), 1, parabola.dof)


def _earns_its_place(
    line: Fit, parabola: Fit, p_value: float | None, nominal: NDArray[np.float64], loop_pa: float | None
) -> bool:
    if p_value is None or p_value >= _REJECT:
        return False
    _, b1, b2 = parabola.coefficients
    if min(b1 + 2 * b2 * nominal.min(), b1 + 2 * b2 * nominal.max(), b1) <= 0:
        return False
    departs = float(np.max(np.abs(parabola.value(nominal) - line.value(nominal))))
    matters = _MATTERS * float(np.max(line.standard_uncertainty(nominal)))
    return departs > max((loop_pa or 0.0) / 2, matters)
