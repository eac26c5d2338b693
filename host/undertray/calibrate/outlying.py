"""Points that the others disagree with: to be looked at, never dropped."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from undertray.calibrate.fitted import SCATTER_LEVEL, Fit
from undertray.errors import CalibrationError

__all__ = ["outlying"]

Array = NDArray[np.float64]
_STANDS_OUT = 3.5  # standard deviations: one of 15 sound points is as far off in one calibration of 150
_MOST = 4  # at most one point of so many: more are no slips


def outlying(fitted: Callable[[NDArray[np.bool_]], Fit], x: Array, y: Array) -> dict[int, float]:
    """Find the few points without which the rest scatters as stated.

    Parameters
    ----------
    fitted : callable
        Takes a mask of the points to fit, shape (n,), and returns the fit through them.
    x, y : ndarray of float64, shape (n,)
        All points.

    Returns
    -------
    dict of int to float
        Which points, and how far each lies off the curve through the rest, unit of y. Empty
        where no point stands out, and where the rest would still scatter more than stated:
        then it is no slip of one or two points.

    Notes
    -----
    The point with the largest standardised residual is taken out and the rest fitted again, as
    long as that is above 3.5 and not more than a quarter of the points are out. So two slips
    cannot hide each other, nor can one at the end of the range, which pulls the curve to itself.
    """
    kept = np.ones(len(x), dtype=bool)
    try:
        fit = fitted(kept)
        while (sizes := np.abs(fit.standardised)).max() > _STANDS_OUT:
            if (~kept).sum() >= len(x) // _MOST:
                return {}
            kept[np.flatnonzero(kept)[np.argmax(sizes)]] = False
            fit = fitted(kept)
    except CalibrationError:
        return {}  # the rest carries no curve
    if fit.p_value < SCATTER_LEVEL:
        return {}
    off = y - fit.value(x)
    return {int(k): float(off[k]) for k in np.flatnonzero(~kept)}
