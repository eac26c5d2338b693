"""What a sensor does that its curve does not: bends, loop, repeats; without what reading the column does."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from undertray.calibrate.characteristics import Level
from undertray.calibrate.fitted import Fit

__all__ = ["PLACES", "course_uncertainty", "departure"]

Array = NDArray[np.float64]

PLACES = 11
"""Evenly spaced nominal suctions, from the least to the largest point, that the uncertainty is given at."""
_LEAST_DOF = 4


def departure(used: Fit, flexible: Fit, nominal: Array) -> tuple[Array, Array]:
    """How far a sensor bends away from its curve, and the variance of that.

    Parameters
    ----------
    used : Fit
        The curve that is used.
    flexible : Fit
        A curve of a higher degree through the same points, with the same errors.
    nominal : ndarray of float64, shape (k,)
        Where, Pa.

    Returns
    -------
    departure, variance : ndarray of float64, shape (k,)
        Pa and Pa^2.

    Notes
    -----
    One fit lies within the other, so the variance of their difference is the difference of their
    variances; it is that of reading the column, by the scatter about the flexible curve where there is
    enough of it (4 degrees of freedom), else by what was stated.
    """
    scale2 = flexible.chi_squared / flexible.dof if flexible.dof >= _LEAST_DOF else 1.0
    more, less = (_variance(replace(fit, scale=1.0), nominal) for fit in (flexible, used))
    return flexible.value(nominal) - used.value(nominal), scale2 * np.maximum(0.0, more - less)


def course_uncertainty(
    used: Fit, flexible: Fit | None, by_height: list[Level], nominal: Array, u_reading_pa: float
) -> Array:
    """Standard uncertainty of one reading from what the sensor itself does.

    Parameters
    ----------
    used : Fit
        The curve that is used.
    flexible : Fit or None
        As for :func:`departure`; None where the points do not carry one.
    by_height : list of Level
        Deviations of the sensor from ``used``, by height.
    nominal : ndarray of float64, shape (n,)
        Nominal suction of the points, Pa.
    u_reading_pa : float
        Standard uncertainty of reading the column at one point, Pa.

    Returns
    -------
    ndarray of float64, shape (PLACES,)
        Pa, evenly from the least to the largest point.

    Notes
    -----
    ``u^2 = d^2 + v/2 + (h l)^2 / 4 + r^2``.

    - d is how far a flexible curve bends away (:func:`departure`), v the variance of that from reading the
      column: d^2 has v in it already, on average, where the sensor is straight; half of it more keeps a
      bend covered that reading has hidden.
    - h is the height of the loop between up and down, l = 4 z (1 - z) its lens from the lowest to the
      highest point. The curve goes through its middle, and a car comes to its suction from rest, on one
      branch: half of the height is what that is off, no rectangle between the branches. What reading alone
      makes of h^2 on average is taken off.
    - r^2 is the variance of repeated readings of one height and direction beyond that of reading.

    That linearity, hysteresis and repeatability each have a term of their own is the way of EURAMET cg-17
    and DKD-R 6-1 (from memory: widths of rectangles, by the largest deviation seen). There the standard
    is far better than the sensor; here it is read by eye, so its part is taken off.
    """
    at = np.linspace(float(nominal.min()), float(nominal.max()), PLACES)
    share = np.linspace(0.0, 1.0, PLACES)
    bend2 = np.zeros(PLACES)
    if flexible is not None:
        bend, variance = departure(used, flexible, at)
        bend2 = bend**2 + variance / 2
    lens = 4 * share * (1 - share)
    return np.sqrt(bend2 + _loop2(by_height, u_reading_pa) * lens**2 / 4 + _repeats2(by_height, u_reading_pa))


def _loop2(by_height: list[Level], u_reading_pa: float) -> float:
    """Square of the height of a lens through the differences of down and up, without that of reading."""
    low, span = by_height[0].height, by_height[-1].height - by_height[0].height
    both = [at for at in by_height if len(at.up) and len(at.down)]
    z = np.array([(at.height - low) / span for at in both])
    lens = 4 * z * (1 - z)
    if not (lens > 0).any():
        return 0.0
    apart = np.array([at.down.mean() - at.up.mean() for at in both])
    weight = 1 / np.array([1 / len(at.up) + 1 / len(at.down) for at in both])
    norm = float((lens**2 * weight).sum())
    return max(0.0, (float((lens * apart * weight).sum()) / norm) ** 2 - u_reading_pa**2 / norm)


def _repeats2(by_height: list[Level], u_reading_pa: float) -> float:
    sides = [side for at in by_height for side in (at.up, at.down) if len(side) > 1]
    if not sides:
        return 0.0
    square = sum(float(np.square(side - side.mean()).sum()) for side in sides)
    return max(0.0, square / sum(len(side) - 1 for side in sides) - u_reading_pa**2)


def _variance(fit: Fit, at: Array) -> Array:
    return np.square(fit.standard_uncertainty(at))
