"""Points of a column to the calibration of every sensor on it."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from undertray.calibrate.accuracy import NOMINAL_SHARE
from undertray.calibrate.calibration import Calibration, ColumnCalibration
from undertray.calibrate.curve import (
    PLACES,
    choose_curve,
    course_uncertainty,
    departure,
    hysteresis,
    levels,
    nonlinearity,
    repeatability,
    shows_scatter,
)
from undertray.calibrate.fit import SCATTER_LEVEL, Fit, fit_polynomial
from undertray.calibrate.liquid_column import Budget, Conditions, Tube
from undertray.calibrate.points import Points, check_points, check_reading, outlying
from undertray.errors import CalibrationError

__all__ = ["Setup", "calibrate"]

Array = NDArray[np.float64]
_MOST_BENDS = 3


@dataclass(frozen=True, slots=True)
class Setup:
    """How the points were taken, and how they are to be evaluated."""

    tube: Tube = field(default_factory=Tube)
    conditions: Conditions = field(default_factory=Conditions)
    budget: Budget = field(default_factory=Budget)
    zero_open: bool = False
    curve: str = "auto"
    from_scatter: bool = False
    working_pa: float | None = None

    def __post_init__(self) -> None:
        if self.curve not in ("auto", "line", "parabola"):
            raise CalibrationError("unknown curve", seen=self.curve, expected="auto, line or parabola")
        if self.working_pa is not None and not 0 < self.working_pa <= 1e6:
            raise CalibrationError(
                "working suction out of range", seen=self.working_pa, expected="Pa above 0"
            )


def calibrate(
    points: Points,
    setup: Setup,
    *,
    made_utc: str,
    uid: str = "",
    parts: Mapping[str, str] | None = None,
    accuracy_pa: Mapping[str, float] | None = None,
) -> Calibration:
    """Fit every sensor's reading to the pressure of the column.

    Parameters
    ----------
    points : Points
        Steady readings.
    setup : Setup
        How they were taken.
    made_utc : str
        When, for the certificate.
    uid : str
        Id of the board, where it is known.
    parts : mapping of str to str, or None
        Name of the part of each pressure column, where it is known.
    accuracy_pa : mapping of str to float, or None
        What each part may be off by, by its own scale, Pa, where that is known. A span that
        just holds the points, as far down as up, is taken where it is not.

    Returns
    -------
    Calibration

    Raises
    ------
    CalibrationRefused
        When the points cannot carry a calibration (see :mod:`undertray.calibrate.points`).

    References
    ----------
    The fit: :func:`undertray.calibrate.fit.fit_polynomial`; the choice between line and
    parabola: :func:`undertray.calibrate.curve.choose_curve`.
    """
    pa_per_mm = setup.tube.gain * setup.conditions.pa_per_mm
    column_pa = points.height_mm * pa_per_mm
    check_points(points.height_mm, column_pa, setup.working_pa)
    columns = {
        name: _column(points, i, column_pa, setup, (parts or {}).get(name, ""), (accuracy_pa or {}).get(name))
        for i, name in enumerate(points.columns)
    }
    conditions = setup.conditions
    fluid: dict[str, Any] = {
        "name": conditions.fluid.name,
        "temperature_c": conditions.fluid_c,
        "density_kg_m3": conditions.density_kg_m3,
        "air_density_kg_m3": conditions.air_density_kg_m3,
        "pa_per_mm": conditions.pa_per_mm,
        "gain": setup.tube.gain,
        "limbs": setup.tube.limbs,
        "zero_open": setup.zero_open,
    }
    return Calibration(made_utc, fluid, conditions.gravity, uid, columns)


def _column(
    points: Points, i: int, column_pa: Array, setup: Setup, part: str, accuracy_pa: float | None
) -> ColumnCalibration:
    nominal = points.nominal_pa[:, i]
    check_reading(points, i, column_pa)
    u_reading = np.full(column_pa.shape, setup.budget.reading_pa(setup.tube, setup.conditions))
    if setup.zero_open:
        u_reading[points.height_mm == 0] = 0.0
    u_sensor = np.full(column_pa.shape, setup.budget.sensor_pa)
    if points.mean_sd_pa is not None:
        u_sensor = np.hypot(u_sensor, points.mean_sd_pa[:, i])
    shared_pa = setup.budget.shared_pa(points.height_mm, setup.tube, setup.conditions, setup.zero_open)

    def through(degree: int, kept: NDArray[np.bool_], bent_pa: float = 0.0) -> Fit:
        return fit_polynomial(
            nominal[kept],
            column_pa[kept],
            u_x=u_sensor[kept],
            u_y=np.hypot(u_reading[kept], bent_pa),
            shared={source: (0.0, pa[kept]) for source, pa in shared_pa.items()},
            degree=degree,
        )

    everyone = np.ones(len(nominal), dtype=bool)

    heights = len(levels(column_pa, points.upward, column_pa))
    flexible = _flexible(lambda degree: through(degree, everyone), heights)

    def fitted(degree: int, bent_pa: float = 0.0) -> Fit:
        fit = through(degree, everyone, bent_pa)
        if bent_pa:
            fit = fit.with_errors(np.hypot(u_reading, u_sensor * fit.coefficients[1]))
        # a bend is no scatter of the readings: it has a term of its own
        about = flexible if flexible is not None and shows_scatter(flexible) else fit
        return fit.enlarged(about) if setup.from_scatter or about.p_value < SCATTER_LEVEL else fit

    fit, curve_p = choose_curve(
        fitted,
        setup.curve,
        nominal,
        lambda line: levels(column_pa, points.upward, -line.residuals),
    )
    u_own = np.hypot(u_reading, u_sensor * fit.coefficients[1])
    if flexible is not None and len(flexible.coefficients) <= len(fit.coefficients):
        flexible = None
    if flexible is not None and setup.zero_open:
        # weighted as what bends, or an open zero would pin the curve
        fit = fitted(len(fit.coefficients) - 1, _bent_pa(fit, flexible, nominal, u_own))
    off = outlying(lambda kept: through(len(fit.coefficients) - 1, kept), nominal, column_pa)
    by_height = levels(column_pa, points.upward, -fit.residuals)
    raw = levels(column_pa, points.upward, nominal)
    deviation = nonlinearity(np.array([at.height for at in raw]), np.array([at.mean for at in raw]))
    low, high = float(nominal.min()), float(nominal.max())
    facts = {
        "chi_squared": fit.chi_squared,
        "degrees_of_freedom": fit.dof,
        "p_value": fit.p_value,
        "scale": fit.scale,
        "from_scatter": fit.from_scatter,
        "curve_p_value": curve_p,
        "linearity_kind": "independent",
        "linearity_all_pa": dict(deviation),
        "u_reading_pa": float(u_reading.max()),
        "u_sensor_pa": float(u_sensor.max()),
        "working_pa": setup.working_pa,
        "nominal_accuracy_pa": accuracy_pa or NOMINAL_SHARE * 2 * float(column_pa.max()),
        "nominal_accuracy_known": accuracy_pa is not None,
        "sources_pa": _sources(
            fit, u_reading, u_sensor, high if setup.working_pa is None else setup.working_pa
        ),
    }
    return ColumnCalibration(
        part=part,
        coefficients=fit.coefficients,
        covariance=fit.covariance,
        shared=fit.shared,
        range_pa=(low, high),
        residual_sd_pa=fit.residual_sd,
        hysteresis_pa=hysteresis(by_height),
        repeatability_pa=repeatability(by_height),
        linearity_pa=deviation["independent"],
        course_u_pa=course_uncertainty(fit, flexible, by_height, nominal, u_own, float(u_reading.max())),
        coverage_factor=max(
            fit.coverage_factor(np.array([1.0, x, x * x])[: len(fit.coefficients)])
            for x in (low, (low + high) / 2, high)
        ),
        points=_kept(points, i, column_pa, fit, u_own, off),
        facts=facts,
    )


def _flexible(through: Callable[[int], Fit], heights: int) -> Fit | None:
    """A curve that can bend: of the second or third degree, with two heights more than that."""
    degree = min(_MOST_BENDS, heights - 2)
    if degree < 2:
        return None
    try:
        return through(degree)
    except CalibrationError:
        return None


def _bent_pa(used: Fit, flexible: Fit, nominal: Array, u_own: Array) -> float:
    """Standard deviation of the sensor about its curve over the range, beyond that of reading, Pa."""
    bend, variance = departure(used, flexible, np.linspace(nominal.min(), nominal.max(), PLACES), u_own)
    return math.sqrt(max(0.0, float(np.mean(bend**2 - variance))))


def _sources(fit: Fit, u_reading: Array, u_sensor: Array, at_pa: float) -> dict[str, float]:
    """Standard uncertainty from each source at one nominal suction, Pa, the largest first."""
    powers = at_pa ** np.arange(len(fit.coefficients))
    pull = powers @ fit.gain
    if fit.from_scatter:
        independent = {
            "scatter of the points": fit.scale * math.sqrt(powers @ fit.independent_covariance @ powers)
        }
    else:
        slope = fit.coefficients[1]
        independent = {
            "reading of the column": math.sqrt(float(pull**2 @ u_reading**2)),
            "reading of the sensor": math.sqrt(float(pull**2 @ u_sensor**2)) * slope,
        }
    shared = {name: abs(float(powers @ moved)) for name, moved in fit.shared.items()}
    return dict(sorted((independent | shared).items(), key=lambda item: -item[1]))


def _kept(
    points: Points, i: int, column_pa: Array, fit: Fit, u_pa: Array, off_pa: Mapping[int, float]
) -> tuple[Mapping[str, Any], ...]:
    kept: list[Mapping[str, Any]] = [
        {
            "height_mm": float(points.height_mm[k]),
            "direction": "up" if points.upward[k] else "down",
            "nominal_pa": float(points.nominal_pa[k, i]),
            "column_pa": float(column_pa[k]),
            "residual_pa": float(fit.residuals[k]),
            "u_pa": fit.scale * float(u_pa[k]),
            "standardised_residual": float(fit.standardised[k]),
            **({"off_the_others_pa": off_pa[k]} if k in off_pa else {}),
            **({"place": points.places[k]} if points.places else {}),
            **({"doubt": points.doubts[k][i]} if points.doubts and points.doubts[k][i] else {}),
        }
        for k in range(len(column_pa))
    ]
    kept += [
        {
            "height_mm": taken_back.height_mm,
            "direction": "up" if taken_back.upward else "down",
            "nominal_pa": taken_back.nominal_pa[i],
            "dropped": taken_back.reason,
        }
        for taken_back in points.dropped
    ]
    return tuple(kept)
