"""The calibration of a board: what ``calibration.json`` holds, read from strangers too."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from undertray.acquire.device import Device
from undertray.calibrate import certificate_json, json_values
from undertray.calibrate.column_calibration import ColumnCalibration
from undertray.errors import CalibrationError
from undertray.files import write_whole

__all__ = ["Calibration"]

Array = NDArray[np.float64]


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
