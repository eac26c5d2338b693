"""What a calibration found, in plain words."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np

from undertray.calibrate.accuracy import depart_together, departs, made_worse, worse_heading
from undertray.calibrate.calibration import Calibration, ColumnCalibration
from undertray.calibrate.curve import LEVEL_WIDTH
from undertray.calibrate.fit import SCATTER_LEVEL
from undertray.calibrate.points import NEAR_ZERO

__all__ = [
    "Shift",
    "column_alarms",
    "column_remarks",
    "doubted_directions",
    "left_out",
    "liquid_line",
    "missing_end_zero",
    "own_scale_pa",
    "shared_alarms",
    "shift_findings",
    "shift_since",
]


# What moved since the last calibration: zero and span of the sensor.


@dataclass(frozen=True, slots=True)
class Shift:
    """Change of one sensor between two calibrations."""

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


def own_scale_pa(column: ColumnCalibration, suction_pa: float) -> float:
    """By how much the sensor's own scale is off at a suction, Pa."""
    return _reading(column, suction_pa) - suction_pa


def _slope(column: ColumnCalibration, nominal_pa: float) -> float:
    b1, b2 = (*column.coefficients[1:], 0.0)[:2]
    return float(b1 + 2 * b2 * nominal_pa)


_COLUMN_SOURCES = frozenset(
    {"reading of the column", "zero", "ruler", "temperature", "liquid", "air", "gravity", "tilt"}
)
_VERDICT = ("chi_squared", "degrees_of_freedom", "p_value", "from_scatter", "scale")
# the same risk of a false word on either side: the fit takes its errors from the scatter beyond the other
_TOO_WELL = 1 - SCATTER_LEVEL


def liquid_line(calibration: Calibration, unit: str = "mm", unit_mm: float = 1.0) -> str:
    """What stood in the column, and what a millimetre or another length of it is."""
    fluid = calibration.fluid
    if {"temperature_c", "density_kg_m3", "air_density_kg_m3", "pa_per_mm", "gain"} <= set(fluid):
        density, air, pa_per_mm = (fluid[key] for key in ("density_kg_m3", "air_density_kg_m3", "pa_per_mm"))
        return (
            f"{fluid.get('name', 'liquid')} at {fluid['temperature_c']:g} degC, {density:.3f} kg/m3,"
            f" in air of {air:.4f} kg/m3, g = {calibration.gravity_m_s2:.5f} m/s2: 1 {unit} is"
            f" {pa_per_mm * fluid['gain'] * unit_mm:.5f} Pa"
        )
    return f"{fluid.get('name', 'liquid')}, g = {calibration.gravity_m_s2:.5f} m/s2"


def shared_alarms(calibration: Calibration) -> list[str]:
    """What must not be overlooked in the calibration as a whole."""
    together = depart_together(calibration.columns)
    told = (doubted_directions(calibration), missing_end_zero(calibration))
    return [*([f"CHECK THE COLUMN: {together}"] if together else []), *filter(None, told)]


# The course of the column, which all sensors share: which way it went, and whether it came back to zero.

_MOST_NAMED = 3


def _course(calibration: Calibration) -> list[Mapping[str, Any]]:
    """The points that count, in their order; empty where a file does not have them whole."""
    column = next(iter(calibration.columns.values()))
    kept = [point for point in column.points if "dropped" not in point]
    return kept if all("height_mm" in point and "direction" in point for point in kept) else []


def doubted_directions(calibration: Calibration) -> str:
    """Points whose direction is not the way their heights went; empty where there are none.

    A points file may have its lines in another order than they were taken in, so its directions are used as
    they stand; a guided calibration has them from the heights.
    """
    course = _course(calibration)
    heights = [point["height_mm"] for point in course]
    same_mm = LEVEL_WIDTH * (max(heights) - min(heights)) if heights else 0.0
    wrong = [
        f"{_named(point)} after {before['height_mm']:g} mm"
        for before, point in pairwise(course)
        if abs(moved_mm := point["height_mm"] - before["height_mm"]) > same_mm
        and (moved_mm > 0) != (point["direction"] == "up")
    ]
    if not wrong:
        return ""
    more = f" and {len(wrong) - _MOST_NAMED} more" if len(wrong) > _MOST_NAMED else ""
    return (
        f"CHECK THE DIRECTIONS: {', '.join(wrong[:_MOST_NAMED])}{more}: the heights went the other way."
        " Hysteresis and its uncertainty go by the directions as given: put them right, or the lines into the"
        " order in which they were taken"
    )


def missing_end_zero(calibration: Calibration) -> str:
    """What is left out where no zero was taken after the heights; empty where one was."""
    course = _course(calibration)
    if not course:
        return ""
    heights = [point["height_mm"] for point in course]
    by_height = heights == sorted(heights)  # such a file does not say what was last
    since = 0 if by_height else heights.index(max(heights))
    ends = [
        point["direction"] == "down" and point["height_mm"] <= NEAR_ZERO * max(heights)
        for point in course[since:]
    ]
    if any(ends):
        return ""
    return (
        "no zero at the end: how far the zeros drifted over the calibration is not seen and is in no"
        " uncertainty; open both ports after the last height and take that point too"
    )


def column_alarms(column: ColumnCalibration) -> list[str]:
    """What must not be overlooked in the calibration of one sensor."""
    alarms = [
        (worse_heading(column).upper(), made_worse(column)),
        ("FAR OFF ITS OWN SCALE", departs(column)),
    ]
    return [
        *(f"{heading}: {alarm}" for heading, alarm in alarms if alarm),
        *(_standing_out(point) for point in column.points if "off_the_others_pa" in point),
        *(f"kept despite a doubt, {_named(p)}: {p['doubt']}" for p in column.points if "doubt" in p),
    ]


