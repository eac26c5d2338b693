"""The checks between a calibration file and the program: every value bounded, none guessed."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from undertray.calibrate.column_calibration import ColumnCalibration
from undertray.calibrate.course import PLACES
from undertray.calibrate.json_values import covariance, mapping, number, plain, text, vector
from undertray.errors import CalibrationError, parser_words

__all__ = ["VERSION", "column", "column_as_dict", "columns", "fluid", "load"]

VERSION = 1
_MOST_BYTES = 4_000_000
_MOST_COLUMNS = 16
_MOST_POINTS = 2000
_MOST_SOURCES = 32
_MOST_TEXT = 200
_OWN_KEYS = frozenset(
    {"part", "coefficients", "covariance", "range_pa", "residual_sd_pa", "hysteresis_pa", "repeatability_pa"}
    | {"linearity_pa", "coverage_factor", "shared", "points", "course_u_pa"}
)
_NUMBERS = {
    **dict.fromkeys(("chi_squared", "degrees_of_freedom", "scale"), 1e12),
    **dict.fromkeys(("p_value", "curve_p_value"), 1.0),
    **dict.fromkeys(("u_reading_pa", "u_sensor_pa", "working_pa", "nominal_accuracy_pa"), 1e6),
}  # each from 0 up to this
_WITHIN = ((-1e6, 1e6), (0.01, 100.0), (-1.0, 1.0))  # b0, b1, b2
_TABLES = frozenset({"sources_pa", "linearity_all_pa"})
_POINT_NUMBERS = frozenset(
    {
        "height_mm",
        "nominal_pa",
        "column_pa",
        "residual_pa",
        "u_pa",
        "standardised_residual",
        "off_the_others_pa",
    }
)
_FLUID_NUMBERS = frozenset({"temperature_c", "density_kg_m3", "air_density_kg_m3", "pa_per_mm", "gain"})


def load(path: Path, where: str) -> Mapping[str, Any]:
    """Read the file and check its version.

    Parameters
    ----------
    path : Path
        The file.
    where : str
        For the error line.

    Returns
    -------
    mapping
        The decoded JSON object.

    Raises
    ------
    CalibrationError
        When it cannot be read, is too large, is no JSON object, or is of a newer version.
    """
    try:
        with path.open("rb") as file:
            raw = file.read(_MOST_BYTES + 1)
    except OSError as error:
        raise CalibrationError(
            f"the calibration cannot be read: {error.strerror}", where=str(path), do="check the path"
        ) from None
    if len(raw) > _MOST_BYTES:
        raise CalibrationError(
            "the calibration is too large", where=where, expected=f"at most {_MOST_BYTES} bytes"
        )
    try:
        data = json.loads(raw.decode("utf-8-sig"), parse_constant=_no_constant)
    except (ValueError, RecursionError) as error:
        raise CalibrationError(
            "the calibration is no JSON",
            where=where,
            seen=parser_words(error),
            expected="a file written by 'undertray calibrate'",
            do="calibrate again or take a copy that is whole",
        ) from None
    if not isinstance(data, dict) or "format" not in data:
        raise CalibrationError(
            "no calibration", where=where, seen=data, expected="a file written by 'undertray calibrate'"
        )
    version = number(data, "format", where, 1, 1e9)
    if version != VERSION:
        raise CalibrationError(
            "the calibration is of a newer format",
            where=where,
            seen=data["format"],
            expected=f"version {VERSION}",
            do="update undertray on this computer",
        )
    return data


def _no_constant(name: str) -> float:
    raise ValueError(f"{name} is no JSON number")


def columns(data: Mapping[str, Any], where: str) -> Mapping[str, Any]:
    """The object ``columns``, its size and names checked.

    Parameters
    ----------
    data : mapping
        The decoded file.
    where : str
        For the error line.

    Returns
    -------
    mapping
        Name of a pressure column to its decoded object.

    Raises
    ------
    CalibrationError
        When there is none, or too many, or a name is too long.
    """
    found = mapping(data, "columns", where)
    if not 1 <= len(found) <= _MOST_COLUMNS or any(len(name) > _MOST_TEXT for name in found):
        raise CalibrationError(
            "bad 'columns'", where=where, seen=list(found), expected=f"1 to {_MOST_COLUMNS} pressure columns"
        )
    return found


def fluid(data: Mapping[str, Any], where: str) -> Mapping[str, Any]:
    """The object ``fluid``, the values this program writes checked.

    Parameters
    ----------
    data : mapping
        The decoded file.
    where : str
        For the error line.

    Returns
    -------
    mapping

    Raises
    ------
    CalibrationError
        When it is no flat object, or a value in it is of the wrong kind.
    """
    found = mapping(data, "fluid", where)
    plain(found, "fluid", where)
    if "name" in found:
        text(found, "name", where)
    for key in _FLUID_NUMBERS & found.keys():
        number(found, key, where, -1e6, 1e6)
    return found


def column(raw: object, where: str) -> dict[str, Any]:
    """The checked fields of one column's calibration.

    Parameters
    ----------
    raw : object
        The decoded object of the column.
    where : str
        For the error line.

    Returns
    -------
    dict
        Keyword arguments of :class:`undertray.calibrate.column_calibration.ColumnCalibration`.

    Raises
    ------
    CalibrationError
        When a value is missing, of the wrong kind or impossible.
    """
    if not isinstance(raw, dict):
        raise CalibrationError("no calibration of a column", where=where, seen=raw, expected="an object")
    coefficients = vector(raw.get("coefficients"), "coefficients", where)
    size = len(coefficients)
    if size not in (2, 3):
        raise CalibrationError("bad 'coefficients'", where=where, seen=size, expected="two or three numbers")
    for name, value, (least, most) in zip(("b0", "b1", "b2"), coefficients, _WITHIN, strict=False):
        if not least <= value <= most:
            raise CalibrationError(
                "bad 'coefficients'", where=where, seen=value, expected=f"{name} from {least:g} to {most:g}"
            )
    spread = covariance(raw.get("covariance"), size, where)
    low, high = vector(raw.get("range_pa"), "range_pa", where, 2)
    if not low < high:
        raise CalibrationError("bad 'range_pa'", where=where, seen=[low, high], expected="[low, high]")
    shared = raw.get("shared", {})
    if not isinstance(shared, dict) or len(shared) > _MOST_SOURCES:
        raise CalibrationError("bad 'shared'", where=where, seen=shared, expected="an object of sources")
    return {
        "part": text(raw, "part", where),
        "coefficients": coefficients,
        "covariance": spread,
        "shared": {name: vector(moved, f"shared {name}", where, size) for name, moved in shared.items()},
        "range_pa": (float(low), float(high)),
        "residual_sd_pa": number(raw, "residual_sd_pa", where, 0, 1e6),
        "hysteresis_pa": _optional(raw, "hysteresis_pa", where),
        "repeatability_pa": _optional(raw, "repeatability_pa", where),
        "linearity_pa": _optional(raw, "linearity_pa", where),
        "course_u_pa": _course(raw, where),
        "coverage_factor": number(raw, "coverage_factor", where, 1, 100) if "coverage_factor" in raw else 2.0,
        "points": _points(raw.get("points", []), where),
        "facts": _facts(raw, where),
    }


def column_as_dict(done: ColumnCalibration) -> dict[str, Any]:
    """The JSON object of one column's calibration.

    Parameters
    ----------
    done : ColumnCalibration
        The calibration of a column.

    Returns
    -------
    dict
        What :func:`column` reads back.
    """
    return {
        "part": done.part,
        "coefficients": done.coefficients.tolist(),
        "covariance": done.covariance.tolist(),
        "range_pa": list(done.range_pa),
        "residual_sd_pa": done.residual_sd_pa,
        "hysteresis_pa": done.hysteresis_pa,
        "repeatability_pa": done.repeatability_pa,
        "linearity_pa": done.linearity_pa,
        **({} if done.course_u_pa is None else {"course_u_pa": done.course_u_pa.tolist()}),
        "coverage_factor": done.coverage_factor,
        "shared": {name: moved.tolist() for name, moved in done.shared.items()},
        **done.facts,
        "points": [dict(point) for point in done.points],
    }


def _course(raw: Mapping[str, Any], where: str) -> NDArray[np.float64] | None:
    if raw.get("course_u_pa") is None:
        return None
    found = vector(raw["course_u_pa"], "course_u_pa", where, PLACES)
    if not ((found >= 0).all() and (found <= 1e6).all()):
        raise CalibrationError("bad 'course_u_pa'", where=where, seen=found.tolist(), expected="0 to 1e6 Pa")
    return found


def _optional(data: Mapping[str, Any], key: str, where: str) -> float | None:
    return None if data.get(key) is None else number(data, key, where, 0, 1e6)


def _facts(raw: Mapping[str, Any], where: str) -> dict[str, Any]:
    """All other keys; those that this program writes have the kind it gives them."""
    facts = {key: plain(value, key, where) for key, value in raw.items() if key not in _OWN_KEYS}
    for key in _NUMBERS.keys() & facts.keys():
        if facts[key] is not None:
            number(facts, key, where, 0, _NUMBERS[key])
    for key in _TABLES & facts.keys():
        table = mapping(facts, key, where)
        for name in table:
            number(table, name, where, -1e12, 1e12)
    return facts


def _points(raw: object, where: str) -> tuple[Mapping[str, Any], ...]:
    """The points as this program writes them; of another program's, nothing is known and nothing used."""
    if not isinstance(raw, list) or len(raw) > _MOST_POINTS:
        raise CalibrationError(
            "bad 'points'", where=where, seen=raw, expected=f"a list of at most {_MOST_POINTS} points"
        )
    points = tuple(point for point in raw if isinstance(point, dict))
    for point in points:
        plain(point, "points", where)
        for key in _POINT_NUMBERS & point.keys():
            number(point, key, where, -1e9, 1e9)
        for key in {"direction", "dropped", "place", "doubt"} & point.keys():
            text(point, key, where)
    return points
