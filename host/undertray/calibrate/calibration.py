"""The calibration of a board: what ``calibration.json`` holds, read from strangers too."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from undertray.acquire.device import Device
from undertray.calibrate import json_values
from undertray.calibrate.json_values import covariance, mapping, number, plain, text, vector
from undertray.errors import CalibrationError, CalibrationMismatch, parser_words
from undertray.files import meant_file, write_whole

__all__ = [
    "RANGE_EDGE",
    "VERSION",
    "Calibration",
    "ColumnCalibration",
    "column_as_dict",
    "column_from_json",
    "columns_from_json",
    "fluid_from_json",
    "load_from_json",
]


# The calibration of one pressure column: a curve with the covariance of its coefficients.

Array = NDArray[np.float64]

RANGE_EDGE = 0.02
"""Share of the calibrated span that a reading may lie outside: noise about a zero is no excursion."""


@dataclass(frozen=True, slots=True, eq=False)
class ColumnCalibration:
    """The calibration of one pressure column.

    Attributes
    ----------
    part : str
        The part, as the board names it; empty where it was not known.
    coefficients : ndarray of float64, shape (p,)
        b0 (Pa), b1, and b2 (1/Pa) where there is one: ``suction = b0 + b1 x + b2 x^2`` of the
        nominal suction x in Pa.
    covariance : ndarray of float64, shape (p, p)
        Covariance of the coefficients with every source in.
    shared : mapping of str to ndarray of float64, shape (p,)
        For each source that is common to all columns calibrated together (ruler, water,
        gravity), how far one standard uncertainty of it moves the coefficients. These are
        part of ``covariance``, and do not average down over the taps.
    range_pa : tuple of float
        Least and largest nominal suction of the calibration points, Pa.
    residual_sd_pa : float
        Standard deviation of the points about the curve, n - p degrees of freedom, Pa.
    hysteresis_pa, repeatability_pa, linearity_pa : float or None
        As :mod:`undertray.calibrate.curve` defines them, Pa; None where the points
        do not show it.
    course_u_pa : ndarray of float64, shape (k,), or None
        Standard uncertainty of one reading from what the sensor does that its curve does not
        (:mod:`undertray.calibrate.curve`), Pa, at k places evenly over ``range_pa``. None in a
        file of another program.
    coverage_factor : float
        From standard to 95 % expanded uncertainty of a value from this calibration.
    points : tuple of mapping
        The readings behind it, kept as they were, dropped ones with their reason.
    facts : mapping
        Whatever else was found: chi-squared, degrees of freedom, kind of non-linearity.
    """

    part: str
    coefficients: Array
    covariance: Array
    range_pa: tuple[float, float]
    residual_sd_pa: float
    hysteresis_pa: float | None = None
    repeatability_pa: float | None = None
    linearity_pa: float | None = None
    course_u_pa: Array | None = None
    coverage_factor: float = 2.0
    shared: Mapping[str, Array] = field(default_factory=dict)
    points: tuple[Mapping[str, Any], ...] = ()
    facts: Mapping[str, Any] = field(default_factory=dict)

    def apply(self, nominal_pa: Array) -> Array:
        """Calibrated suction.

        Parameters
        ----------
        nominal_pa : ndarray of float64, any shape
            Nominal suction, Pa; NaN stays NaN.

        Returns
        -------
        ndarray of float64, shape of ``nominal_pa``
            Suction, Pa. Outside ``range_pa`` it is an extrapolation.
        """
        nominal_pa = np.asarray(nominal_pa, float)
        suction = np.full(nominal_pa.shape, self.coefficients[-1])
        for coefficient in self.coefficients[-2::-1]:
            suction *= nominal_pa
            suction += coefficient
        return suction

    def in_range(self, nominal_pa: Array) -> NDArray[np.bool_]:
        """Where the calibration was shown to hold.

        Parameters
        ----------
        nominal_pa : ndarray of float64, any shape
            Nominal suction, Pa.

        Returns
        -------
        ndarray of bool, shape of ``nominal_pa``
            Within ``range_pa``; False for NaN.
        """
        low, high = self.range_pa
        nominal_pa = np.asarray(nominal_pa, float)
        return (nominal_pa >= low) & (nominal_pa <= high)

    def powers(self, nominal_pa: Array | float) -> Array:
        """The row J = (1, x, x^2) that turns coefficients into suction.

        Parameters
        ----------
        nominal_pa : float or ndarray of float64, any shape
            Nominal suction x, Pa.

        Returns
        -------
        ndarray of float64, shape (..., p)
            ``J``; the suction is ``J b`` and its variance ``J C J^T``.
        """
        return np.asarray(nominal_pa, float)[..., None] ** np.arange(len(self.coefficients))

    def own_uncertainty_pa(self, nominal_pa: Array | float) -> Array:
        """Standard uncertainty of one reading from what the sensor does that its curve does not.

        Parameters
        ----------
        nominal_pa : float or ndarray of float64, any shape
            Nominal suction, Pa.

        Returns
        -------
        ndarray of float64, shape of ``nominal_pa``
            ``course_u_pa`` on straight lines between its places, and as at the ends beyond them; without
            it ``sqrt(linearity^2/3 + hysteresis^2/12 + repeatability^2/12)``, as if all of them were the
            sensor's own.

        References
        ----------
        JCGM 100:2008 (GUM), 4.3.7: half width and widths of rectangles.
        """
        nominal_pa = np.asarray(nominal_pa, float)
        if self.course_u_pa is None:
            half, widths = self.linearity_pa or 0.0, (self.hysteresis_pa, self.repeatability_pa)
            u2 = half**2 / 3 + sum((width or 0.0) ** 2 for width in widths) / 12
            return np.full(nominal_pa.shape, u2**0.5)
        places = np.linspace(*self.range_pa, len(self.course_u_pa))
        return np.asarray(np.interp(nominal_pa, places, self.course_u_pa))

    def standard_uncertainty_pa(self, nominal_pa: Array | float) -> Array:
        """Standard uncertainty of the calibrated suction.

        Parameters
        ----------
        nominal_pa : float or ndarray of float64, any shape
            Nominal suction, Pa.

        Returns
        -------
        ndarray of float64, shape of ``nominal_pa``
            Pa: ``sqrt(J C J^T + own^2)``: the fit's covariance, and what a single reading may be off by
            even on a perfect curve (:meth:`own_uncertainty_pa`).

        References
        ----------
        JCGM 100:2008 (GUM), equation 13.
        """
        rows = self.powers(nominal_pa)
        variance = np.einsum("...i,ij,...j->...", rows, self.covariance, rows)
        return np.asarray(np.sqrt(np.maximum(variance, 0) + self.own_uncertainty_pa(nominal_pa) ** 2))


# The checks between a calibration file and the program: every value bounded, none guessed.

VERSION = 1
_MOST_BYTES = 4_000_000
_MOST_COLUMNS = 16
_MOST_POINTS = 2000
_MOST_SOURCES = 32
_MOST_TEXT = 200
_MOST_PLACES = 101
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


def load_from_json(path: Path, where: str) -> Mapping[str, Any]:
    """Read the file and check its version."""
    try:
        with path.open("rb") as file:
            raw = file.read(_MOST_BYTES + 1)
    except OSError as error:
        raise CalibrationError(
            f"the calibration cannot be read: {error.strerror}", where=str(path), do=meant_file(path)
        ) from None
    if len(raw) > _MOST_BYTES:
        raise CalibrationError(
            "the calibration is too large", where=where, expected=f"at most {_MOST_BYTES} bytes"
        )
    try:
        data = json.loads(raw.decode("utf-8-sig"), parse_constant=_no_constant)
    except (ValueError, RecursionError) as error:
        raise CalibrationError(
            "the calibration is not JSON",
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
    raise ValueError(f"{name} is not a JSON number")


def columns_from_json(data: Mapping[str, Any], where: str) -> Mapping[str, Any]:
    """The object ``columns``, its size and names checked."""
    found = mapping(data, "columns", where)
    if not 1 <= len(found) <= _MOST_COLUMNS or any(len(name) > _MOST_TEXT for name in found):
        raise CalibrationError(
            "bad 'columns'", where=where, seen=list(found), expected=f"1 to {_MOST_COLUMNS} pressure columns"
        )
    return found


def fluid_from_json(data: Mapping[str, Any], where: str) -> Mapping[str, Any]:
    """The object ``fluid``, the values this program writes checked."""
    found = mapping(data, "fluid", where)
    plain(found, "fluid", where)
    if "name" in found:
        text(found, "name", where)
    for key in _FLUID_NUMBERS & found.keys():
        number(found, key, where, -1e6, 1e6)
    return found


def column_from_json(raw: object, where: str) -> dict[str, Any]:
    """The checked fields of one column's calibration."""
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
    """The JSON object of one column's calibration."""
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
    given = raw["course_u_pa"]
    size = len(given) if isinstance(given, list) and 2 <= len(given) <= _MOST_PLACES else _MOST_PLACES
    found = vector(given, "course_u_pa", where, size)
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