def column_remarks(column: ColumnCalibration) -> list[str]:
    """What there is to say of one sensor's figures."""
    # the first four only a calibration fresh from its points has, or a file of this program
    facts, lines = column.facts, []
    if all(facts.get(key) is not None for key in _VERDICT):
        lines.append(_verdict(facts))
    if facts.get("curve_p_value") is not None:
        lines.append(_curve_line(facts["curve_p_value"], len(column.coefficients)))
    lines += [*_loop_from_reading(column), *_own(column)]
    if facts.get("sources_pa"):
        lines.append(_dominant(facts["sources_pa"]))
    return lines


def left_out(column: ColumnCalibration) -> list[str]:
    """The points of one sensor that were left out, and why."""
    dropped = [point for point in column.points if "dropped" in point]
    return [
        f"left out: {point['height_mm']:g} mm {point['direction']}: {point['dropped']}" for point in dropped
    ]


def shift_findings(now: Calibration, before: Calibration) -> list[str]:
    """What moved since the last calibration."""
    lines = [f"since the calibration of {before.made_utc}:"]
    if now.foreign_to(before):
        lines.append(f"  it is of another board ({before.uid}): nothing to compare")
        return lines
    for name, column in now.columns.items():
        if name not in before.columns:
            lines.append(f"  {name}: not in it")
            continue
        moved = shift_since(column, before.columns[name])
        lines.append(
            f"  {name}: zero {moved.zero_pa:+.2f} Pa ({_clear(moved.zero_pa, moved.zero_u95_pa)}), span"
            f" {moved.span_pa:+.2f} Pa at {moved.at_pa:.0f} Pa ({_clear(moved.span_pa, moved.span_u95_pa)})"
        )
    return lines


def _clear(value_pa: float, u95_pa: float) -> str:
    word = "beyond" if abs(value_pa) > u95_pa else "within"
    return f"{word} its uncertainty of {u95_pa:.2f} Pa"


def _loop_from_reading(column: ColumnCalibration) -> list[str]:
    reading_pa = column.facts.get("u_reading_pa") or 0.0
    # two readings of the column enter each difference; twice its standard uncertainty
    alone = 2 * np.sqrt(2) * reading_pa
    if column.hysteresis_pa is None or column.hysteresis_pa > alone:
        return []
    return [f"the hysteresis is no more than reading the column alone can cause ({alone:.1f} Pa)"]


def _own(column: ColumnCalibration) -> list[str]:
    if column.course_u_pa is None:
        return []
    worst = int(np.argmax(column.course_u_pa))
    at_pa = float(np.linspace(*column.range_pa, len(column.course_u_pa))[worst])
    return [
        "what the sensor itself adds by non-linearity, hysteresis and repeatability:"
        f" {column.course_u_pa[worst]:.2f} Pa at most, at {at_pa:.0f} Pa (standard uncertainty)"
    ]


def _named(point: Mapping[str, Any]) -> str:
    at = f"{point.get('height_mm', math.nan):g} mm {point.get('direction', '')}".strip()
    return f"{point['place']} ({at})" if "place" in point else at


def _standing_out(point: Mapping[str, Any]) -> str:
    return (
        f"look at {_named(point)} again: it lies {point['off_the_others_pa']:+.1f} Pa off the curve of the"
        " others, which scatter as stated; it is not left out"
    )


def _verdict(facts: Any) -> str:
    p = facts["p_value"]
    chi, freedom = facts["chi_squared"], facts["degrees_of_freedom"]
    tail = f"(chi-squared {chi:.2f}, {freedom} degrees of freedom, p = {p:.3g})"
    if facts["from_scatter"]:
        return (
            f"the points scatter {facts['scale']:.2f} times as much as was stated; the uncertainties are"
            f" taken from the scatter {tail}"
        )
    if p > _TOO_WELL:
        share = math.sqrt(facts["chi_squared"] / max(1, facts["degrees_of_freedom"]))
        return (
            f"the points scatter only {share:.2f} times as much as was stated: {_stated(facts)} looks too"
            f" large, and is kept to be on the safe side {tail}"
        )
    return f"the points scatter as the stated errors predict {tail}"


def _stated(facts: Any) -> str:
    """The larger of the two uncertainties that the scatter was expected from."""
    column_pa, sensor_pa = facts.get("u_reading_pa") or 0.0, facts.get("u_sensor_pa") or 0.0
    of, option, pa = max(
        ("the column", "--reading-mm", column_pa),
        ("the sensor", "--sensor-pa", sensor_pa),
        key=lambda o: o[2],
    )
    return f"the stated error of reading {of}, {pa:.1f} Pa ({option}),"


def _curve_line(p: float, size: int) -> str:
    chosen = "a parabola is used" if size == 3 else "a straight line is used, a parabola fits no better"
    return f"{chosen} (F test: p = {p:.3g})"


def _dominant(sources_pa: dict[str, float]) -> str:
    (first, largest), *rest = sources_pa.items()
    others = ", ".join(f"{name} {value:.2f} Pa" for name, value in rest[:3])
    who = (
        "the column, not the sensor, is the limit"
        if first in _COLUMN_SOURCES
        else "the points scatter more than any other source"
        if first == "scatter of the points"
        else "the sensor's own reading is the limit"
    )
    return f"{who}: {first} {largest:.2f} Pa, then {others} (standard uncertainties)"
