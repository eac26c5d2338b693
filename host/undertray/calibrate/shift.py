"""What moved since the last calibration: zero and span of the sensor."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from undertray.calibrate.column_calibration import ColumnCalibration

__all__ = ["Shift", "shift_since"]


@dataclass(frozen=True, slots=True)
class Shift:
    """Change of one sensor between two calibrations.

    Attributes
    ----------
    zero_pa : float
        Change of its nominal reading at no suction, Pa.
    span_pa : float
        Change of its nominal span from no suction to ``at_pa``, Pa.
    at_pa : float
        Upper end of that span, Pa: the largest suction both calibrations cover.
    zero_u95_pa, span_u95_pa : float
        Expanded uncertainties (95 %) of the two changes, Pa.
    """

    zero_pa: float
    span_pa: float
    at_pa: float
    zero_u95_pa: float
    span_u95_pa: float


def shift_since(now: ColumnCalibration, before: ColumnCalibration) -> Shift:
    """Zero and span shift of a sensor.

    Parameters
    ----------
    now, before : ColumnCalibration
        The two calibrations.

    Returns
    -------
    Shift

    Notes
    -----
    The sensor's reading x(p) is the inverse of each curve; zero shift is the change of x(0),
    span shift the change of x(top) - x(0). The two calibrations count as independent, so a
    ruler that was wrong both times makes the uncertainty look larger than it is, not smaller.

    References
    ----------
    Terms after ISA-51.1 and IEC 61298-2 (secondary sources).
    """
    top = float(min(now.apply(np.array(now.range_pa[1])), before.apply(np.array(before.range_pa[1]))))
    zeros, spans, u_zeros, u_spans = [], [], [], []
    for column in (now, before):
        zero, high = _reading(column, 0.0), _reading(column, top)
        rows = column.powers(np.array([zero, high]))
        slopes = np.array([_slope(column, zero), _slope(column, high)])
        at_ends = rows / slopes[:, None]
        span_row = at_ends[1] - at_ends[0]
        zeros.append(zero)
        spans.append(high - zero)
        u_zeros.append(column.coverage_factor * math.sqrt(at_ends[0] @ column.covariance @ at_ends[0]))
        u_spans.append(column.coverage_factor * math.sqrt(span_row @ column.covariance @ span_row))
    return Shift(
        zero_pa=zeros[0] - zeros[1],
        span_pa=spans[0] - spans[1],
        at_pa=top,
        zero_u95_pa=math.hypot(*u_zeros),
        span_u95_pa=math.hypot(*u_spans),
    )


def _reading(column: ColumnCalibration, suction_pa: float) -> float:
    """Nominal reading at a suction: the root that goes over into the line's as b2 vanishes."""
    b0, b1, b2 = (*column.coefficients, 0.0)[:3]
    return float(2 * (suction_pa - b0) / (b1 + math.sqrt(max(0.0, b1**2 + 4 * b2 * (suction_pa - b0)))))


def _slope(column: ColumnCalibration, nominal_pa: float) -> float:
    b1, b2 = (*column.coefficients[1:], 0.0)[:2]
    return float(b1 + 2 * b2 * nominal_pa)