@dataclass(frozen=True, slots=True, eq=False)
class Calibration:
    """The calibration of all pressure columns of one board.

    Attributes
    ----------
    made_utc : str
        When it was made, ISO 8601.
    fluid : mapping
        The liquid and its surroundings: name, temperature, densities.
    gravity_m_s2 : float
        Acceleration of free fall used, m/s2.
    uid : str
        Id of the board; empty where it was not known.
    columns : mapping of str to ColumnCalibration
        By the name of the pressure column, ``p1`` and so on.
    """

    made_utc: str
    fluid: Mapping[str, Any]
    gravity_m_s2: float
    uid: str
    columns: Mapping[str, ColumnCalibration]

    @classmethod
    def from_json(cls, path: str | Path) -> Calibration:
        """Read a calibration file.

        Parameters
        ----------
        path : str or Path
            The file.

        Returns
        -------
        Calibration

        Raises
        ------
        CalibrationError
            When it cannot be read, is too large, is no JSON, is of a newer version, or a value
            is missing, of the wrong kind or impossible.

        Examples
        --------
        >>> from undertray import Calibration
        >>> sorted(Calibration.from_json("calibration.json").columns)
        ['p1', 'p2', 'p3', 'p4']
        """
        where = Path(path).name
        data = load_from_json(Path(path), where)
        columns = {
            name: ColumnCalibration(**column_from_json(raw, f"{where}, {name}"))
            for name, raw in columns_from_json(data, where).items()
        }
        return cls(
            made_utc=json_values.text(data, "made_utc", where),
            fluid=fluid_from_json(data, where),
            gravity_m_s2=json_values.number(data, "gravity_m_s2", where, 9.7, 9.9),
            uid="" if data.get("uid") is None else json_values.text(data, "uid", where),
            columns=columns,
        )

    def to_json(self, path: str | Path) -> None:
        """Write the calibration; the same calibration gives the same bytes.

        Parameters
        ----------
        path : str or Path
            The file; one that is there is replaced.

        Raises
        ------
        CalibrationError
            When it cannot be written.
        """
        try:
            write_whole(path, self.as_text().encode())
        except OSError as error:
            raise CalibrationError(
                f"the calibration cannot be written: {error.strerror}", where=str(path), do="check the folder"
            ) from None

    def as_text(self) -> str:
        """The text of the calibration file.

        Returns
        -------
        str
            JSON with a line end, every number to 12 significant digits.
        """
        data = {
            "format": VERSION,
            "made_utc": self.made_utc,
            "fluid": dict(self.fluid),
            "gravity_m_s2": self.gravity_m_s2,
            "uid": self.uid,
            "columns": {name: column_as_dict(column) for name, column in self.columns.items()},
        }
        return json.dumps(json_values.rounded(data), indent=1, allow_nan=False, ensure_ascii=False) + "\n"

    def foreign_to(self, other: Device | Calibration | None) -> bool:
        """Was it made on another board?

        Parameters
        ----------
        other : Device, Calibration or None
            The board asked about, or what was made on it; None where it did not say who it is.

        Returns
        -------
        bool
            False where either board is unknown.
        """
        return other is not None and bool(self.uid and other.uid) and self.uid != other.uid

    def apply(self, nominal_pa: Array, column_names: Sequence[str], out: Array | None = None) -> Array:
        """Calibrated suction of all columns of a run.

        Parameters
        ----------
        nominal_pa : ndarray of float64, shape (n, N)
            Nominal suction, Pa; NaN stays NaN.
        column_names : sequence of str, length N
            Names of the pressure columns.
        out : ndarray of float64, shape (n, N), or None
            Where to put it.

        Returns
        -------
        ndarray of float64, shape (n, N)
            Suction, Pa.

        Raises
        ------
        CalibrationMismatch
            When a column has no calibration.
        """
        missing = [name for name in column_names if name not in self.columns]
        if missing:
            raise CalibrationMismatch(
                "the calibration does not have every pressure column",
                seen=", ".join(missing),
                expected="one of " + ", ".join(self.columns),
                do="calibrate all columns, or reduce without a calibration",
            )
        suction = np.empty_like(nominal_pa, float) if out is None else out
        for i, name in enumerate(column_names):
            nominal, pa = nominal_pa[:, i], suction[:, i]
            *lower, factor = self.columns[name].coefficients.tolist()
            pa[:] = factor
            for coefficient in reversed(lower):
                np.multiply(factor, nominal, out=pa)
                np.add(pa, coefficient, out=pa)
                factor = pa
        return suction
