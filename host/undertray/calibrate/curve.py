"""Line or parabola: a second-degree term has to earn its place."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from undertray.calibrate.distributions import f_tail
from undertray.calibrate.fit import Fit
from undertray.errors import CalibrationError, CalibrationRefused

__all__ = [
    "LEVEL_WIDTH",
    "PLACES",
    "Level",
    "choose_curve",
    "course_uncertainty",
    "departure",
    "hysteresis",
    "levels",
    "nonlinearity",
    "repeatability",
    "shows_scatter",
]


# What the points say of the sensor itself: non-linearity, hysteresis, repeatability.

Array = NDArray[np.float64]
LEVEL_WIDTH = 0.01
"""Heights so near to one another are one height, as a share of the range."""


@dataclass(frozen=True, slots=True, eq=False)
class Level:
    """All readings taken at one column height."""

    height: float
    up: Array
    down: Array

    @property
    def mean(self) -> float:
        """Mean of the mean upward and the mean downward reading."""
        return float(np.mean([side.mean() for side in (self.up, self.down) if len(side)]))


def levels(height: Array, upward: NDArray[np.bool_], reading: Array) -> list[Level]:
    """Gather readings by height."""
    order = np.argsort(height, kind="stable")
    width = LEVEL_WIDTH * float(np.ptp(height))
    starts = [0]
    for k in range(1, len(order)):
        if height[order[k]] - height[order[starts[-1]]] > width:
            starts.append(k)
    found = []
    for group in np.split(order, starts[1:]):
        side = upward[group]
        found.append(Level(float(height[group].mean()), reading[group][side], reading[group][~side]))
    return found


def hysteresis(found: list[Level]) -> float | None:
    """Largest difference between the mean downward and the mean upward reading at one height.

    Parameters
    ----------
    found : list of Level
        From low to high.

    Returns
    -------
    float or None
        In the unit of the readings, 0 and up; None where no height was read both ways. The
        highest level is the turning point of a cycle and has none.

    References
    ----------
    IEC 61298-2, hysteresis (definition after secondary sources).
    """
    differences = [abs(at.down.mean() - at.up.mean()) for at in found[:-1] if len(at.up) and len(at.down)]
    return float(max(differences)) if differences else None


def repeatability(found: list[Level]) -> float | None:
    """Largest spread of readings repeated at one height from one direction.

    Parameters
    ----------
    found : list of Level
        From low to high.

    Returns
    -------
    float or None
        Highest less lowest, in the unit of the readings; None where nothing was repeated.

    References
    ----------
    IEC 61298-2, repeatability (definition after secondary sources).
    """
    spreads = [np.ptp(side) for at in found for side in (at.up, at.down) if len(side) > 1]
    return float(max(spreads)) if spreads else None


def nonlinearity(input_: Array, output: Array) -> Mapping[str, float]:
    """Largest deviation of the output from a straight line, for each usual line.

    Parameters
    ----------
    input_, output : ndarray of float64, shape (n,)
        Averages of upward and downward readings, by rising input, n at least 2.

    Returns
    -------
    mapping of str to float
        In the unit of the output: ``terminal`` (line through the end points), ``independent``
        (the line that makes it least), ``zero-based`` (the same among lines through the lowest
        point) and ``least squares``.

    Notes
    -----
    The best line is parallel to an edge of the points' convex hull, so trying the edges finds
    it exactly. Through the lowest point, taken as the origin, the least largest deviation is
    ``max |y_i x_j - y_j x_i| / (x_i + x_j)`` over all pairs.

    References
    ----------
    Names after ISA-51.1 and IEC 61298-2 (definitions after secondary sources).
    """
    x, y = (input_ - input_[0]) / (input_[-1] - input_[0]), output - output[0]
    terminal = float(np.max(np.abs(y - y[-1] * x)))
    slope, offset = np.polyfit(x, y, 1)

    # among lines through the first point: max |y - m x| is least where two points are equally far
    cross = np.abs(np.outer(y[1:], x[1:]) - np.outer(x[1:], y[1:])) / np.add.outer(x[1:], x[1:])
    return {
        "terminal": terminal,
        "independent": min(float(np.ptp(y - edge * x)) for edge in _hull_slopes(x, y)) / 2,
        "zero-based": float(cross.max()),
        "least squares": float(np.max(np.abs(y - offset - slope * x))),
    }


def _hull_slopes(x: Array, y: Array) -> list[float]:
    slopes = []
    for side in (1.0, -1.0):
        hull: list[int] = []
        for k in range(len(x)):
            while len(hull) > 1 and side * _turn(x, y, hull[-2], hull[-1], k) <= 0:
                hull.pop()
            hull.append(k)
        slopes += [float((y[b] - y[a]) / (x[b] - x[a])) for a, b in itertools.pairwise(hull) if x[b] > x[a]]
    return slopes


def _turn(x: Array, y: Array, a: int, b: int, c: int) -> float:
    return float((x[b] - x[a]) * (y[c] - y[a]) - (y[b] - y[a]) * (x[c] - x[a]))


# What a sensor does that its curve does not: bends, loop, repeats; without what reading the column does.

PLACES = 41
"""Evenly spaced nominal suctions, from the least to the largest point, that the uncertainty is given at: so
many that a bend's change of side is seen, and not its size on either side."""
_LEAST_DOF = 4


