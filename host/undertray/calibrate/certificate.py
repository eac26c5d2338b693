"""The calibration of a board: what ``calibration.json`` holds, read from strangers too."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import zip_longest
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from undertray.calibrate import certificate_json, json_values
from undertray.calibrate.beside import beside, pieces
from undertray.errors import CalibrationError

__all__ = ["Calibration", "ColumnCalibration"]

Array = NDArray[np.float64]


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
        As :mod:`undertray.calibrate.characteristics` defines them, Pa; None where the points
        do not show it.
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

    def standard_uncertainty_pa(self, nominal_pa: Array | float) -> Array:
        """Standard uncertainty of the calibrated suction.

        Parameters
        ----------
        nominal_pa : float or ndarray of float64, any shape
            Nominal suction, Pa.

        Returns
        -------
        ndarray of float64, shape of ``nominal_pa``
            Pa: ``sqrt(J C J^T + hysteresis^2/12 + repeatability^2/12)``.

        Notes
        -----
        The fit's covariance, and what a single reading may be off by even on a perfect line:
        hysteresis and repeatability enter as widths of rectangular distributions.

        References
        ----------
        JCGM 100:2008 (GUM), 4.3.7 and equation 13.
        """
        rows = self.powers(nominal_pa)
        variance = np.einsum("...i,ij,...j->...", rows, self.covariance, rows)
        width2 = (self.hysteresis_pa or 0.0) ** 2 + (self.repeatability_pa or 0.0) ** 2
        return np.asarray(np.sqrt(np.maximum(variance, 0) + width2 / 12))


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
        """
        where = Path(path).name
        data = certificate_json.load(Path(path), where)
        columns = {
            name: ColumnCalibration(**certificate_json.column(raw, f"{where}, {name}"))
            for name, raw in certificate_json.columns(data, where).items()
        }
        return cls(
            made_utc=json_values.text(data, "made_utc", where),
            fluid=certificate_json.fluid(data, where),
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
            Path(path).write_text(self.as_text(), encoding="utf-8", newline="\n")
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
            "format": certificate_json.VERSION,
            "made_utc": self.made_utc,
            "fluid": dict(self.fluid),
            "gravity_m_s2": self.gravity_m_s2,
            "uid": self.uid,
            "columns": {
                name: certificate_json.column_as_dict(column) for name, column in self.columns.items()
            },
        }
        return json.dumps(json_values.rounded(data), indent=1, allow_nan=False, ensure_ascii=False) + "\n"

    def apply(self, nominal_pa: Array, column_names: Sequence[str]) -> Array:
        """Calibrated suction of all columns of a run.

        Parameters
        ----------
        nominal_pa : ndarray of float64, shape (n, N)
            Nominal suction, Pa; NaN stays NaN.
        column_names : sequence of str, length N
            Names of the pressure columns.

        Returns
        -------
        ndarray of float64, shape (n, N)
            Suction, Pa.

        Raises
        ------
        CalibrationError
            When a column has no calibration.
        """
        missing = [name for name in column_names if name not in self.columns]
        if missing:
            raise CalibrationError(
                "the calibration does not have every pressure column",
                seen=", ".join(missing),
                expected="one of " + ", ".join(self.columns),
                do="calibrate all columns, or reduce without a calibration",
            )
        curves = [self.columns[name].coefficients for name in column_names]
        powers = zip_longest(*curves, fillvalue=0.0)  # b0 of all columns, b1 of all columns, ...
        highest, *lower = [beside(np.array(power)) for power in powers][::-1] or [np.empty(0)]
        suction = np.empty(np.shape(nominal_pa))
        for nominal, pa in pieces(nominal_pa, suction):
            here = slice(nominal.shape[1])
            pa[:] = highest[here]
            for coefficient in lower:
                np.multiply(pa, nominal, out=pa)
                np.add(pa, coefficient[here], out=pa)
        return suction