def departure(used: Fit, flexible: Fit, nominal: Array, u_own: Array | float) -> tuple[Array, Array]:
    """How far a sensor bends away from its curve, and the variance of that.

    Parameters
    ----------
    used : Fit
        The curve that is used.
    flexible : Fit
        A curve of a higher degree through the same points, with the same errors.
    nominal : ndarray of float64, shape (k,)
        Where, Pa.
    u_own : float or ndarray of float64, shape (n,)
        Independent standard uncertainty of each point, Pa.

    Returns
    -------
    departure, variance : ndarray of float64, shape (k,)
        Pa and Pa^2.

    Notes
    -----
    Both curves are linear in the same readings, so their difference is as well, and the variance is that of
    reading the column: by the scatter about the flexible curve where there is enough of it (4 degrees of
    freedom), else by what was stated.

    References
    ----------
    JCGM 100:2008 (GUM), equation 13.
    """
    scale2 = flexible.chi_squared / flexible.dof if shows_scatter(flexible) else 1.0
    more, less = (
        np.asarray(nominal, float)[:, None] ** np.arange(len(fit.coefficients)) for fit in (flexible, used)
    )
    own = (more @ flexible.gain - less @ used.gain) * u_own
    variance = scale2 * np.square(own).sum(axis=1)
    for name, moved in flexible.shared.items():
        variance += np.square(more @ moved - less @ used.shared[name])
    return flexible.value(nominal) - used.value(nominal), variance


def shows_scatter(fit: Fit) -> bool:
    """Say whether enough points are left over to tell the errors of reading from their scatter."""
    return fit.dof >= _LEAST_DOF


def course_uncertainty(
    used: Fit,
    flexible: Fit | None,
    by_height: list[Level],
    nominal: Array,
    u_own: Array | float,
    u_reading_pa: float,
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
    u_own : float or ndarray of float64, shape (n,)
        Independent standard uncertainty of each point, Pa.
    u_reading_pa : float
        That of reading the column at one point, Pa.

    Returns
    -------
    ndarray of float64, shape (PLACES,)
        Pa, evenly from the least to the largest point.

    Notes
    -----
    ``u^2 = d^2 + v/3 + (h l)^2 / 4 + r^2``.

    - d is how far a flexible curve bends away (:func:`departure`), v the variance of that from reading the
      column. A bend that reading hides lies anywhere within one standard uncertainty of it: a rectangle.
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
        bend, variance = departure(used, flexible, at, u_own)
        bend2 = bend**2 + variance / 3
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
    CalibrationRefused
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
        raise CalibrationRefused(
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
